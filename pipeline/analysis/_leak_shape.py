"""The shape of the lean bias over air flow, and the idle as the air finds it: numbers of a leak."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.facts.mixture_inputs import LIMIT_MARGIN, NO_FLAME_LAMBDA, MixtureInputs
from pipeline.facts.states import States
from pipeline.signals import segments
from pipeline.signals.segments import Bools, Floats
from pipeline.vehicle import Vehicle

#: Bins of air flow, as multiples of the smallest usual flow; a leak's bias halves from one to the
#: next. Six or seven bins span idle to full load.
BIN_RATIO = 1.55
BIN_ROWS = 40  # fewer rows of settled running say nothing of a bin
SETTLED_S = 60.0  # after a start: enrichment and a cold sensor
REFILLED_S = 1.5  # after a fuel cut: film and pipe fill again
WARM_C = 65.0
CREEP_KMH = 12.0  # a car that creeps in first gear at idle
#: Times the smallest flow that large ones have to reach for a shape; less where the reading lies at
#: its lean end below, so that the largest biases are known to be there and only not how large.
RANGE, RANGE_BELOW_END = 3.0, 1.7
SMALL_FLOWS = 1.6  # a cold idle's flow over a warm one's; beyond it lie pulls away
#: rpm over the vehicle file's idle speed with the air control shut: what a controller asks for over
#: it (lights, fan, cold oil: 50 to 100, common practice) it gives through that control.
GIVEN_OVER_RPM = 120.0
#: Metal that warms closes an exhaust leak by more of the bias than flow and lag leave uncertain.
SHRINKS_SHARE, SHRINKS_PCT = 0.07, 0.3
METAL_WARM_S = 300.0  # exhaust metal of a driven car is warm after five minutes: common practice


@dataclass(frozen=True)
class LeanShape:
    """Lean bias in % (reading over target, trims counted) by flow.

    low, high: at the smallest flows and from four times them on; fit_idle: what a bias falling as
    1/flow says at the smallest flow; misfit: largest bin's distance from it; falling: share of
    neighbouring bins that fall. cold, warm: mean bias at small flow before and after the metal
    is warm, both brought to the smallest flow, None where not seen. seconds of evidence. volts:
    of the supply at the smallest flows, None where not logged.
    """

    low: float
    high: float
    fit_idle: float
    misfit: float
    falling: float
    cold: float | None
    warm: float | None
    flow_low: float
    seconds: float
    volts: float | None = None


@dataclass(frozen=True)
class RestIdle:
    """Warm idle: medians, None where not logged; seconds it lasted.

    creeping: the car never stood; it crept with the pedal released, which a leak can make it do.
    air_swing: 5 to 95 % of the air control, which a hunting idle sweeps from end to end.
    lean_hidden: trims were not logged, so they may hide some of ``lean``.
    """

    pressure: float | None
    air_control: float | None
    over_target: float | None
    rpm: float
    lean: float | None
    seconds: float
    creeping: float = 0.0
    air_swing: float | None = None
    lean_hidden: float = 0.0

    def against_file(self, vehicle: Vehicle, *, shut_pct: float) -> RestIdle:
        """Hold the idle against the speed the vehicle file gives where no target was logged.

        A controller may ask for more than the file says, and a control that nobody logged may
        stand open: what is over it counts only with the air control shut all the same.
        """
        known = self.over_target is not None or not vehicle.is_given("engine.idle_rpm")
        if known or self.creeping or self.air_control is None or self.air_control > shut_pct:
            return self
        over = self.rpm - vehicle.engine.idle_rpm
        return replace(self, over_target=over) if over >= GIVEN_OVER_RPM else self


def lean_pct(m: MixtureInputs) -> Floats:
    """Lean bias (n,) in %: what the reading is above the target, and what trims hide of it."""
    return np.asarray(100.0 * (np.log(m.reading / m.target) + np.log(m.trim)))


def usable(m: MixtureInputs) -> Bools:
    """Rows whose reading can be held against the target: settled, not after a fuel cut."""
    return np.asarray(_burning(m) & m.measured)


def _burning(m: MixtureInputs) -> Bools:
    """Rows of settled running near lambda 1, measured or not."""
    last = np.flatnonzero(m.cut[:-1] & ~m.cut[1:])
    rows = max(3, int(REFILLED_S / max(m.update_s, 0.02)))  # as of readings no faster than 50 Hz
    cut_lately = segments.spread(m.cut.size, last, np.minimum(last + rows, m.cut.size))
    return np.asarray(
        m.fuelled & m.settled & ~m.cut & ~cut_lately
        & (m.since_start_s > SETTLED_S) & np.isfinite(m.target) & np.isfinite(m.flow)
        & (m.target > 0.93)
    )  # fmt: skip


def lean_shape(time: Floats, m: MixtureInputs) -> LeanShape | None:
    """Fit a + b / flow to the bias, bin by bin; None with too little evidence."""
    burning = _burning(m)
    use = burning & m.measured
    if np.count_nonzero(use) < 5 * BIN_ROWS:
        return None
    e = lean_pct(m)
    use &= np.isfinite(e) & (m.flow > 0.3)
    q, y = m.flow[use], e[use]
    if q.size < 5 * BIN_ROWS:
        return None
    base = float(np.percentile(q, 2))
    index = np.clip((np.log(q / base) / np.log(BIN_RATIO)).astype(int), 0, 9)
    flows, levels, weights = [], [], []
    for k in range(10):
        inside = index == k
        count = int(np.count_nonzero(inside))
        if count >= BIN_ROWS:
            flows.append(float(np.median(q[inside])))
            levels.append(float(np.median(y[inside])))
            weights.append(np.sqrt(min(count, 2000)))
    if len(flows) < 3 or flows[-1] < RANGE_BELOW_END * flows[0]:
        return None
    span = RANGE
    if flows[-1] < RANGE * flows[0]:
        end = min(m.high_limit - LIMIT_MARGIN, NO_FLAME_LAMBDA)
        at_end = burning & (m.reading >= end) & (m.flow < flows[0])
        if np.count_nonzero(at_end) < 5 * BIN_ROWS:
            return None
        span = flows[-1] / flows[0]
    x, z, w = 1.0 / np.array(flows), np.array(levels), np.array(weights)
    design = np.stack([np.ones_like(x), x], axis=1)
    offset, slope = np.linalg.lstsq(design * w[:, None], z * w, rcond=None)[0]
    late = z[np.array(flows) >= span * flows[0]]
    warm_rows = m.since_start_s > METAL_WARM_S
    small = q < SMALL_FLOWS * flows[0]

    def at_small(rows: Bools) -> float | None:
        inside = rows[use] & small  # a cold idle is a fast one: brought to the smallest flow
        picked = offset + (y[inside] - offset) * q[inside] / flows[0]
        return float(np.median(picked)) if picked.size >= BIN_ROWS else None

    step = float(np.median(np.diff(time))) if time.size > 1 else 1.0
    return LeanShape(
        low=float(z[0]), high=float(np.median(late)), fit_idle=float(slope * x[0]),
        misfit=float(np.max(np.abs(z - offset - slope * x))),
        falling=float(np.mean(np.diff(z) < 0.3)),
        cold=at_small(~warm_rows), warm=at_small(warm_rows),
        flow_low=flows[0], seconds=float(q.size) * step, volts=_median(m.volts[use], small),
    )  # fmt: skip


def shrinks(shape: LeanShape) -> bool:
    """Whether the bias is larger with cold metal, or that was not seen: no intake leak's is."""
    if shape.cold is None or shape.warm is None:
        return True
    return shape.cold > shape.warm + max(SHRINKS_PCT, SHRINKS_SHARE * shape.low)


