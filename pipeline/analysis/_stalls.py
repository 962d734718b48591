"""Each stop of the engine: switched off, choked by the driver's clutch, or died by itself."""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from pipeline.facts.states import States
from pipeline.session import View
from pipeline.signals import segments
from pipeline.signals.segments import Bools, Floats

#: s before a stop over which the speed is read, and the last of them in which it may come down.
LOOK_BACK_S, COMING_DOWN_S = 6.0, 3.0
#: s: a run shorter than this never really started; s of log needed after a stop.
LEAST_RUN_S, LEAST_AFTER_S = 2.0, 1.0
#: s within which an engine that stopped stands, and rpm below which it does.
STANDS_WITHIN_S, STANDING_RPM = 3.0, 60.0
#: Share of idle speed: near idle, above it for good, sagging below it, and down to where the
#: last firings of a dying engine fall.
NEAR_IDLE, ABOVE_IDLE, SAGGING, LAST_FIRING = 0.12, 1.25, 0.8, 0.3
#: Times the warm idle that a fast idle after a start may be (common practice, no source), and the
#: share of it that four fifths of its speeds then stay within: a cold engine hunts by 5 % (one
#: standard deviation), the way down to idle runs through half of it and more.
FAST_IDLE, STEADY = 1.6, 0.14
#: s: an engine that stood at idle this long before it stopped was most likely switched off.
HELD_IDLE_S = 1.5
#: s: injected all the while, no clutch takes this long to choke a car that does not move.
LONG_SAG_S = 1.1
#: Shares of idle between which injection has to be seen as the speed falls: a controller stops it
#: by itself where it takes the engine for stopped (200 to 400 rpm, common practice, no source).
FALLING = (0.5, 0.8)
#: Times its own deceleration when switched off at which an engine fell with nothing but its own
#: losses against it: less, and it still fired; more, and something held it. Friction of a cold one
#: and the alternator's load make the upper half; a clutch brakes several times as hard.
OWN_PACE = (0.9, 1.7)
#: Times the second stretch of a fall (0.65 to 0.35 of idle) that the first (0.95 to 0.65) may take:
#: with nothing but its losses against it an engine falls evenly, while a clutch bites ever harder.
EVEN = 1.3
#: Times its own pace at which an engine whose fire fades falls, and how evenly it then has to. A
#: clutch that takes no more than this is let in slowly: its bite grows all the while, and of what
#: it does to a firing engine with idle control none fell more evenly than 1.3 (own arithmetic).
FADING, EVENLY = (0.55, 0.9), 1.15
#: New speeds within a fall without which its course is not seen: one measured once a turn has two
#: or three, and a clutch's fall then looks as slow as any.
LEAST_UPDATES, LEAST_OWN_UPDATES = 5, 3
CHOKED = "it was choked from a held idle"
#: ms and %: an injector that is not fired logs less (as in the states).
SILENT = {"injector_pulse_width": 0.1, "injector_duty": 0.05}
#: km/h a car gains as it is set off, and km/h at which one in its lowest gear creeps at idle
#: (common practice, no source); % of throttle that is a foot.
SETS_OFF_KMH, CREEPS_KMH, FOOT_PCT = 0.4, 12.0, 3.0
#: s of log after a stop that show the key stayed on: a controller's own supply holds on for a few
#: seconds after the key (common practice, no source).
KEY_STAYS_S = 10.0
#: s before the stop within which the car has to have stood for a start to be a setting off.
STOOD_S = 4.0

How = Literal["switched_off", "clutch", "died"]


@dataclass(frozen=True)
class Stop:
    """One stop: when, how, how sure that it was so, and in words what showed it."""

    at_s: float
    how: How
    sure: float
    sign: str


