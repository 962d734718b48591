"""Stretches in which the engine ran steadily enough to look at its evenness: idle and driving."""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from pipeline.facts.states import States
from pipeline.meta import FactMeta
from pipeline.session import View
from pipeline.signals import segments
from pipeline.signals.sampling import held_rows, in_order, update_rows
from pipeline.signals.segments import Bools, Floats
from pipeline.signals.smoothing import moving_mean

META = FactMeta(
    summary="stretches of idle and of steady driving, with the rows that hold a new speed",
    version=4,
    needs=("engine_speed",),
    uses=("throttle_position", "injector_pulse_width"),
    facts=("states",),
)

#: Hz of new speed readings below which single firings leave no trace that can be judged.
LEAST_HZ = 4.0
#: s: slow course of the speed, a moving mean over this long (a dead cylinder swings faster).
COURSE_S = 1.0
#: Driving is steady while that course stays within this share for STEADY_S.
STEADY_S = 4.0
STEADY_SHARE = 0.05
#: % of throttle it may move meanwhile: more is the driver's doing.
THROTTLE_PCT = 4.0
#: s left out at both ends of a stretch, and the shortest stretch that is kept.
EDGE_S = 0.7
SHORTEST_S = 3.0
#: s after the first firing: the flare of a start is no idle.
START_S = 6.0
#: Speeds of driving are put together within this ratio: noise and response are alike there.
BAND_RATIO = 1.35
#: Share of the rev limit beyond which a limiter may cut.
LIMITER_SHARE = 0.93
#: An idle course that falls or rises this fast (share of speed a second) is a flare or a blip.
IDLE_RATE = 0.35
#: s around a fuel cut that are no idle to judge: a controller that cuts and restores the fuel in
#: turn makes a saw-tooth of firings that it left out itself.
CUT_AROUND_S = 1.0
#: Of the injectors' mean over that time: a pulse below is fuel held back from single firings, for
#: which rows without any are not needed. An idle's pulse keeps within a third (common practice).
HELD_BACK = 0.5


@dataclass(frozen=True, eq=False)
class SteadyStretches:
    """Fresh speed readings in steady running.

    rows: (m,) row numbers of the session; starts: (m,) True at the first reading of a stretch;
    band: (m,) 0 idle, 1 and up driving in bands of speed; effective_hz: new readings a second;
    refusal: "" or why the speed of this log cannot be judged.
    """

    rows: NDArray[np.int64]
    starts: Bools
    band: NDArray[np.int64]
    effective_hz: float
    held: int
    refusal: str

    def seconds(self, time: Floats, *, idle: bool) -> float:
        """Time covered at idle, or driving."""
        at = time[self.rows]
        step = np.diff(at, prepend=at[:1])
        return float(step[~self.starts & ((self.band == 0) == idle)].sum()) if at.size else 0.0


