"""What other channels say of missing firings, and what a log shows and hides, in words."""

import numpy as np

from pipeline.facts.misfire_stretches import MisfireStretches
from pipeline.facts.steady_stretches import SteadyStretches
from pipeline.session import View
from pipeline.signals import segments
from pipeline.signals.misfire_decision import Detection
from pipeline.signals.order_tracking import (
    cycle_phase,
    distinguishable_orders,
    line_test,
    order_lines,
    windows,
)
from pipeline.signals.segments import Bools, Floats

#: Misses needed before what follows them is averaged; with so many, silence says something, too.
LEAST_MISSES, MANY_MISSES = 3, 10
#: Lambda after a fall over its usual course before: more than a sensor's own noise.
LEANER = 0.01
#: K by which the exhaust has to differ between stretches with and without misses at idle: a
#: thermocouple's lag (seconds) and the load's own changes stay below. Common practice, no source.
EXHAUST_K = 25.0
#: Rows on either side of that comparison, s of idle.
LEAST_S = 20.0
#: s: windows in which the pressure is looked at, and its chance below which a line is said.
RIPPLE_WINDOW_S, RIPPLE_P = 4.0, 0.01
#: Change of the confidence by one sign that agrees, and by one that should and does not. Small,
#: for the speed alone is right in 95 % and more (judge).
AGREES, DIFFERS = 0.02, -0.04
#: Hz within which two lines run together in the windows that are looked at (1.5 over 2.5 s), and
#: the share of windows from which running counts as blind.
BLIND_HZ, BLIND_SHARE = 0.6, 0.5


def blind_words(detection: Detection, cylinders: int) -> str:
    """Say in which running the rate hides half the crank's order; "" where it does nowhere."""
    where: dict[str, list[str]] = {}
    for part in detection.classes:
        why = distinguishable_orders(
            speed_rpm=part.speed_rpm, cylinders=cylinders, rate_hz=1.0 / part.interval_s,
            resolution_hz=BLIND_HZ,
        )[0.5]  # fmt: skip
        if why and part.blind_share > BLIND_SHARE:
            name = part.name if not part.idle else f"idle of {part.speed_rpm:.0f} rpm"
            where.setdefault(why, []).append(name)
    return "".join(
        f" In {', '.join(names)} half the crank's order {why}: a cylinder that never fires draws "
        "no line there, and only falls that stand alone would show."
        for why, names in where.items()
    )


def corroboration(
    view: View, found: MisfireStretches, steady: SteadyStretches
) -> tuple[list[str], float]:
    """Lambda, exhaust temperature and manifold pressure: sentences and change of confidence."""
    out: list[str] = []
    shift = 0.0
    for says, change in (_lambda(view, found), _exhaust(view, found, steady),
                         _pressure(view, found, steady)):  # fmt: skip
        shift += change
        if says:
            out.append(says)
    return out, shift


def _lambda(view: View, found: MisfireStretches) -> tuple[str, float]:
    """Air that did not burn reads lean for a moment after each fall."""
    times = found.detection.times
    lam = view.get("lambda")
    if lam is None or found.detection.count < LEAST_MISSES or found.detection.by_line:
        return "", 0.0
    held = segments.hold(view.time, lam, seconds=1.0)
    after = np.interp(times[:, None] + np.arange(0.2, 1.2, 0.1), view.time, held)
    before = np.interp(times[:, None] - np.arange(0.2, 1.2, 0.1), view.time, held)
    known = np.isfinite(after).all(axis=1) & np.isfinite(before).all(axis=1)
    if known.sum() < LEAST_MISSES:
        return "", 0.0
    after, before = after[known], before[known]
    gain = float(np.median(after.max(axis=1) - before.max(axis=1)))
    if gain > LEANER:
        return f"Lambda read leaner by {gain:.2f} after the falls: air that did not burn", AGREES
    if known.sum() >= MANY_MISSES and gain <= 0.0:
        return "Lambda did not read leaner after the falls, as unburnt air would make it", DIFFERS
    return "", 0.0