def engine_stops(view: View, states: States) -> list[Stop]:
    """Tell how each run of the engine ended that ended within the log.

    Injection that goes on while the speed falls through half of idle tells a stop nobody asked
    for; a key cuts it at once. Of those, one from a held idle at rest as the car sets off or the
    foot goes down is the driver's clutch; one that falls evenly and at the pace of a stop by the
    key in the same log just ceased to fire. Without injection in the log, a speed that comes down
    and goes on through idle without standing there died, one that stood was switched off.
    """
    time = view.time
    found = []
    for a, b in zip(*segments.runs(states.running), strict=True):
        if b >= time.size or time[b - 1] - time[a] < LEAST_RUN_S:
            continue
        stop = float(time[b - 1])
        if time[-1] - stop < LEAST_AFTER_S:
            continue
        after = states.rpm[(time > stop) & (time <= stop + STANDS_WITHIN_S)]
        if not np.nanmin(after, initial=np.inf) < STANDING_RPM:
            continue
        rows = (time >= stop - LOOK_BACK_S) & (time <= stop)
        rows[:a] = False
        if rows.sum() >= 6:
            found.append(_stop(view, states, rows, stop))
    falls = [_fall(view, states, stop.at_s) for stop in found]
    own = [
        fall.pace
        for stop, fall in zip(found, falls, strict=True)
        if stop.how == "switched_off" and stop.sure > 0.9
        if fall is not None and fall.updates >= LEAST_OWN_UPDATES
    ]
    usual = float(np.median(own)) if own else np.nan
    return [_judged(stop, fall, usual) for stop, fall in zip(found, falls, strict=True)]


@dataclass(frozen=True)
class Fall:
    """How a speed fell from idle: s from 0.8 to 0.3 of it, that as rpm/s, and how evenly.

    ``unevenness``: time from 0.95 to 0.65 of idle over that from there to 0.35. ``updates``: how
    many new speeds were read meanwhile.
    """

    updates: int
    seconds: float
    pace: float
    unevenness: float


def _judged(stop: Stop, fall: Fall | None, usual: float) -> Stop:
    """Take a stop from a held idle for dying where its fall is none a clutch makes.

    ``usual``: rpm/s at which the engine falls in this log when switched off, NaN where not seen.
    """
    if stop.sign != CHOKED or fall is None or fall.updates < LEAST_UPDATES:
        return stop
    if fall.seconds > LONG_SAG_S:
        return Stop(stop.at_s, "died", 0.7, "the speed sagged slowly and no car was moved by it")
    pace = fall.pace / usual
    if FADING[0] < pace <= FADING[1] and fall.unevenness < EVENLY:
        sign = (
            "it fell evenly and slower than when switched off, as an engine does that fires ever "
        )
        return Stop(stop.at_s, "died", 0.7, sign + "weaker, and no car was pushed")
    if OWN_PACE[0] < pace < OWN_PACE[1] and fall.unevenness < EVEN:
        sign = "it fell as it does when switched off, but injection went on and no car was pushed"
        return Stop(stop.at_s, "died", 0.7, sign)
    return stop


def _fall(view: View, states: States, stop: float) -> Fall | None:
    """How the speed fell at a stop, None where it did not fall from idle."""
    near = (view.time > stop - LOOK_BACK_S) & (view.time < stop + STANDS_WITHIN_S)
    time, speed = view.time[near], states.rpm[near]
    before = time < stop - HELD_IDLE_S
    stands = np.flatnonzero((time > stop) & (speed < STANDING_RPM))
    if not before.any() or not stands.size:
        return None
    idle = float(np.median(speed[before]))
    time, speed = time[: stands[0] + 1], speed[: stands[0] + 1]
    if not 0.3 * idle > STANDING_RPM or not np.max(speed) >= 0.95 * idle:
        return None

    def passed(share: float) -> float:
        """When the speed went below this share of idle for good, s, between two rows."""
        last = int(np.flatnonzero(speed >= share * idle)[-1])
        part = (speed[last] - share * idle) / (speed[last] - speed[last + 1])
        return float(time[last] + part * (time[last + 1] - time[last]))

    high, first, half, second, low = (passed(share) for share in (0.95, 0.8, 0.65, 0.35, 0.3))
    updates = int(np.unique(speed[(time > first) & (time < low)]).size)
    return Fall(updates, low - first, 0.5 * idle / (low - first), (half - high) / (second - half))


