"""Shapes of a table's error that no table has by itself: a regulator, a pump, a leak.

Each is held against the session's own estimates, weighted by their evidence. A wrong table can
mimic a shape only by chance: size, sign, place and share of the whole error have to fit together.
"""

from collections.abc import Mapping
from typing import Any

import numpy as np

from pipeline.physics.fuel import unreferenced_factor
from pipeline.signals.segments import Floats

#: s of evidence, and log standard deviation, from which a point may vote.
LEAST_S, LARGEST_SD = 1.0, 0.03
#: Share of the error's weighted variance the shape alone has to explain.
EXPLAINED = 0.75
#: kPa of span below and above that a regulator's shape needs to be told from a level.
LEAST_SPAN_KPA = 45.0
#: Size of the shape against the physics of a fully lost reference; part losses are smaller.
SIZES = (0.3, 1.35)
#: Error as a logarithm the shape has to reach at one end, and may leave where it crosses nought: a
#: table finished to 3-4 % and a sensor's own systematic error (choice).
LEAST_ERROR, LARGEST_OFFSET = 0.045, 0.04
#: The top of the flow is passed in moments: points there may vote from so many s on, with a larger
#: standard deviation, if what is missing is so much.
BRIEF_S, BRIEF_SD, BRIEF_ERROR = 0.2, 0.05, 0.10
#: Points beyond the knee from which a pump that runs out may be told.
FEWEST = 3
#: Weight of a point whose deviation is nought: what no table of the trade is finished to.
FINISHED = 0.02
#: A leak's bias at the smallest flow, and how often the largest flow has to hold the smallest.
LEAST_LEAK, LEAK_SPAN = 0.05, 6.0
#: Share of the variance the flow has to explain beyond what the pulse alone explains.
OVER_PULSE = 0.05


def open_shapes(digest: Mapping[str, Any], rail_kpa: float) -> dict[str, str]:
    """Faults whose shape the table's error has: name and a sentence that says what was seen.

    digest: of the analysis fuel_table. rail_kpa: rated fuel pressure over the manifold.
    """
    if not digest:
        return {}
    rpm_axis, kpa_axis = np.array(digest["rpm"], float), np.array(digest["kpa"], float)
    cells = np.array(digest["cells"], dtype=np.int64)
    error, sd = np.array(digest["mean"], float), np.array(digest["sd"], float)
    seconds = np.array(digest["seconds"], float)
    # a visit-weighted fit would see idle and cruise only; the root lets every zone have its say
    weight = np.sqrt(np.minimum(seconds, 60.0))
    rpm, kpa = rpm_axis[cells // kpa_axis.size], kpa_axis[cells % kpa_axis.size]
    sure = (seconds >= LEAST_S) & (sd <= LARGEST_SD)
    found: dict[str, str] = {}
    if np.count_nonzero(sure) >= 8:
        text = _regulator(
            kpa[sure], error[sure], weight[sure], float(digest["barometer_kpa"]), rail_kpa
        )
        if text:
            found["pressure regulator"] = text
        text = _leak((rpm * kpa)[sure], kpa[sure], error[sure], weight[sure])
        if text:
            found["exhaust leak"] = text
        text = _pump((rpm * kpa)[sure], error[sure], weight[sure], LEAST_ERROR)
        if text:
            found["fuel flow"] = text
    brief = (seconds >= BRIEF_S) & (sd <= BRIEF_SD)
    if "fuel flow" not in found and np.count_nonzero(brief) >= 8:
        trust = 1.0 / (sd[brief] ** 2 + FINISHED**2)
        text = _pump((rpm * kpa)[brief], error[brief], trust, BRIEF_ERROR)
        if text:
            found["fuel flow"] = text
    return found


def _line(x: Floats, y: Floats, weight: Floats) -> tuple[float, float, float]:
    """Weighted straight line: offset, slope, share of the variance explained."""
    mx, my = float(np.average(x, weights=weight)), float(np.average(y, weights=weight))
    dx, dy = x - mx, y - my
    xx, xy, yy = (float(np.sum(weight * a * b)) for a, b in ((dx, dx), (dx, dy), (dy, dy)))
    if xx <= 0.0 or yy <= 0.0:
        return my, 0.0, 0.0
    slope = xy / xx
    return my - slope * mx, slope, slope * xy / yy


def _regulator(kpa: Floats, error: Floats, weight: Floats, barometer: float, rail: float) -> str:
    """Lambda over target a function of pressure alone that crosses 1 at the barometer."""
    if np.ptp(kpa) < LEAST_SPAN_KPA or kpa.min() > barometer - LEAST_SPAN_KPA:
        return ""
    shape = np.log(unreferenced_factor(kpa, barometer_kpa=barometer, rail_kpa=rail))
    offset, size, explained = _line(shape, error, weight)
    if not SIZES[0] <= size <= SIZES[1] or explained < EXPLAINED or abs(offset) > LARGEST_OFFSET:
        return ""
    if float(np.abs(size * shape).max()) < LEAST_ERROR:
        return ""
    return (
        f"the error follows manifold pressure alone and crosses nought at the barometer, "
        f"{100 * explained:.0f} % explained: a regulator without its manifold hose does that"
    )


def _leak(flow: Floats, kpa: Floats, error: Floats, weight: Floats) -> str:
    """Lean as 1/flow, sound at large flow: air drawn in before the sensor (or past the meter).

    A wrong dead time goes as 1/pulse, that is as 1/pressure: the flow has to tell more than that.
    """
    if flow.max() < LEAK_SPAN * flow.min():
        return ""
    offset, size, explained = _line(float(flow.min()) / flow, error, weight)
    by_pulse = _line(float(kpa.min()) / kpa, error, weight)[2]
    if size < LEAST_LEAK or abs(offset) > LARGEST_OFFSET or explained < EXPLAINED:
        return ""
    if explained < by_pulse + OVER_PULSE:
        return ""
    return (
        f"lean falls as 1/flow from {100 * np.expm1(size):.0f} % at the smallest, "
        f"{100 * explained:.0f} % explained: air in the exhaust before the sensor does that"
    )


def _pump(flow: Floats, error: Floats, weight: Floats, least: float) -> str:
    """Lean from a certain fuel flow on, growing with it to ``least`` or more, sound below."""
    order = np.unique(np.quantile(flow, np.linspace(0.4, 0.9, 11)))
    # a pump that runs out at the very top shows it at a few points only
    order = np.union1d(order, np.sort(flow)[-8:-FEWEST])
    best = ("", 0.0)
    for knee in order:
        hinge = np.maximum(flow - knee, 0.0) / max(float(flow.max()), 1.0)
        low, high = flow <= knee, flow > knee
        if np.count_nonzero(high) < FEWEST or np.count_nonzero(low) < 4:
            continue
        offset, slope, explained = _line(hinge, error, weight)
        below = float(np.sqrt(np.average((error[low]) ** 2, weights=weight[low])))
        top = offset + slope * float(hinge.max())
        # a great lack tells itself from a table that is wrong elsewhere, too
        sound = below < max(LARGEST_OFFSET, 0.25 * top)
        if slope > 0.0 and explained >= EXPLAINED and sound and top > least:
            text = (
                f"lean grows with fuel flow to {100 * np.expm1(top):.0f} %, sound below, "
                f"{100 * explained:.0f} % explained: pump, filter or its supply"
            )
            best = max(best, (text, explained), key=lambda pair: pair[1])
    return best[0]