def _exhaust(view: View, found: MisfireStretches, steady: SteadyStretches) -> tuple[str, float]:
    """Fuel that burns late heats the exhaust, a cylinder without fuel cools it: either way."""
    exhaust = view.get("exhaust_gas_temperature")
    if exhaust is None:
        return "", 0.0
    rows = steady.rows[steady.band == 0]
    rows = rows[np.isfinite(exhaust[rows])]
    if rows.size < 20:
        return "", 0.0
    time = view.time[rows]
    missing = np.zeros(rows.size, dtype=bool)
    for start, end, _ in found.stretches:
        missing |= (time >= start) & (time <= end + 3.0)  # the probe follows within seconds
    usual = float(np.median(np.diff(view.time)))
    if min(missing.sum(), (~missing).sum()) * usual < LEAST_S:
        return "", 0.0
    step = float(np.median(exhaust[rows][missing]) - np.median(exhaust[rows][~missing]))
    if abs(step) < EXHAUST_K:
        return "", 0.0
    way = "hotter" if step > 0 else "colder"
    return f"The exhaust was {abs(step):.0f} K {way} at idle with misses than without", AGREES


def _pressure(view: View, found: MisfireStretches, steady: SteadyStretches) -> tuple[str, float]:
    """A cylinder that differs draws less or slower: the manifold repeats itself every two turns."""
    pressure = view.get("manifold_pressure")
    if pressure is None or not found.detection.by_line:
        return "", 0.0
    rows = steady.rows[steady.band == 0]
    starts = steady.starts[steady.band == 0]
    known = np.isfinite(pressure[rows])
    if known.sum() < 80 or known.mean() < 0.8:
        return "", 0.0
    ratio, p = _half_order(view.time[rows], view.channel("engine_speed")[rows],
                           np.where(known, pressure[rows], np.nan), starts)  # fmt: skip
    if p < RIPPLE_P:
        return (
            f"Manifold pressure repeats itself once in two turns, too ({ratio:.1f} times the "
            "noise around it)", AGREES,
        )  # fmt: skip
    return "", 0.0


def _half_order(time: Floats, speed: Floats, values: Floats, starts: Bools) -> tuple[float, float]:
    """Ratio and chance of the half order's line in ``values`` (n,), NaN where unknown."""
    first = windows(starts, time, RIPPLE_WINDOW_S)
    size = np.diff(np.append(first, time.size))
    group = np.repeat(np.arange(first.size), size)
    known = np.isfinite(values)
    filled = np.where(known, values, 0.0)
    mean = np.bincount(group, filled, first.size) / np.maximum(np.bincount(group, known), 1)
    flat = np.where(known, values - mean[group], 0.0)
    spread = np.sqrt(np.bincount(group, flat * flat, first.size) / size)
    flat = flat / np.maximum(spread, 1e-9)[group]
    lines = order_lines(flat, cycles=cycle_phase(time, speed), time_s=time, starts=first,
                        halves=[1])  # fmt: skip
    use = ((lines.rows >= 20) & (spread > 0))[None, :]
    return line_test(lines, use)


def could_words(share: float | None) -> str:
    """Say in words what this log would have shown."""
    if share is None:
        return "This log could not have shown missing firings of one cylinder."
    # Whether it is, no log shows: such a mean holds each cylinder once, so one that never fires
    # leaves no half order, and falls that crowd leave no lopsided noise; rare ones still show.
    mean = "if the speed is the controller's mean over two turns"
    if share >= 0.6:
        return (
            "A cylinder that does not fire at all would have shown; one that misses rarely not, "
            f"nor even the first {mean}."
        )
    number = max(2, round(1.0 / share))
    return (
        f"A cylinder that misses one firing in {number} would have shown; rarer ones not, "
        f"nor one that misses often or never fires {mean}."
    )
