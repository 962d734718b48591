"""Full-throttle runs: stretches with the throttle open and the engine pulling through speeds."""

from dataclasses import dataclass

import numpy as np

from pipeline.facts.gears import Gears
from pipeline.facts.states import States
from pipeline.meta import FactMeta
from pipeline.session import View
from pipeline.signals import segments
from pipeline.signals.segments import Bools, Floats

META = FactMeta(
    summary="full-throttle runs: where each begins and ends, its gear and engine speeds",
    version=1,
    needs=("engine_speed",),
    needs_any=(("throttle_position", "manifold_pressure"),),
    facts=("states", "atmosphere"),
    optional_facts=("gears",),
)

#: s below which an open throttle is a blip and no run.
LEAST_S = 1.0
#: rpm below which an engine is not pulling, and by how much speed has to rise over a run.
LEAST_RPM = 1100.0
LEAST_RISE = 0.06
#: An engine speed that falls this fast (share a second) is a gear change or a cut.
FALL_PER_S = -0.25
#: Of the barometer: a throttle that lets less through was not open, whatever it reads.
OPEN_PRESSURE = 0.88
#: % of opening below which an "open" throttle of the session is no full throttle (where no
#: pressure can tell).
LEAST_OPEN_PCT = 55.0
#: s within which a shift of gears ends one run and begins the next.
SHIFT_S = 0.3


@dataclass(frozen=True)
class FullThrottleRun:
    """One run: rows [start, end), times in s, gear index into the gears fact (-1 unknown).

    ratio: rpm per km/h, NaN where unknown. opened_s: when the throttle was opened for it.
    """

    start: int
    end: int
    start_s: float
    end_s: float
    gear: int
    ratio: float
    rpm_start: float
    rpm_end: float
    opened_s: float


@dataclass(frozen=True, eq=False)
class FullThrottleRuns:
    """All runs of a session; ``mask`` (n,) full throttle in every row, ``source`` what told it.

    rpm: engine speed (n,) held over rows without one.
    """

    runs: tuple[FullThrottleRun, ...]
    mask: Bools
    source: str
    rpm: Floats


def compute(view: View) -> FullThrottleRuns:
    """Find the runs."""
    time = view.time
    states = view.fact("states")
    barometer = view.fact("atmosphere").barometer_kpa
    rpm = segments.hold(time, view.channel("engine_speed"), seconds=1.0)
    pressure = view.get("manifold_pressure")
    if pressure is not None:
        pressure = segments.hold(time, pressure, seconds=1.0)
    open_now, source = _open(view, states, pressure, barometer)
    mask = open_now & states.running & (rpm > LEAST_RPM)
    opened = _opened(time, open_now)
    rise = _rate(time, rpm)
    pulling = mask & ~(rise < FALL_PER_S)
    pulling = segments.fill_gaps(pulling, time, seconds=SHIFT_S) & mask
    pulling = segments.long_runs(pulling, time, seconds=LEAST_S)
    gears = view.fact("gears")
    found = []
    for start, end in zip(*segments.runs(pulling), strict=True):
        run = _run(time, rpm, int(start), int(end), gears, float(opened[start]))
        if run is None:
            continue
        if pressure is not None:
            most = np.nanmax(pressure[start:end], initial=0.0)
            if most < OPEN_PRESSURE * float(np.median(barometer[start:end])):
                continue
        found.append(run)
    return FullThrottleRuns(tuple(found), mask, source, rpm)


def _open(
    view: View, states: States, pressure: Floats | None, barometer: Floats
) -> tuple[Bools, str]:
    """Rows with the throttle open, and by which channel."""
    throttle = view.get("throttle_position")
    closed, wide = states.closed_throttle, states.open_throttle
    if throttle is not None and closed is not None and wide is not None:
        held = segments.hold(view.time, throttle, seconds=1.0)
        # A session that never opened fully has an "open" of its own; pressure tells then.
        top = wide if pressure is not None else max(wide, LEAST_OPEN_PCT)
        level = closed + view.limits.full_throttle_fraction * (top - closed)
        return held >= level, "throttle"
    if pressure is not None:
        # Without a throttle: at the barometer or above nothing is left to open.
        return pressure >= 0.95 * barometer, "pressure"
    return np.zeros(view.time.size, dtype=bool), "none"


def _opened(time: Floats, open_now: Bools) -> Floats:
    """Time (n,) at which the current stretch of open throttle began."""
    begins = open_now & ~np.r_[False, open_now[:-1]]
    at = segments.last_true(begins)
    return np.where(at >= 0, time[np.maximum(at, 0)], time)


def _rate(time: Floats, rpm: Floats) -> Floats:
    """Relative rate of engine speed (1/s) over about 0.25 s either side."""
    before = np.interp(time - 0.15, time, rpm)
    after = np.interp(time + 0.15, time, rpm)
    span = np.minimum(time + 0.15, time[-1]) - np.maximum(time - 0.15, time[0])
    rate: Floats = (after - before) / np.maximum(span, 1e-3) / np.maximum(rpm, 1.0)
    return rate


def _run(
    time: Floats, rpm: Floats, start: int, end: int, gears: Gears | None, opened: float
) -> FullThrottleRun | None:
    part = rpm[start:end]
    if end - start < 3 or np.nanmax(part) < (1.0 + LEAST_RISE) * part[0]:
        return None
    gear, ratio = -1, float("nan")
    if gears is not None:
        seen = gears.code[start:end]
        counts = np.bincount(seen[seen >= 0], minlength=1)
        if counts.sum() >= 0.5 * (end - start):
            gear = int(np.argmax(counts))
            ratio = float(gears.ratios[gear])
    return FullThrottleRun(
        start=start, end=end, start_s=float(time[start]), end_s=float(time[end - 1]), gear=gear,
        ratio=ratio, rpm_start=float(part[0]), rpm_end=float(np.nanmax(part)),
        opened_s=max(opened, 0.0),
    )  # fmt: skip
