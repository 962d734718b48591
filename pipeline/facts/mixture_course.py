"""The mixture as the engine had it: readings moved back by the delay, freed of the sensor's lag."""

from dataclasses import dataclass

import numpy as np

from pipeline.facts.exhaust_delay import ExhaustDelay
from pipeline.facts.mixture_inputs import MixtureInputs
from pipeline.meta import FactMeta
from pipeline.session import NotAvailableError, View
from pipeline.signals import segments
from pipeline.signals.lag import look_back, undo_first_order, undone_age
from pipeline.signals.segments import Bools, Floats, Ints
from pipeline.signals.smoothing import moving_mean

META = FactMeta(
    summary="lambda in the engine's own time, its error against the target, and when to believe it",
    version=1,
    needs=("engine_speed",),
    needs_any=(("lambda", "lambda_2"),),
    uses=("throttle_position", "manifold_pressure", "vehicle_speed"),
    facts=("states", "mixture_inputs", "exhaust_delay"),
    optional_facts=("misfire_stretches",),
)

#: s over which the freed reading is averaged: undoing the lag multiplies the noise of one reading
#: by lag over interval, a mean over this takes it back.
SMOOTH_S = 0.16
#: s after fuel returns in which film and pipe fill again.
RECOVERY_S = 1.0
#: Throttle in % and pressure in kPa that may move within ``lean_settled_s`` of a settled engine,
#: and the step after which 1.5 s belong to the transient.
SETTLED_PCT, SETTLED_KPA = 4.0, 15.0
STEP_PCT, STEP_KPA = 8.0, 20.0
STEP_S = 0.3


@dataclass(frozen=True, eq=False)
class MixtureCourse:
    """One value per new reading, shape (k,), in the engine's time ``at_s`` (rising).

    ``lambda_engine``: freed of the lag and smoothed; ``reading``: as logged. error: lambda over
    target less 1. trim: fuel factor less 1 by closed loop and learning. usable: fuelled, measured,
    not after a cut nor a misfire. at_rich_end: the same, but the reading at its rich end: at least
    so rich. calm: throttle and pressure at rest for ``lean_settled_s``. stepped: within
    ``transient_s`` of a step. settled: calm and not stepped.
    """

    at_s: Floats
    lambda_engine: Floats
    reading: Floats
    target: Floats
    error: Floats
    trim: Floats
    rpm: Floats
    pressure: Floats
    throttle: Floats
    speed: Floats
    coolant: Floats
    since_start_s: Floats
    usable: Bools
    at_rich_end: Bools
    calm: Bools
    settled: Bools
    stepped: Bools
    interval_s: float
    lag_s: float


def compute(view: View) -> MixtureCourse:
    """Move, free and smooth the reading; raises NotAvailableError with hardly any reading."""
    inputs: MixtureInputs = view.fact("mixture_inputs")
    delay: ExhaustDelay = view.fact("exhaust_delay")
    time = view.time
    rows = np.flatnonzero(inputs.fresh & np.isfinite(inputs.reading))
    if rows.size < 50:
        raise NotAvailableError("too few readings of lambda to follow the mixture")
    at, lam = _freed(time[rows], inputs, delay, rows)
    # Between a target and none there is none: a mean of the two would be a target nobody set.
    known = look_back(time, np.isfinite(inputs.target), at) > 0.999
    target = np.where(known, look_back(time, np.nan_to_num(inputs.target, nan=1.0), at), np.nan)

    def back(values: Floats, empty: float = np.nan) -> Floats:
        known = np.isfinite(values)
        if not known.any():
            return np.full(at.size, empty)
        if known.all():  # most channels: no copy of the log's own length
            return look_back(time, values, at)
        return look_back(time[known], values[known], at)

    throttle = view.get("throttle_position")
    speed = view.get("vehicle_speed")
    plate = back(throttle) if throttle is not None else np.full(at.size, np.nan)
    pressure = back(inputs.pressure)
    here = np.clip(np.searchsorted(time, at, side="right") - 1, 0, time.size - 1)
    burns = _burning(view, inputs, delay.lag_s, at, here)
    moved_plate = segments.largest_change(at, plate, seconds=STEP_S)
    moved_kpa = segments.largest_change(at, pressure, seconds=STEP_S)
    since_step = _since(at, (moved_plate > STEP_PCT) | (moved_kpa > STEP_KPA))
    stepped = since_step < view.limits.transient_s
    rest_s = view.limits.lean_settled_s
    if rest_s != STEP_S:
        moved_plate = segments.largest_change(at, plate, seconds=rest_s)
        moved_kpa = segments.largest_change(at, pressure, seconds=rest_s)
    calm = (moved_plate < SETTLED_PCT) & (moved_kpa < SETTLED_KPA)
    return MixtureCourse(
        at_s=at,
        lambda_engine=lam,
        reading=inputs.reading[rows],
        target=target,
        error=lam / target - 1.0,
        trim=back(inputs.trim, 1.0) - 1.0,
        rpm=back(inputs.rpm),
        pressure=pressure,
        throttle=plate,
        speed=back(speed) if speed is not None else np.full(at.size, np.nan),
        coolant=back(inputs.coolant_c),
        since_start_s=inputs.since_start_s[here],
        usable=inputs.measured[rows] & burns,
        at_rich_end=inputs.at_rich_end[rows] & burns,
        calm=calm,
        settled=calm & ~stepped,
        stepped=stepped,
        interval_s=inputs.update_s,
        lag_s=delay.lag_s,
    )


def _freed(
    t: Floats, inputs: MixtureInputs, delay: ExhaustDelay, rows: Ints
) -> tuple[Floats, Floats]:
    """When in the engine each reading (k,) was made, and lambda there, freed of the lag."""
    freed = undo_first_order(t, 1.0 / np.clip(inputs.reading[rows], 0.3, 3.0), delay.lag_s)
    at = np.maximum.accumulate(t - delay.transport_s[rows] - undone_age(t, delay.lag_s))
    at += np.arange(at.size) * 1e-9  # strictly rising where the delay jumps
    # Nothing is known of what lies beyond the instrument's lean end.
    freed = np.clip(freed, max(0.3, 1.0 / inputs.high_limit), 2.5)
    return at, 1.0 / moving_mean(at, freed, seconds=SMOOTH_S)


def _burning(view: View, inputs: MixtureInputs, lag_s: float, at: Floats, here: Ints) -> Bools:
    """Moments (k,) fuelled and measured, not after a cut nor in a misfire; here: their rows."""
    last_cut = segments.last_true(~inputs.fuelled)[here]
    since_cut = np.where(last_cut >= 0, at - view.time[np.maximum(last_cut, 0)], np.inf)
    burns = inputs.settled[here] & inputs.fuelled[here] & (since_cut > RECOVERY_S + 3.0 * lag_s)
    misfires = view.fact("misfire_stretches")
    if misfires is not None:
        for start, end, _ in misfires.stretches:
            burns &= ~((at >= start) & (at <= end))
    return burns


def _since(time: Floats, mask: Bools) -> Floats:
    """Seconds (k,) since the latest True, inf before the first."""
    last = segments.last_true(mask)
    return np.where(last >= 0, time - time[np.maximum(last, 0)], np.inf)
