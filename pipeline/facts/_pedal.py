"""Whether the pedal is released: from the throttle where it tells, else from what it causes."""

from dataclasses import dataclass

import numpy as np

from pipeline.signals.segments import Bools, Floats

#: % of throttle above the closed stop that still counts as closed: two steps of 8-bit logging.
CLOSED_MARGIN_PCT = 0.9
#: % of throttle: the least such margin where the idle position is known.
LEAST_MARGIN_PCT = 0.45
#: % an idle control that moves the throttle itself may hold it above the stop.
IDLE_LIFT_PCT = 6.0
#: % between closed and open below which a throttle says nothing.
LEAST_SPAN_PCT = 6.0
#: Share of the running at rest from which a throttle that never moved was closed; % no stop has.
NEVER_LEFT, HIGHEST_CLOSED_PCT = 0.9, 40.0
#: Rows and the share of them from which the stop of a coasting car is read: most of what is that
#: low on the move is no foot.
LEAST_COASTING, COASTING_SHARE = 30, 0.2
#: km/h: speed sensors read 0 or crawl below this.
REST_KMH = 2.0


@dataclass(frozen=True, eq=False)
class Pedal:
    """``released`` (n,); levels in %, None where the throttle does not tell.

    ``source``: "throttle", "pressure" (inferred) or "speed" (only at rest).
    """

    released: Bools
    closed_pct: float | None
    open_pct: float | None
    source: str


def find_pedal(
    *,
    throttle: Floats | None,
    pressure: Floats | None,
    rpm: Floats,
    at_rest: Bools,
    rest_known: bool,
    running: Bools,
    idle_rpm: float,
    barometer_kpa: float,
) -> Pedal:
    """Find the rows with the pedal released. All arrays (n,), held; rpm, kPa, %."""
    low_speed = running & (rpm < 1.4 * idle_rpm + 150.0)
    resting = low_speed & at_rest
    if throttle is not None:
        found = _from_throttle(throttle, running, resting, at_rest, rest_known)
        if found is not None:
            return found
    idle_like = resting if rest_known else running & (rpm < 1.15 * idle_rpm + 50.0)
    if pressure is not None and np.isfinite(pressure[idle_like]).sum() > 5:
        idle_kpa = float(np.nanmedian(pressure[idle_like]))
        # An engine without a throttle (idle pressure near the barometer) cannot tell this way.
        if idle_kpa < 0.75 * barometer_kpa:
            vacuum = running & (pressure < idle_kpa - 1.0) & (rpm > 1.25 * idle_rpm)
            return Pedal(resting | idle_like | vacuum, None, None, "pressure")
    return Pedal(idle_like, None, None, "speed")


def _from_throttle(
    throttle: Floats, running: Bools, resting: Bools, at_rest: Bools, rest_known: bool
) -> Pedal | None:
    use = running & np.isfinite(throttle)
    if use.sum() < 10:
        return None
    closed, high = (float(v) for v in np.quantile(throttle[use], (0.004, 0.998)))
    if high - closed < LEAST_SPAN_PCT:
        # Never opened: closed throughout if the engine idled, else unknown.
        if resting.sum() < NEVER_LEFT * running.sum() or closed > HIGHEST_CLOSED_PCT:
            return None
        return Pedal(use & (throttle <= high + CLOSED_MARGIN_PCT), closed, None, "throttle")
    limit = closed + CLOSED_MARGIN_PCT + 0.01 * (high - closed)
    idle = throttle[resting & use]
    margin = None
    if idle.size >= 10:
        level = float(np.median(idle))
        if level > closed + max(IDLE_LIFT_PCT, 0.35 * (high - closed)):
            return None  # a throttle that stands open at idle is no pedal: a diesel's
        margin = _idle_margin(throttle[use], idle, level)
        if level <= closed + IDLE_LIFT_PCT:
            limit = level + margin
    released = use & (throttle <= limit)
    coasting = released & ~at_rest & rest_known
    if margin is not None and coasting.sum() >= LEAST_COASTING:
        # A control that lifts the throttle for a cold idle lets it go on the move: what stands
        # as high as the idle there is a light foot.
        low = float(np.quantile(throttle[coasting], COASTING_SHARE))
        released &= ~coasting | (throttle <= low + margin)
    return Pedal(released, closed, high, "throttle")


def _idle_margin(values: Floats, idle: Floats, level: float) -> float:
    """How far a closed throttle may read above its idle level: steps and noise of this log, %."""
    steps = np.diff(np.unique(np.round(values, 3)))
    step = float(np.min(steps)) if steps.size else 0.0
    noise = 1.4826 * float(np.median(np.abs(idle - level)))
    return float(np.clip(max(1.5 * step, 3.0 * noise), LEAST_MARGIN_PCT, 3.0))
