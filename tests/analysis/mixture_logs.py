"""Logs of a mixture made by hand: plateaus of speed and pressure with a known error of lambda.

Nothing of the simulator is in here: a pipe of plug flow, one lag, white noise, even stamps.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.channels import CHANNELS
from pipeline.session import ChannelInfo, Session
from pipeline.signals.lag import first_order
from pipeline.vehicle import parse_vehicle

DT = 0.01
LAG_S, DEAD_S, VOLUME_L, LITRES = 0.08, 0.03, 1.2, 2.0


@dataclass(frozen=True)
class Stay:
    """A stretch of driving: error is lambda over target less 1 from ``begin`` to ``end`` s."""

    seconds: float
    rpm: float = 2500.0
    kpa: float = 55.0
    throttle: float = 15.0
    target: float = 1.0
    error: float = 0.0
    begin: float = 0.0
    end: float = 1e9
    trim: float = 0.0
    cut: bool = False


#: Cruise, overruns and tip-ins before what is tested, as any drive has them.
LIVELY = (
    Stay(10, rpm=900, kpa=35, throttle=2),
    *(stay for k in range(6) for stay in (
        Stay(6, rpm=2200 + 100 * k, kpa=50 + 2 * k, error=0.01),
        Stay(2.5, rpm=2300, kpa=22, throttle=0, cut=True),
        Stay(5, rpm=2300, throttle=18, error=-0.01),
        Stay(3, rpm=3000, kpa=90, throttle=60, target=0.9, error=0.01),
    )),
)  # fmt: skip


def pull(kpa: float, error: float = 0.0, **more: Any) -> tuple[Stay, Stay]:
    """A settled stay under load after a calm one."""
    given = {"seconds": 5.0, "rpm": 3500.0, "throttle": 90.0, **more}
    return Stay(4), Stay(kpa=kpa, error=error, **given)


def exhaust_litres_s(rpm: np.ndarray, kpa: np.ndarray) -> np.ndarray:
    """Exhaust volume flow at 0.85 filling, 300 K intake, 530-1000 K exhaust and 100 kPa."""
    grams = 0.85 * kpa * LITRES * rpm / 120.0 / (287.05 * 300.0) * 1000.0
    return grams * 1.068 * 0.287 * (1000.0 - 470.0 * np.exp(-grams / 30.0)) / 100.0


def hand_log(
    stays: Sequence[Stay], *, rate_hz: float = 25.0, noise: float = 0.003, seed: int = 1,
    vehicle: str = "", without: Sequence[str] = (), coolant_c: float = 88.0,
) -> tuple[Session, list[float]]:  # fmt: skip
    """Session of LIVELY and then ``stays``; also where each of ``stays`` begins, s."""
    every = [*LIVELY, *stays]
    number = np.repeat(np.arange(len(every)), [round(s.seconds / DT) for s in every])
    time = np.arange(number.size) * DT
    began = np.concatenate([[0.0], np.cumsum([round(s.seconds / DT) * DT for s in every])])

    def each(name: str) -> np.ndarray:
        return np.array([float(getattr(s, name)) for s in every])[number]

    within = time - began[number]
    rpm, kpa = (first_order(time, each(n), s) for n, s in (("rpm", 0.25), ("kpa", 0.05)))
    off = np.where((within >= each("begin")) & (within < each("end")), each("error"), 0.0)
    cut = each("cut") > 0.5
    richness = np.where(cut, 0.0, 1.0 / (each("target") * (1.0 + off)))
    late = 45.0 / rpm + VOLUME_L / exhaust_litres_s(rpm, kpa) + DEAD_S
    shown = first_order(time, np.interp(time - late, time, richness), LAG_S)
    pick = np.arange(0, time.size, round(1.0 / rate_hz / DT))
    rng = np.random.default_rng(seed)

    def logged(values: np.ndarray, sd: float, step: float) -> np.ndarray:
        return np.asarray(np.round((values[pick] + rng.normal(0, sd, pick.size)) / step) * step)

    channels = {
        "engine_speed": logged(rpm, 4.0, 1.0),
        "manifold_pressure": logged(kpa, 0.4, 0.1),
        "throttle_position": logged(first_order(time, each("throttle"), 0.05), 0.1, 0.1),
        "coolant_temperature": logged(coolant_c + 0.3 * np.sin(time / 40.0), 0.0, 0.1),
        "intake_air_temperature": logged(30.0 + 0.0 * time, 0.1, 0.1),
        "lambda": np.minimum(logged(1.0 / np.maximum(shown, 0.5), noise, 0.001), 1.99),
        "lambda_target": each("target")[pick],
        "vehicle_speed": logged(rpm / 60.0, 0.1, 0.1),
        "injector_pulse_width": logged(np.where(cut, 0.0, 0.9 + 0.1 * kpa * richness), 0.0, 0.01),
        "barometric_pressure": np.full(pick.size, 100.0),
        "fuel_trim_short": each("trim")[pick],
    }
    for name in without:
        del channels[name]
    info = {name: ChannelInfo(unit=CHANNELS[name].unit, column=name, conversion="none",
                              rows=pick.size, effective_hz=rate_hz)
            for name in channels}  # fmt: skip
    session = Session(
        id="hand", time=time[pick], channels=channels, info=info,
        vehicle=parse_vehicle(vehicle.encode(), channel_names=CHANNELS),
        start_time="2026-05-01T10:00:00", start_time_source="log",
    )  # fmt: skip
    return session, [float(t) for t in began[len(LIVELY) : -1]]
