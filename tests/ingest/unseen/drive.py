"""The drive behind every unseen log, and the words in which a log's truth is told."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# What rounding in the logs below may cost, per unit of the contract.
TOLERANCE = {
    "engine_speed": 0.6,
    "idle_speed_target": 0.6,
    "lambda": 0.006,
    "lambda_2": 0.006,
    "lambda_target": 0.006,
    "injector_pulse_width": 0.006,
    "battery_voltage": 0.06,
    "narrowband_voltage": 0.006,
    "mass_air_flow": 0.06,
    "latitude": 1e-6,
    "longitude": 1e-6,
}
USUAL_TOLERANCE = 0.35  # kPa, degC, %, deg, km/h


@dataclass(frozen=True)
class Session:
    """One stretch of logging: its time (s from its first row) and its channels, nan where empty.

    Where only changes were logged (``held``) an empty cell may also show the value before it.
    """

    time: Array
    channels: dict[str, Array]
    texts: dict[str, list[str]] = field(default_factory=dict)
    held: bool = False


@dataclass(frozen=True)
class Log:
    """A file as bytes and what is true of it.

    ``mapping`` holds the header cell as written and the channel it has to become, None where it
    must stay unmapped; ``dropped`` the reasons of the contract with their rows; ``markers`` the
    texts with the second they belong to. ``refused`` is the text the reason must contain where the
    file is no log. ``either`` names channels that may be left out, but never be wrong.
    """

    name: str
    data: bytes
    sessions: Sequence[Session] = ()
    mapping: dict[str, str | None] = field(default_factory=dict)
    dropped: dict[str, int] = field(default_factory=dict)
    markers: Sequence[tuple[float, str]] = ()
    start: str | None = None
    refused: str | None = None
    vehicle: str | None = None
    either: frozenset[str] = frozenset()
    dialect: dict[str, object] = field(default_factory=dict)


def drive(rows: int = 200, hz: float = 10.0, seed: int = 1) -> dict[str, Array]:
    """Key on, start, idle, then a pull through the gears into boost and back: canonical units."""
    rng = np.random.default_rng(seed)
    part = np.arange(rows) / rows
    wobble = rng.normal(0.0, 1.0, rows)
    load = np.interp(part, [0, 0.45, 0.5, 0.6, 0.7, 0.75, 0.9, 1], [0, 0, 0.3, 0.35, 1, 1, 0.1, 0])
    speed = np.interp(part, [0, 0.45, 0.55, 0.75, 1.0], [0, 0, 38, 92, 51])
    rpm = np.interp(
        part,
        [0, 0.06, 0.07, 0.12, 0.14, 0.45, 0.55, 0.75, 0.92, 1.0],
        [0, 0, 210, 230, 1180, 905, 2300, 5450, 2600, 1500],
    )
    running = part > 0.13
    rpm = np.where(rpm > 0, rpm + 14 * wobble, 0.0)
    pressure = np.where(running, 33 + 135 * load, np.where(rpm > 0, 94.0, 98.6))
    pressure = pressure + np.where(rpm > 0, 0.6 * rng.normal(0, 1, rows), 0.0)
    target = np.interp(pressure, [60, 100, 170], [1.0, 0.93, 0.81])
    measured = target * (1 + 0.012 * rng.normal(0, 1, rows))
    return {
        "time": np.arange(rows) / hz,
        "engine_speed": rpm,
        "manifold_pressure": pressure,
        "barometric_pressure": np.full(rows, 98.6),
        "throttle_position": 1.5 + 92 * load + np.where(load > 0, 0.4 * wobble, 0.0),
        "coolant_temperature": 21 + 63 * part**0.7,
        "intake_air_temperature": 18.5 + 24 * part + 0.3 * np.sin(part * 30),
        "oil_temperature": 20 + 55 * part,
        "ambient_air_temperature": np.full(rows, 17.5),
        "exhaust_gas_temperature": 60 + 640 * np.clip(part - 0.1, 0, 1) + 120 * load,
        "lambda": measured,
        "lambda_2": measured * (1 + 0.03 * np.sin(part * 50)),
        "lambda_target": target,
        "spark_advance": np.clip(10 + rpm / 230 - 0.11 * (pressure - 35), -5, 40),
        "knock_retard": np.where(load > 0.9, 1.5, 0.0),
        "injector_pulse_width": np.where(rpm > 0, 0.9 + 0.075 * pressure, 0.0),
        "fuel_trim_short": np.where(running, 3.5 * np.sin(part * 60), 0.0),
        "fuel_trim_long": np.where(running, -2.2 + 1.2 * np.sin(part * 7), -2.2),
        "mass_air_flow": np.where(rpm > 0, rpm * pressure / 5200.0, 0.0),
        "battery_voltage": np.where(running, 14.1, np.where(rpm > 0, 9.9, 12.4))
        + 0.05 * rng.normal(0, 1, rows),
        "vehicle_speed": speed + np.where(speed > 0, 0.2 * wobble, 0.0),
        "oil_pressure": np.where(running, 190 + rpm / 25, 0.0),
        "fuel_pressure": 300 + (pressure - 98.6) + rng.normal(0, 0.5, rows),
        "injector_duty": np.where(rpm > 0, rpm * (0.9 + 0.075 * pressure) / 1200.0, 0.0),
        "narrowband_voltage": np.where(measured < 1, 0.82, 0.12) + 0.02 * rng.normal(0, 1, rows),
        "latitude": 52.1 + part * 0.01,
        "longitude": 9.3 + part * 0.02,
    }


def number(value: float, digits: int = 2, decimal: str = ".", group: str = "") -> str:
    """A number as a logger prints it."""
    text = f"{value:,.{digits}f}"
    return text.replace(",", "\0").replace(".", decimal).replace("\0", group)


def column(
    values: Iterable[float], digits: int = 2, decimal: str = ".", group: str = ""
) -> list[str]:
    """A column of numbers as text; nothing where the value is nan."""
    return ["" if v != v else number(v, digits, decimal, group) for v in values]


def clock(seconds: Iterable[float], form: Callable[[float], str]) -> list[str]:
    """A column of stamps."""
    return [form(s) for s in seconds]


def of_day(second: float, digits: int = 3, decimal: str = ".") -> str:
    """HH:MM:SS.fff, running over midnight."""
    ticks = round(second * 10**digits) % (86400 * 10**digits)
    whole, rest = divmod(ticks, 10**digits)
    text = f"{whole // 3600:02d}:{whole // 60 % 60:02d}:{whole % 60:02d}"
    return f"{text}{decimal}{rest:0{digits}d}" if digits else text


def lines(
    header: Sequence[str], columns: Sequence[Sequence[str]], separator: str = ",", tail: str = ""
) -> list[str]:
    """Header and rows as lines without their ends."""
    rows = [separator.join(cells) + tail for cells in zip(*columns, strict=True)]
    return [separator.join(header), *rows] if header else rows


def text(parts: Iterable[str], end: str = "\n") -> str:
    """Lines with their ends."""
    return "".join(part + end for part in parts)


def one(
    truth: dict[str, Array], names: Iterable[str], start: int = 0, stop: int | None = None
) -> Session:
    """The truth of one session: rows ``start`` to ``stop`` of the drive."""
    time = truth["time"][start:stop]
    return Session(time - time[0], {name: truth[name][start:stop] for name in names})