def compute(view: View) -> SteadyStretches:
    """Find the stretches and the readings in them."""
    states: States = view.fact("states")
    speed = view.channel("engine_speed")
    finite = np.flatnonzero(np.isfinite(speed) & states.running & ~states.dropout)
    empty = np.zeros(0, dtype=np.int64)
    if finite.size < 20:
        return SteadyStretches(empty, np.zeros(0, np.bool_), empty, 0.0, 1,
                               "the engine hardly ran in this log")  # fmt: skip
    time, rpm = view.time[finite], speed[finite]
    held = held_rows(rpm)
    fresh = update_rows(rpm, held)
    finite, time, rpm = finite[fresh], time[fresh], rpm[fresh]
    step = np.diff(time)
    usual = float(np.median(step)) if step.size else np.inf
    rate = 1.0 / usual
    refusal = ""
    if rate < LEAST_HZ:
        refusal = (
            f"engine speed is renewed {rate:.1f} times a second; single firings need "
            f"{LEAST_HZ:.0f} and more"
        )
    elif not in_order(time, rpm):
        refusal = "the rows within a second carry no order (shuffled, or the clock is wrong)"
    course = moving_mean(time, rpm, seconds=COURSE_S)
    idle = _idle(view, states, finite, time, rpm, course)
    driving = _driving(view, states, finite, time, rpm, course) & ~idle
    gap = np.concatenate([[True], step > 3.0 * usual])
    kept, starts, band = [empty], [np.zeros(0, np.bool_)], [empty]
    for is_idle, mask in ((True, idle), (False, driving)):
        begin, end = segments.runs(mask)
        # A hole in the rows ends a stretch as well.
        cuts = np.flatnonzero(gap)
        for a, b in zip(begin, end, strict=True):
            edges = [a, *cuts[(cuts > a) & (cuts < b)], b]
            for lo, hi in pairwise(edges):
                first = int(np.searchsorted(time, time[lo] + EDGE_S))
                last = int(np.searchsorted(time, time[hi - 1] - EDGE_S, side="right"))
                if last - first < 8 or time[last - 1] - time[first] < SHORTEST_S:
                    continue
                index = np.arange(first, last)
                level = 0
                if not is_idle:
                    middle = float(np.median(rpm[index]))
                    level = 10 + round(np.log(middle / 1000.0) / np.log(BAND_RATIO))
                kept.append(index)
                starts.append(np.arange(index.size) == 0)
                band.append(np.full(index.size, level, dtype=np.int64))
    index = np.concatenate(kept)
    return SteadyStretches(finite[index], np.concatenate(starts), np.concatenate(band), rate, held,
                           refusal)  # fmt: skip


def _idle(
    view: View, states: States, rows: NDArray[np.int64], time: Floats, rpm: Floats, course: Floats
) -> Bools:
    """Fresh readings (m,) at idle: pedal released, at rest, past the start."""
    resting = states.mask("idle", "after_start")[rows] & states.pedal_released[rows]
    resting &= states.at_rest[rows]
    for start in states.starts:
        if start.running_s is not None:
            resting &= ~((time >= start.running_s) & (time < start.running_s + START_S))
    resting &= course < 2.0 * max(states.idle_rpm, view.vehicle.engine.idle_rpm)
    step = np.maximum(np.gradient(time), 1e-6)
    rate = np.abs(np.gradient(course)) / step
    resting &= rate < IDLE_RATE * np.maximum(course, 300.0)
    off = states.fuel_cut
    pulse = view.get("injector_pulse_width")
    if pulse is not None and np.isfinite(pulse[rows]).mean() > 0.5:
        known = np.nan_to_num(segments.hold(view.time, pulse, seconds=1.0))
        off = off | (known < HELD_BACK * moving_mean(view.time, known, seconds=2.0 * CUT_AROUND_S))
    cut = moving_mean(view.time, off.astype(np.float64), seconds=2.0 * CUT_AROUND_S)
    return np.asarray(resting & (rpm > 250.0) & (cut[rows] <= 0.0))


def _driving(
    view: View, states: States, rows: NDArray[np.int64], time: Floats, rpm: Floats, course: Floats
) -> Bools:
    """Fresh readings (m,) of steady driving: speed and throttle settled, fuel on, no limiter."""
    steady = segments.steady(time, course, seconds=STEADY_S, fraction=STEADY_SHARE, slack=0.0)
    steady &= states.mask("cruise", "part_load", "boost", "after_start")[rows]
    steady &= ~states.fuel_cut[rows] & ~states.pedal_released[rows]
    steady &= course < LIMITER_SHARE * view.vehicle.engine.rev_limit_rpm
    steady &= course > 1.1 * states.idle_rpm
    throttle = view.get("throttle_position")
    if throttle is not None:
        held = segments.hold(view.time, throttle, seconds=2.0)[rows]
        steady &= segments.steady(time, held, seconds=1.5, fraction=0.0, slack=THROTTLE_PCT)
    return np.asarray(steady & (rpm > 400.0))
