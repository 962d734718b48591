"""Which readings can be believed row by row: electrical end values, dead, held and spiking.

This is the first sieve only: what one channel betrays by itself, or against the plainest of its
siblings. The finer judgement (offset, scale, slow, swapped, ground) is an analysis of its own.
All thresholds are common practice, no source; each says why it is what it is. A healthy intake
sensor leaps to 100-150 degC when the engine stops (seen in open logs of a stop-start car): such
rows are not to be used, but they are no fault.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from pipeline.facts._holds import holds, logged_s
from pipeline.facts._shared_supply import supply_lost_rows
from pipeline.facts._spikes import SPIKE, SPIKES_FOR_FAULT, lone_rows
from pipeline.facts._wire_ends import (
    DEAD_FLOOR,
    DEAD_S,
    OPEN_OR_SHORT_S,
    SHORT_C,
    carried,
    dead_rows,
    episodes,
    leapt,
    open_rows,
    span,
    without_a_way_up,
)
from pipeline.meta import FactMeta
from pipeline.session import View

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

#: Channels this fact looks at; others are believed wherever they have a value.
JUDGED = (
    "engine_speed", "manifold_pressure", "barometric_pressure", "throttle_position",
    "coolant_temperature", "intake_air_temperature", "ambient_air_temperature",
    "oil_temperature", "fuel_temperature", "exhaust_gas_temperature", "lambda", "lambda_2",
    "narrowband_voltage", "mass_air_flow", "battery_voltage", "vehicle_speed", "fuel_pressure",
    "oil_pressure", "lambda_target", "injector_pulse_width", "spark_advance",
)  # fmt: skip

META = FactMeta(
    summary="rows of each channel that can be believed, and the plain faults of single channels",
    version=1,
    uses=JUDGED,
)

RUNNING_RPM = 300.0  # above any starter motor, below any idle
SETTLED_S = 30.0  # after a start: intake metal cools, fuel pump and sensors wake up
#: A held value counts as stuck after this long while what drives it moves, s.
STUCK_S: Mapping[str, float] = {
    "engine_speed": 6.0,
    "manifold_pressure": 10.0,
    "throttle_position": 20.0,
    "lambda": 20.0,
    "lambda_2": 20.0,
    "mass_air_flow": 10.0,
    "vehicle_speed": 25.0,
    "battery_voltage": 240.0,
    "coolant_temperature": 240.0,
    "intake_air_temperature": 600.0,
    "oil_pressure": 120.0,
    "oil_temperature": 400.0,
    "narrowband_voltage": 60.0,
    "fuel_pressure": 240.0,
    "exhaust_gas_temperature": 60.0,
}
#: and this many times longer than it usually holds a value (its own 95th percentile).
STUCK_TIMES = 25.0
#: s in place of STUCK_S where the channel flickers between steps all the time.
FLICKERING_S: Mapping[str, float] = {"intake_air_temperature": 120.0, "oil_temperature": 150.0}
#: Air that stands while a warm car stands, and again at speed, is none: the bay heats it by some K
#: at rest, and wind cools it. s of hold, of it at rest and at speed, times its usual hold. Sound
#: ones of open logs hold 68 s at most, of a third simulator 277 s, at rest alone or at speed alone.
SOAKED_STUCK_S, RESTS_S, GOES_S, SOAKED_TIMES = 200.0, 20.0, 45.0, 5.0
BAY_WARM_C, GOES_KMH = 60.0, 40.0
FLICKERS, FINE_STEP = 200, 0.5  # whole degrees flicker at an edge only, and then hold still


@dataclass(frozen=True)
class ChannelFault:
    """One plain fault of one channel.

    mode: as in the contract's sensor_fault. value: the reading it rests on. share: part of the
    running time that is affected. count: episodes merged into this one.
    """

    channel: str
    mode: str
    start_s: float
    end_s: float
    value: float
    share: float
    count: int = 1


@dataclass(frozen=True)
class SensorValidity:
    """What can be believed: ``good(channel)`` per row, ``faults`` in order of channel.

    A channel that was not logged is nowhere good. ``fresh(channel)``: rows at which the channel
    has a new value (a repeated one between updates is not a sample).
    """

    size: int
    values: Mapping[str, Floats]
    bad: Mapping[str, Bools]
    faults: tuple[ChannelFault, ...]
    _cache: dict[str, Bools] = field(default_factory=dict, repr=False, compare=False)

    def good(self, channel: str) -> Bools:
        """Rows (n,) where the channel has a value and nothing speaks against it."""
        if channel not in self._cache:
            values = self.values.get(channel)
            if values is None:
                return np.zeros(self.size, dtype=bool)
            good = np.isfinite(values)
            if channel in self.bad:
                good = good & ~self.bad[channel]
            self._cache[channel] = good
        return self._cache[channel]

    def fresh(self, channel: str) -> Bools:
        """Rows (n,) where the channel has a value other than the one it had before."""
        values = self.values.get(channel)
        fresh = np.zeros(self.size, dtype=bool)
        if values is None:
            return fresh
        rows = np.flatnonzero(np.isfinite(values))
        if rows.size:
            fresh[rows[0]] = True
            fresh[rows[1:]] = np.diff(values[rows]) != 0.0
        return fresh

    def modes(self, channel: str) -> tuple[str, ...]:
        """Modes of the faults found on a channel, in order, without repeats."""
        return tuple(dict.fromkeys(f.mode for f in self.faults if f.channel == channel))


def compute(view: View) -> SensorValidity:
    """Judge every channel the log has."""
    time = view.time
    values = {name: view.channel(name) for name in view.names()}
    running = running_rows(time, values)
    settled = settled_rows(time, running)
    logged = logged_s(time)
    bad: dict[str, Bools] = {}
    faults: list[ChannelFault] = []

    def add(name: str, mode: str, rows: Bools, shortest: float, times: int = 1) -> None:
        found = episodes(time, rows, shortest)
        if len(found) < times:
            return
        mask = np.zeros(time.size, dtype=bool)
        for a, b in found:
            mask[a : b + 1] = True
        mask &= rows
        bad[name] = bad.get(name, np.zeros(time.size, dtype=bool)) | mask
        ran = max(int(np.count_nonzero(running)), 1)
        faults.append(
            ChannelFault(
                channel=name,
                mode=mode,
                start_s=float(time[found[0][0]]),
                end_s=float(time[found[-1][1]]),
                value=float(np.nanmedian(values[name][mask])),
                share=min(1.0, float(np.count_nonzero(mask & running)) / ran),
                count=len(found),
            )
        )

    lost = supply_lost_rows(time, values, running)
    for name in sorted(values):
        x = values[name]
        if name in lost:
            add(name, "reference_lost", lost[name], 0.0)
            x = np.where(lost[name], np.nan, x)  # told: what is left is judged by itself
        if name in SHORT_C:
            add(name, "open", open_rows(name, values), OPEN_OR_SHORT_S)
            hot = without_a_way_up(time, x, x >= SHORT_C[name]) & settled
            add(name, "short", hot, 2 * OPEN_OR_SHORT_S)
        if name in DEAD_FLOOR:
            add(name, "dead", dead_rows(name, x, settled), DEAD_S)
        if name == "intake_air_temperature":  # soaked: not to be used, and no fault
            bad[name] = bad.get(name, np.zeros(time.size, dtype=bool)) | _soaked(x, settled)
        if name in SPIKE:
            spikes = lone_rows(name, time, values) & settled
            if np.count_nonzero(spikes) >= 1:
                add(name, "spike", spikes, 0.0, SPIKES_FOR_FAULT)
                bad[name] = bad.get(name, np.zeros(time.size, dtype=bool)) | spikes
        if name in STUCK_S and not any(f.channel == name and f.share > 0.2 for f in faults):
            # At the start the manifold empties at any throttle.
            steady = settled if name == "throttle_position" else running
            rows = _stuck_rows(name, logged, {**values, name: x}, steady)
            if rows is not None and rows.any():
                least = 0.5 * FLICKERING_S.get(name, STUCK_S[name])
                leap = name in SHORT_C and leapt(x, int(np.argmax(rows)))
                add(name, "short" if leap else "stuck", rows, least)
    return SensorValidity(size=time.size, values=values, bad=bad, faults=tuple(faults))


def running_rows(time: Floats, values: Mapping[str, Floats]) -> Bools:
    """Rows (n,) with the engine turning by itself; the last reading holds until the next one.

    Without an engine speed, or with one that never moves, the charging voltage stands in.
    """
    speed = values.get("engine_speed")
    if speed is not None and np.nanmax(speed, initial=0.0) > RUNNING_RPM:
        return np.asarray(carried(speed) > RUNNING_RPM)
    volts = values.get("battery_voltage")
    if volts is not None:
        return np.asarray(carried(volts) > 13.0)  # above any resting battery
    return np.zeros(time.size, dtype=bool)


def settled_rows(time: Floats, running: Bools) -> Bools:
    """Rows (n,) running without a stop for ``SETTLED_S`` before.

    A log that begins with the engine running waits as well: nobody knows how long it ran.
    """
    if not time.size:
        return running
    last_stop = np.maximum.accumulate(np.where(running, -np.inf, time))
    last_stop = np.maximum(last_stop, time[0] if running[0] else -np.inf)
    return np.asarray(running & (time - last_stop >= SETTLED_S))


def _soaked(intake: Floats, settled: Bools) -> Bools:
    """Rows at or near an engine stop whose reading is the metal's, not the air's."""
    return np.asarray(~settled & (intake > 90.0))


#: What has to move, and by how much, before a held value is called stuck.
_DRIVERS: Mapping[str, tuple[tuple[str, float], ...]] = {
    "engine_speed": (("vehicle_speed", 25.0), ("manifold_pressure", 40.0)),
    "manifold_pressure": (("throttle_position", 15.0), ("engine_speed", 900.0)),
    "mass_air_flow": (("engine_speed", 900.0), ("manifold_pressure", 30.0)),
    "throttle_position": (("manifold_pressure", 45.0),),
    "lambda": (("manifold_pressure", 25.0), ("engine_speed", 900.0)),
    "lambda_2": (("manifold_pressure", 25.0), ("engine_speed", 900.0)),
    "vehicle_speed": (("engine_speed", 1800.0),),
    "battery_voltage": (("engine_speed", 900.0),),
    "coolant_temperature": (("vehicle_speed", 30.0), ("engine_speed", 900.0)),
    "intake_air_temperature": (("vehicle_speed", 50.0), ("engine_speed", 1800.0)),
    "oil_temperature": (("engine_speed", 1500.0),),
    "oil_pressure": (("engine_speed", 1800.0),),
    "narrowband_voltage": (("engine_speed", 900.0),),
    "fuel_pressure": (("manifold_pressure", 40.0),),
    "exhaust_gas_temperature": (("engine_speed", 1500.0),),
}
#: kPa: the standard atmosphere at sea level, about the most there is outside.
OUTSIDE_KPA = 101.3
#: Values at which a channel may honestly rest for long: at standstill or its own end.
_MAY_REST: Mapping[str, tuple[float, float]] = {
    "vehicle_speed": (-np.inf, 0.5),
    "coolant_temperature": (76.0, np.inf),  # regulated by the thermostat, read to 1 degC
    "engine_speed": (-np.inf, RUNNING_RPM),
    "lambda": (1.2, np.inf),  # the lean end of the instrument, reached in every fuel cut
    "lambda_2": (1.2, np.inf),
}


def _stuck_rows(
    name: str, logged: Floats, values: Mapping[str, Floats], running: Bools
) -> Bools | None:
    """Rows at which the channel repeats one value while what drives it moves.

    logged (n,): of :func:`logged_s`.
    """
    x = values[name]
    first, last, seconds = holds(logged, x)
    short = FLICKERING_S.get(name, STUCK_S[name])
    fine = np.min(np.abs(np.diff(x[first])), initial=np.inf) <= FINE_STEP
    flickers = fine and np.count_nonzero(seconds < short) >= FLICKERS
    least = short if flickers else STUCK_S[name]
    soak = _soak_and_wind(values) if name == "intake_air_temperature" else ()
    long = np.flatnonzero(seconds >= (min(least, SOAKED_STUCK_S) if soak else least))
    if not long.size:
        return None
    rest_low, rest_high = _MAY_REST.get(name, (np.inf, -np.inf))
    known = _DRIVERS.get(name, ())
    driving = [(values[d], size) for d, size in known if d in values]
    if name == "throttle_position":
        if not _is_throttled(values):
            return None  # a diesel's flap stands open for minutes
        driving = [(below_boost(v), size) for v, size in driving]
    usual = seconds[seconds < least]
    usual_s = float(np.percentile(usual, 95)) if usual.size >= 20 else 0.0
    rows = np.zeros(logged.size, dtype=bool)
    for k in long[np.argsort(-seconds[long], kind="stable")][:50]:
        a, b = int(first[k]), int(last[k]) + 1
        within = running[a:b]
        ran = float(np.count_nonzero(within)) / within.size * seconds[k]
        value = x[a]
        resting = rest_low <= value <= rest_high
        if seconds[k] < STUCK_S[name] and b < x.size and _goes_on(x[b:], value):
            continue
        if resting or ran < min(least, SOAKED_STUCK_S):
            continue
        if ran < least or seconds[k] < STUCK_TIMES * usual_s:
            share = seconds[k] / within.size
            moves = k >= 3  # it is known to, if not from where it began
            both = (
                moves
                and soak
                and all(np.count_nonzero(within & r[a:b]) * share >= s for r, s in soak)
            )
            if not both or seconds[k] < SOAKED_TIMES * usual_s:
                continue
        moved = any(span(v[a:b], within) >= size for v, size in driving)
        if moved:
            rows[a:b] |= within
    return rows


def _soak_and_wind(values: Mapping[str, Floats]) -> tuple[tuple[Bools, float], ...]:
    """Rows (n,) with a warm engine at rest and at speed, and the s of each that move charge air."""
    coolant, speed = values.get("coolant_temperature"), values.get("vehicle_speed")
    if coolant is None or speed is None:
        return ()
    warm, speed = carried(coolant) > BAY_WARM_C, carried(speed)
    return (warm & (speed < 1.0), RESTS_S), (warm & (speed > GOES_KMH), GOES_S)


def _goes_on(after: Floats, value: float) -> bool:
    """Whether the next reading lies a step of the log from the held one: a flicker that paused.

    In a cold bay the air stands as it came from outside for minutes; a wire that is whole again
    shows the air or oil of now.
    """
    known = after[np.isfinite(after)]
    return bool(known.size and abs(known[0] - value) <= FINE_STEP)


def below_boost(pressure: Floats) -> Floats:
    """Manifold pressure (n,), kPa, as far as a throttle makes it: above the air's a turbo does."""
    return np.minimum(pressure, OUTSIDE_KPA)


def _is_throttled(values: Mapping[str, Floats]) -> bool:
    """Whether the manifold shows the vacuum that only a throttle makes, for a while."""
    pressure, speed = values.get("manifold_pressure"), values.get("engine_speed")
    if pressure is None or speed is None:
        return False
    low = (pressure < 65.0) & (carried(speed) > 600.0)
    return bool(np.count_nonzero(low) > 0.02 * np.count_nonzero(np.isfinite(pressure)))