def _stop(view: View, states: States, rows: Bools, stop: float) -> Stop:
    time, speed = view.time[rows], states.rpm[rows]
    step = np.gradient(time)
    # Its own speed a moment ago, where that was idle: the session's figure may be of another
    # idle (cold, loads on).
    early = speed[: max(3, speed.size // 2)]
    calm = float(np.median(early))
    idle = min(states.idle_rpm, calm) if calm < 1.3 * states.idle_rpm else states.idle_rpm
    spread = float(np.ptp(np.quantile(early, (0.1, 0.9))))
    if calm < FAST_IDLE * states.idle_rpm and spread < STEADY * calm:
        idle = calm
    # What it held to the last is the idle it fell from, wherever it stood while cold.
    lately = speed[time >= stop - HELD_IDLE_S]
    level = float(np.median(lately))
    if level < idle and float(np.ptp(np.quantile(lately, (0.1, 0.9)))) < STEADY * level:
        idle = level
    last = time >= stop - COMING_DOWN_S
    came_down = bool(np.max(speed[last]) > ABOVE_IDLE * idle)
    held = float(np.sum(step[last & (np.abs(speed - idle) < NEAR_IDLE * idle)]))
    sagged = float(np.sum(step[(speed < SAGGING * idle) & (speed > LAST_FIRING * idle)]))
    injected = _injected(view, states, idle, stop)
    if injected is False:
        return Stop(stop, "switched_off", 0.95, "injection ended before the speed fell")
    if _pushed(view, stop) or (not came_down and _foot_down(view, stop)):
        return Stop(stop, "clutch", 0.8, "it was choked from idle as the car set off")
    if injected:
        if came_down or sagged > HELD_IDLE_S or _rolling(view, stop):
            return Stop(stop, "died", 0.95, "injection went on while the speed fell to nothing")
        if view.time[-1] - stop < KEY_STAYS_S:
            # A controller that computes its pulses from the speed writes some after the key too.
            return Stop(stop, "switched_off", 0.6, "the log ends with the stop from a held idle")
        return Stop(stop, "clutch", 0.6, CHOKED)
    if came_down and held < HELD_IDLE_S:
        return Stop(stop, "died", 0.8, "the speed came down and went on through idle to nothing")
    if sagged > HELD_IDLE_S:
        return Stop(stop, "died", 0.7, "the speed sagged below idle until it stopped")
    return Stop(stop, "switched_off", 0.8, "it stopped at once from a held idle")


def _injected(view: View, states: States, idle: float, stop: float) -> bool | None:
    """Whether injection went on in the last falling rows, None where the log cannot tell."""
    near = np.abs(view.time - stop) < 1.0
    falling = near & (states.rpm < FALLING[1] * idle) & (states.rpm > FALLING[0] * idle)
    for name, least in SILENT.items():
        values = view.get(name)
        if values is None:
            continue
        at_stop = near & (view.time <= stop) & np.isfinite(values)
        if not (values[states.running] > least).any() or not at_stop.any():
            continue
        seen = values[falling & np.isfinite(values)]
        if seen.size:
            return bool(np.mean(seen > least) >= 0.5)
        # The speed fell from row to row: what was injected in the last one tells.
        return None
    return None


def _before(values: Floats, time: Floats, start: float, end: float) -> Floats:
    return values[(time >= start) & (time <= end) & np.isfinite(values)]


def _pushed(view: View, stop: float) -> bool:
    """Whether a car that stood or crept was pushed forward as the engine stopped.

    What a falling engine loses goes into the car where the clutch is let in. One that dies
    pushes nothing: in gear it brakes the car, out of gear it leaves it alone.
    """
    speed = view.get("vehicle_speed")
    if speed is None:
        return False
    near = _before(speed, view.time, stop - 1.5, stop + 0.5)
    if not near.size:
        return False
    # How far the speed rises above the lowest it had before; one step may be a digit that flips.
    lowest = np.minimum.accumulate(near)
    steps = np.abs(np.diff(near))
    digit = float(np.min(steps[steps > 0.0], initial=np.inf))
    least = max(SETS_OFF_KMH, 1.5 * digit) if np.isfinite(digit) else SETS_OFF_KMH
    return bool(np.any((lowest < CREEPS_KMH) & (near - lowest > least)))


def _foot_down(view: View, stop: float) -> bool:
    """Whether the driver of a standing car just pressed the pedal as the engine stopped."""
    speed, throttle = view.get("vehicle_speed"), view.get("throttle_position")
    if throttle is None:
        return False
    if speed is not None:
        earlier = _before(speed, view.time, stop - STOOD_S, stop - 1.5)
        if float(np.max(earlier, initial=0.0)) > 2.0:
            return False
    rest = _before(throttle, view.time, stop - LOOK_BACK_S, stop - 2.0)
    now = _before(throttle, view.time, stop - 1.5, stop)
    return bool(rest.size and now.size and np.max(now) > np.median(rest) + FOOT_PCT)


def _rolling(view: View, stop: float) -> bool:
    """Whether the car was on the move well before the stop: no clutch was being let in."""
    speed = view.get("vehicle_speed")
    if speed is None:
        return False
    earlier = _before(speed, view.time, stop - STOOD_S, stop - 1.0)
    return bool(earlier.size and float(np.min(earlier)) > 2.0)
