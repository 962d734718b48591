"""Shapes of a table's error that no table has by itself: a regulator, a pump.

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
SIZES = (0.35, 1.35)
#: Error as a logarithm the shape has to reach at one end, and may leave where it crosses nought.
LEAST_ERROR, LARGEST_OFFSET = 0.05, 0.03


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
    good = (seconds >= LEAST_S) & (sd <= LARGEST_SD)
    if np.count_nonzero(good) < 8:
        return {}
    cells, error = cells[good], error[good]
    # a visit-weighted fit would see idle and cruise only; the root lets every zone have its say
    weight = np.sqrt(np.minimum(seconds[good], 60.0))
    rpm, kpa = rpm_axis[cells // kpa_axis.size], kpa_axis[cells % kpa_axis.size]
    found: dict[str, str] = {}
    text = _regulator(kpa, error, weight, float(digest["barometer_kpa"]), rail_kpa)
    if text:
        found["pressure regulator"] = text
    text = _pump(rpm * kpa, error, weight)
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


def _pump(flow: Floats, error: Floats, weight: Floats) -> str:
    """Lean from a certain fuel flow on, growing with it, sound below."""
    order = np.unique(np.quantile(flow, np.linspace(0.4, 0.9, 11)))
    best = ("", 0.0)
    for knee in order:
        hinge = np.maximum(flow - knee, 0.0) / max(float(flow.max()), 1.0)
        low, high = flow <= knee, flow > knee
        if np.count_nonzero(high) < 4 or np.count_nonzero(low) < 4:
            continue
        offset, slope, explained = _line(hinge, error, weight)
        below = float(np.sqrt(np.average((error[low]) ** 2, weights=weight[low])))
        top = offset + slope * float(hinge.max())
        # a great lack tells itself from a table that is wrong elsewhere, too
        sound = below < max(LARGEST_OFFSET, 0.25 * top)
        if slope > 0.0 and explained >= EXPLAINED and sound and top > LEAST_ERROR:
            text = (
                f"lean grows with fuel flow to {100 * np.expm1(top):.0f} %, sound below, "
                f"{100 * explained:.0f} % explained: pump, filter or its supply"
            )
            best = max(best, (text, explained), key=lambda pair: pair[1])
    return best[0]