def grows(shape: LeanShape) -> bool:
    """Whether the bias at small flow is clearly larger with warm metal: no leak does that.

    Fuel added while the engine warms hides some of a large bias before it does of a small one.
    """
    if shape.cold is None or shape.warm is None:
        return False
    return shape.warm - shape.cold > max(4.0, 0.5 * (shape.low - shape.high))


def unshared(shape: LeanShape, own: Sequence[LeanShape], sessions: int) -> float:
    """Constant part of the bias over its part in 1/flow; a leak's alone is near 0.

    Diluted by air that does not depend on flow, the reading is off by (air / flow). What the
    table adds to it stands in the vehicle's earlier sessions, where there are ``sessions`` of them.
    """
    known = own if len(own) >= sessions else ()
    usual = float(np.median([s.low - s.fit_idle for s in known])) if known else 0.0
    falls = shape.fit_idle - (float(np.median([s.fit_idle for s in known])) if known else 0.0)
    return (shape.low - shape.fit_idle - usual) / max(falls, 1e-3)


def rest_idle(
    time: Floats, states: States, m: MixtureInputs | None, *, coolant: Floats | None,
    speed: Floats | None, pressure: Floats | None, air_control: Floats | None,
    target: Floats | None,
) -> RestIdle | None:  # fmt: skip
    """Find the warm idle at rest, whatever its speed; None with less than 8 s of it."""
    since = time - (states.first_running_s if states.first_running_s is not None else time[0])
    rows = states.running & states.pedal_released & ~states.dropout & ~states.fuel_cut
    rows &= since > SETTLED_S
    if coolant is not None:
        rows &= np.nan_to_num(coolant, nan=100.0) > WARM_C
    else:
        rows &= since > METAL_WARM_S
    step = float(np.median(np.diff(time))) if time.size > 1 else 1.0
    at_rest = rows & states.at_rest
    creeping = np.count_nonzero(at_rest) * step < 8.0 and speed is not None
    if creeping and speed is not None:
        rows &= np.nan_to_num(speed, nan=99.0) < CREEP_KMH
    else:
        rows = at_rest
    seconds = float(np.count_nonzero(rows)) * step
    if seconds < 8.0:
        return None
    lean = None
    if m is not None:
        picked = lean_pct(m)[rows & usable(m)]
        picked = picked[np.isfinite(picked)]
        lean = float(np.median(picked)) if picked.size >= 20 else None
    goal = _median(target, rows)
    rpm = float(np.median(states.rpm[rows]))
    return RestIdle(
        pressure=_median(pressure, rows), air_control=_median(air_control, rows),
        over_target=None if goal is None or goal < 300.0 else rpm - goal, rpm=rpm, lean=lean,
        seconds=seconds, creeping=float(creeping), air_swing=_swing(air_control, rows),
        lean_hidden=float(m is None or not m.trims_logged),
    )  # fmt: skip


def _median(values: Floats | None, rows: Bools) -> float | None:
    if values is None:
        return None
    picked = values[rows]
    picked = picked[np.isfinite(picked)]
    return float(np.median(picked)) if picked.size >= 20 else None


def _swing(values: Floats | None, rows: Bools) -> float | None:
    if values is None:
        return None
    picked = values[rows]
    picked = picked[np.isfinite(picked)]
    return float(np.subtract(*np.percentile(picked, [95, 5]))) if picked.size >= 20 else None
