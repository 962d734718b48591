"""Logs made of own arrays, not of the simulator: a start, town driving in cycles, a warm-up.

Nothing here shares code with ``fixtures``: what holds on these holds by the limits alone.
"""

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.registry import load_registry
from pipeline.results import Result
from pipeline.runner import analyse
from pipeline.session import ChannelInfo, Session
from pipeline.vehicle import DEFAULT_VEHICLE

Floats = NDArray[np.float64]
Curve = Callable[[Floats], Floats]
#: What the last digit of a channel is worth, 0.1 where none is named; 0.5 degC and 1 rpm are usual.
DIGIT = {"engine_speed": 1.0, "battery_voltage": 0.05, "coolant_temperature": 0.5,
         "intake_air_temperature": 0.5, "manifold_pressure": 0.5, "vehicle_speed": 0.5,
         "throttle_position": 0.2, "run_time": 0.1, "crank_signal_errors": 1.0,
         "oil_pressure": 1.0, "oil_temperature": 0.5, "injector_pulse_width": 0.01}  # fmt: skip
#: s into the 40 s of each town cycle, and km/h there.
CYCLE_S, CYCLE_KMH = (0, 3, 10, 18, 28, 36, 40), (0, 8, 45, 60, 60, 0, 0)


@dataclass
class Hand:
    """A log being made: time in s, channels, and where the engine runs (with s since firing)."""

    time: Floats
    channels: dict[str, Floats]
    running: NDArray[np.bool_]
    since: Floats
    fired: float
    drop: set[str] = field(default_factory=set)

    def where(self, low: float, high: float) -> NDArray[np.bool_]:
        """Rows of a stretch of time."""
        return (self.time >= low) & (self.time < high)

    def put(self, name: str, rows: NDArray[np.bool_], value: float | Floats) -> "Hand":
        """Overwrite a channel in some rows."""
        new = np.broadcast_to(value, self.time.shape)
        self.channels[name] = np.where(rows, new, self.channels[name])
        return self

    def add(self, name: str, values: Floats) -> "Hand":
        """Put in a channel of its own."""
        self.channels[name] = np.asarray(values, np.float64)
        return self

    def without(self, name: str) -> "Hand":
        """Leave a channel out of the log."""
        self.drop.add(name)
        return self

    def park(self, at: float, idle: bool = True) -> "Hand":
        """Stand from a moment on, at idle."""
        rows = self.time >= at
        self.put("vehicle_speed", rows, 0.0).put("throttle_position", rows, 1.5)
        return self.put("engine_speed", rows & self.running, 850.0) if idle else self

    def key_off(self, at: float) -> "Hand":
        """Switch the engine off while it stands; the log goes on."""
        self.park(at - 12.0)
        rows = self.time >= at
        self.put("engine_speed", rows, np.maximum(0.0, 850.0 - (self.time - at) * 1400.0))
        return self.put("battery_voltage", rows, 12.5).put("manifold_pressure", rows, 100.0)

    def session(self) -> Session:
        """The log as it would be written: every reading to its last digit."""
        channels = {
            name: np.round(values / DIGIT.get(name, 0.1)) * DIGIT.get(name, 0.1)
            for name, values in self.channels.items()
            if name not in self.drop
        }
        rate = 1.0 / float(np.median(np.diff(self.time)))
        info = {
            name: ChannelInfo(unit="", column=name, conversion="none", rows=self.time.size,
                              effective_hz=rate)
            for name in channels
        }  # fmt: skip
        return Session("hand", self.time, channels, info, DEFAULT_VEHICLE)


def hand(
    rate: float,
    *,
    seconds: float = 200.0,
    tries: tuple[tuple[float, float], ...] = ((5.0, 6.2),),
    fires: bool = True,
    begin_c: float = 20.0,
    coolant: Curve | None = None,
    drives: bool = True,
) -> Hand:
    """Key on, cranking in ``tries``, firing at the end of the last, town cycles from 40 s on."""
    random = np.random.default_rng(7)
    time = np.arange(0.0, seconds, 1.0 / rate) + random.uniform(0.0, 0.3 / rate)
    fired = tries[-1][1]
    cranking = np.zeros(time.size, np.bool_)
    for a, b in tries:
        cranking |= (time >= a) & (time < b)
    running = (time >= fired) & fires
    since = np.maximum(time - fired, 0.0)
    moving = running & (since > 40.0) & (time < seconds - 25.0) & drives
    phase = np.mod(since - 40.0, 40.0)
    speed = np.where(moving, np.interp(phase, CYCLE_S, CYCLE_KMH), 0.0)
    turning = np.maximum(850.0 + 300.0 * np.exp(-since / 15.0),
                         speed * np.where(phase < 18.0, 50.0, 45.0))  # fmt: skip
    turning = np.where(since < 0.4, 250.0 + 2500.0 * since, turning)
    rpm = np.where(cranking, 200.0 + 15.0 * np.sin(2 * np.pi * 6.0 * time), 0.0)
    rpm = np.where(running, turning, rpm) + (cranking | running) * random.normal(0, 5, time.size)
    volts = np.where(cranking, 10.3 + 0.4 * np.sin(2 * np.pi * 6.0 * time), 12.4)
    for a, _ in tries:
        volts = np.where((time >= a) & (time < a + 0.15), 9.3, volts)
    volts = np.where(running, 14.1 - 1.2 * np.exp(-since / 6.0), volts)
    pulls, coasts = moving & (phase < 10.0), moving & (phase > 28.0) & (phase < 36.0)
    pressure = np.select(
        [cranking, ~running, pulls, coasts, moving], [85.0, 100.0, 75.0, 24.0, 50.0], 34.0
    )
    throttle = np.select([pulls, coasts, moving & (phase > 3.0)], [30.0, 0.0, 14.0], 1.5)
    water = begin_c + (88.0 - begin_c) * (1.0 - np.exp(-since / 250.0))
    channels = {
        "engine_speed": np.maximum(rpm, 0.0),
        "battery_voltage": volts + random.normal(0, 0.04, time.size),
        "coolant_temperature": (water if coolant is None else coolant(time))
        + random.normal(0, 0.05, time.size),
        "intake_air_temperature": min(begin_c, 25.0) + 8.0 * (1.0 - np.exp(-since / 300.0)),
        "manifold_pressure": pressure + random.normal(0, 0.6, time.size),
        "vehicle_speed": speed,
        "throttle_position": throttle + random.normal(0, 0.1, time.size),
    }
    return Hand(time, channels, running, since, fired)


def by_name(session: Session, name: str) -> Result:
    """What one analysis alone makes of a session; raises what it raises."""
    registry = load_registry()
    only = replace(registry, analyses={name: registry.analyses[name]})
    return analyse(session, only, strict=True)[name]


def through(*points: tuple[float, float]) -> Curve:
    """A curve through points of (s, value)."""
    at, values = zip(*points, strict=True)
    return lambda time: np.interp(time, at, values)
