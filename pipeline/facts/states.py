"""What the engine was doing in every row: cranking, idle, cruise, boost, overrun and so on."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.facts._pedal import REST_KMH, find_pedal
from pipeline.facts._running import find_running
from pipeline.meta import FactMeta
from pipeline.physics.atmosphere import (
    BAROMETER_HIGH_KPA,
    BAROMETER_LOW_KPA,
    standard_pressure_kpa,
)
from pipeline.session import NotAvailableError, View
from pipeline.signals import segments, smoothing
from pipeline.signals.segments import Bools, Floats

META = FactMeta(
    summary="State of the engine in every row, when it ran, when fuel was cut",
    version=1,
    needs=("engine_speed",),
    uses=(
        "vehicle_speed",
        "throttle_position",
        "manifold_pressure",
        "barometric_pressure",
        "battery_voltage",
        "coolant_temperature",
        "idle_speed_target",
        "injector_pulse_width",
        "injector_duty",
        "lambda",
        "fuel_trim_short",
        "run_time",
    ),
)

STATES = (
    "key_on",
    "cranking",
    "after_start",
    "idle",
    "cruise",
    "part_load",
    "boost",
    "overrun",
    "stopped",
)
_CODE = {name: index for index, name in enumerate(STATES)}
UNKNOWN = -1

#: s from the first firing, fixed by the definition of the state.
AFTER_START_S = 60.0
#: s and fraction: speed within 5 % for 4 s is a cruise, by definition.
CRUISE_S = 4.0
CRUISE_FRACTION = 0.05
#: kPa above the barometer before it is called boost: two steps of 1 kPa logging.
BOOST_MARGIN_KPA = 2.0
#: s: a shorter boost is none; intake strokes swing the reading by 2 to 5 kPa, slowly where they are
#: sampled seldom: what counts is the mean they swing about.
BOOST_LEAST_S, PULSES_S = 0.25, 0.5
#: s the pedal is let go in a change of gear: with the clutch down no car drives its engine.
SHIFT_S = 0.3
#: rpm: noise of an engine speed that stands in for the speed of the car.
COARSE_RPM = 15.0
#: Share of idle speed under which a stopping engine no longer fires, that share where injection
#: is seen to go on (an engine choked by the clutch), and s of the run-down.
UNFIRED_SHARE, INJECTED_SHARE, RUN_DOWN_S = 0.6, 0.3, 0.8
#: s: no car is on the move this soon after its first firing.
STANDING_S = 10.0
#: s a changing state has to last: shorter ones are noise at a threshold.
SHORTEST_S = 0.25
#: ms: an injector that is not fired logs 0; the shortest real pulse is 0.5 ms and more.
CUT_PULSE_MS = 0.1
#: lambda no burning petrol engine runs at; sensors stop between 1.3 and 2 in air.
CUT_LAMBDA = 1.25


@dataclass(frozen=True)
class StateInterval:
    """One stretch in one state, s of the log; ``fuel_cut`` only in an overrun without fuel."""

    state: str
    start_s: float
    end_s: float
    fuel_cut: bool = False


@dataclass(frozen=True)
class Start:
    """One start: cranking from the starter's sag on, running from the first firing on, s.

    ``tries``: stretches of cranking that led to it, as (start_s, end_s); empty where the log
    shows none (too slow a log, or a stop-start restart). ``running_s`` None: never caught.
    """

    tries: tuple[tuple[float, float], ...]
    running_s: float | None


@dataclass(frozen=True, eq=False)
class States:
    """States of a session. Arrays are (n,), one value per row.

    code: int8, index into ``labels``, -1 unknown. running: fired, lost speed signals included.
    dropout: engine speed missing while it ran on. fuel_cut: running without fuel, whatever the
    state. pedal_released, at_rest: as far as known. moving: vehicle speed known and not at rest.
    closed_throttle, open_throttle: levels in % found for this vehicle, None where the throttle
    does not tell (pedal_source then says what does). first_running_s: None where it never ran;
    start_seen tells whether the log shows that start. rpm: engine speed held over rows
    without one. idle_rpm: this session's idle speed, else the vehicle's.
    barometer_kpa: what boost was measured from.
    """

    labels: tuple[str, ...]
    code: NDArray[np.int8]
    intervals: list[StateInterval]
    running: Bools
    cranking: Bools
    dropout: Bools
    first_running_s: float | None
    start_seen: bool
    starts: tuple[Start, ...]
    fuel_cut: Bools
    pedal_released: Bools
    pedal_source: str
    at_rest: Bools
    moving: Bools
    closed_throttle: float | None
    open_throttle: float | None
    rpm: Floats
    idle_rpm: float
    barometer_kpa: float

    def mask(self, *names: str) -> Bools:
        """Rows (n,) in any of the named states; KeyError for a name that is none."""
        return np.isin(self.code, [_CODE[name] for name in names])


def compute(view: View) -> States:
    """Label every row of the session."""
    time = view.time
    rpm = _held(view, "engine_speed")
    if rpm is None or not np.isfinite(rpm).any():
        raise NotAvailableError("engine speed was logged without a value")
    engine = find_running(time, rpm, view.get("battery_voltage"))
    running = engine.running
    speed = _held(view, "vehicle_speed")
    rest_known = speed is not None and bool(np.isfinite(speed).any())
    at_rest = (
        ~(speed > REST_KMH) if speed is not None and rest_known else np.ones(time.size, np.bool_)
    )
    moving = ~at_rest if rest_known else np.zeros(time.size, np.bool_)
    pressure = _held(view, "manifold_pressure")
    barometer = _barometer(view, pressure, rpm)
    throttle = _held(view, "throttle_position")
    idle_rpm = _idle_speed(view, rpm, running, at_rest, rest_known, throttle)
    silent = _without_injection(view, running)
    running &= ~_run_down(time, rpm, running, idle_rpm, silent)
    cut = None if silent is None else silent & running & (rpm > 500.0)
    pedal = find_pedal(throttle=throttle, pressure=pressure, rpm=rpm, at_rest=at_rest,
                       rest_known=rest_known, running=running, idle_rpm=idle_rpm,
                       barometer_kpa=float(np.median(barometer)))  # fmt: skip
    reference = _idle_reference(view, idle_rpm)
    above_idle = rpm > 1.15 * reference + 100.0
    released = pedal.released.copy()
    if cut is not None and pedal.source != "throttle":
        released |= cut & above_idle
    overrun = running & released & above_idle & (moving if rest_known else True)
    if cut is None:
        cut = _cut_by_lambda(view, time, overrun)
    starts = _starts(time, engine.cranking, running)
    after = _after_start(view, starts, running, moving)

    code = np.full(time.size, UNKNOWN, dtype=np.int8)
    code[running] = _CODE["part_load"]
    steady_of = speed if speed is not None and rest_known else rpm
    slack = 0.0 if rest_known else COARSE_RPM
    cruise = segments.steady(time, steady_of, seconds=CRUISE_S, fraction=CRUISE_FRACTION,
                             slack=slack)  # fmt: skip
    code[running & cruise & (moving if rest_known else True)] = _CODE["cruise"]
    if pressure is not None:
        level = smoothing.moving_mean(time, pressure, seconds=PULSES_S)
        high = running & (level > barometer + BOOST_MARGIN_KPA)
        code[segments.long_runs(high, time, seconds=BOOST_LEAST_S)] = _CODE["boost"]
    code[running & released & at_rest & ~(overrun)] = _CODE["idle"]
    coasting = segments.fill_gaps(overrun, time, seconds=SHORTEST_S) & running
    code[segments.long_runs(coasting, time, seconds=SHIFT_S)] = _CODE["overrun"]
    code = np.where(running, segments.merge_short(code, time, seconds=SHORTEST_S), code)
    code[running & after] = _CODE["after_start"]
    ran = np.cumsum(running) > 0
    known = np.isfinite(rpm)
    code[~running & ~ran & known] = _CODE["key_on"]
    code[~running & ran & known] = _CODE["stopped"]
    code[engine.cranking] = _CODE["cranking"]
    if not running.any() and not engine.cranking.any():
        code[known] = _CODE["key_on"]

    first = int(np.argmax(running)) if running.any() else None
    return States(
        labels=STATES,
        code=code,
        intervals=_intervals(time, code, cut),
        running=running,
        cranking=engine.cranking,
        dropout=engine.dropout,
        first_running_s=None if first is None else float(time[first]),
        start_seen=first is not None and bool((code[:first] != UNKNOWN).any()),
        starts=starts,
        fuel_cut=cut,
        pedal_released=released,
        pedal_source=pedal.source,
        at_rest=at_rest,
        moving=moving,
        closed_throttle=pedal.closed_pct,
        open_throttle=pedal.open_pct,
        rpm=rpm,
        idle_rpm=idle_rpm,
        barometer_kpa=float(np.median(barometer)),
    )


def _held(view: View, name: str) -> Floats | None:
    """Channel carried over rows without a value for three of its own intervals (2 to 10 s)."""
    values = view.get(name)
    if values is None:
        return None
    interval = segments.update_interval(view.time, values)
    reach = min(max(3.0 * interval, 2.0), 10.0) if np.isfinite(interval) else 2.0
    return segments.hold(view.time, values, seconds=reach)


def _barometer(view: View, pressure: Floats | None, rpm: Floats) -> Floats:
    """Barometer (n,) in kPa: as logged, else the manifold's at rest, else the site's."""
    logged = view.get("barometric_pressure")
    if logged is not None:  # what no road's air can be is no barometer
        real = (logged > BAROMETER_LOW_KPA) & (logged < BAROMETER_HIGH_KPA)
        logged = np.where(real, logged, np.nan)
        if np.isfinite(logged).any():
            return segments.hold(view.time, logged, seconds=np.inf)
    site = standard_pressure_kpa(view.vehicle.site.altitude_m)
    if pressure is not None:
        still = (rpm < 1.0) & np.isfinite(pressure)
        if still.sum() >= 3:
            # A manifold needs a moment to fill after a stop: the upper part of what was read.
            level = float(np.quantile(pressure[still], 0.75))
            if 55.0 < level < 108.0:
                return np.full(view.time.size, level)
    return np.full(view.time.size, site)


def _idle_speed(
    view: View,
    rpm: Floats,
    running: Bools,
    at_rest: Bools,
    rest_known: bool,
    throttle: Floats | None,
) -> float:
    """Idle speed of the session in rpm: at rest, else the low end with a closed throttle."""
    default = view.vehicle.engine.idle_rpm
    pick = running & (rpm < 2.0 * default)
    if rest_known:
        pick &= at_rest
        quantile = 0.5
    else:
        quantile = 0.2
        if throttle is not None and np.isfinite(throttle[running]).any():
            pick &= throttle <= np.nanquantile(throttle[running], 0.25) + 1.0
    values = rpm[pick]
    if values.size < 20 or np.ptp(view.time[pick]) < 3.0:
        return default
    return float(np.clip(np.quantile(values, quantile), 0.6 * default, 1.5 * default))


def _run_down(
    time: Floats, rpm: Floats, running: Bools, idle_rpm: float, silent: Bools | None
) -> Bools:
    """Last moments of each run that ends within the log: spinning out, no longer fired."""
    out = np.zeros(time.size, dtype=np.bool_)
    if silent is None:
        fuelled = rpm >= UNFIRED_SHARE * idle_rpm
    else:
        fuelled = (rpm >= INJECTED_SHARE * idle_rpm) & ~silent
    for a, b in zip(*segments.runs(running), strict=True):
        if b < time.size:
            fired = np.flatnonzero(fuelled[a:b])
            begin = a + int(fired[-1]) + 1 if fired.size else b
            out[max(begin, int(np.searchsorted(time, time[b] - RUN_DOWN_S))) : b] = True
    return out


def _idle_reference(view: View, idle_rpm: float) -> Floats:
    """Speed (n,) the idle is held at: the logged target, else raised while the engine is cold."""
    target = _held(view, "idle_speed_target")
    if target is not None and np.isfinite(target).any():
        return np.where(np.isfinite(target) & (target > 300.0), target, idle_rpm)
    coolant = _held(view, "coolant_temperature")
    if coolant is None:
        return np.full(view.time.size, idle_rpm)
    # Fast idle: up to half as fast again at 0 degC, gone at 60 degC. Common practice, no source.
    cold = np.clip((60.0 - np.nan_to_num(coolant, nan=60.0)) / 60.0, 0.0, 1.3)
    return idle_rpm * (1.0 + 0.35 * cold)


def _without_injection(view: View, running: Bools) -> Bools | None:
    """Rows running without injection, None where neither pulse width nor duty was logged."""
    for name, least in (("injector_pulse_width", CUT_PULSE_MS), ("injector_duty", 0.05)):
        values = _held(view, name)
        if values is not None and (values[running] > least).any():
            return running & (values <= least)
    return None


def _cut_by_lambda(view: View, time: Floats, overrun: Bools) -> Bools:
    """Rows of overrun whose lambda goes to its lean limit, or whose short trim freezes at 0."""
    cut = np.zeros(time.size, dtype=np.bool_)
    lam = _held(view, "lambda")
    trim = _held(view, "fuel_trim_short")
    if lam is None and trim is None:
        return cut
    lively = trim is not None and bool((np.abs(np.nan_to_num(trim[~overrun])) > 0.5).mean() > 0.2)
    starts, ends = segments.runs(segments.long_runs(overrun, time, seconds=0.7))
    for a, b in zip(starts, ends, strict=True):
        if lam is not None:
            # The reading comes late: look past the end by half a second.
            stop = int(np.searchsorted(time, time[b - 1] + 0.5))
            lean = np.flatnonzero(lam[a:stop] >= CUT_LAMBDA)
            if lean.size >= 2 or (lean.size and stop - a <= 4):
                begin = np.searchsorted(time, max(time[a], time[a + lean[0]] - 0.6))
                cut[begin:b] = True
        elif trim is not None and lively:
            still = np.abs(trim[a:b]) < 0.05
            if still.mean() > 0.6:
                cut[a + int(np.argmax(still)) : b] = True
    return cut & overrun


def _starts(time: Floats, cranking: Bools, running: Bools) -> tuple[Start, ...]:
    """Group stretches of cranking with the running they led to."""
    run_starts, run_ends = segments.runs(running)
    crank_starts, crank_ends = segments.runs(cranking)
    found: list[Start] = []
    previous = 0
    last = time.size - 1
    for begin, end in zip(run_starts, run_ends, strict=True):
        own = (crank_starts >= previous) & (crank_starts < begin)
        tries = tuple(
            (float(time[a]), float(time[min(b, last)]))
            for a, b in zip(crank_starts[own], crank_ends[own], strict=True)
        )
        if begin > 0:
            found.append(Start(tries, float(time[begin])))
        previous = end
    rest = crank_starts >= previous
    if rest.any():
        tries = tuple(
            (float(time[a]), float(time[min(b, last)]))
            for a, b in zip(crank_starts[rest], crank_ends[rest], strict=True)
        )
        found.append(Start(tries, None))
    return tuple(found)


def _after_start(view: View, starts: tuple[Start, ...], running: Bools, moving: Bools) -> Bools:
    """Rows within AFTER_START_S of a firing, the one before the log included (run time)."""
    time = view.time
    after = np.zeros(time.size, dtype=np.bool_)
    for start in starts:
        if start.running_s is not None:
            after |= (time >= start.running_s) & (time < start.running_s + AFTER_START_S)
    run_time = view.get("run_time")
    if run_time is not None and running.size and running[0]:
        good = np.flatnonzero(np.isfinite(run_time))
        if good.size:
            ran = float(run_time[good[0]] - (time[good[0]] - time[0]))
            # A car already moving did not fire seconds ago: that counter is the logger's.
            standing = ran > STANDING_S or not moving[0]
            if 0.0 <= ran < AFTER_START_S and standing:
                after |= time - time[0] < AFTER_START_S - ran
    return after


def _intervals(time: Floats, code: NDArray[np.int8], cut: Bools) -> list[StateInterval]:
    """Runs of equal state (overrun split where fuel is cut), ends at the next one's start."""
    if not code.size:
        return []
    lean = segments.fill_gaps(cut, time, seconds=SHORTEST_S) & (code == _CODE["overrun"])
    key = code.astype(np.int64) * 2 + lean
    begins = np.flatnonzero(np.r_[True, key[1:] != key[:-1]])
    ends = np.r_[begins[1:], code.size - 1]
    return [
        StateInterval(STATES[code[a]], float(time[a]), float(time[b]), bool(lean[a]))
        for a, b in zip(begins, ends, strict=True)
        if code[a] != UNKNOWN and time[b] > time[a]
    ]
