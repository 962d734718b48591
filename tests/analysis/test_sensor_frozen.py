"""Readings that show nothing but their own noise: a frozen value, or an end of the scale."""

import numpy as np
import pytest

from pipeline.analysis._frozen import frozen
from pipeline.analysis._rest_pressure import at_rest

TIME = np.arange(0.0, 900.0, 0.05)


def drive(rng: np.random.Generator) -> dict[str, np.ndarray]:
    """Town traffic on a warm engine: idle and 2400 rpm in turn, hot oil."""
    swing = 0.5 - 0.5 * np.cos(2.0 * np.pi * TIME / 75.0)
    return {
        "engine_speed": 850.0 + 1600.0 * swing,
        "manifold_pressure": 32.0 + 40.0 * swing,
        "vehicle_speed": 60.0 * swing,
        "coolant_temperature": np.full(TIME.size, 88.0),
    }


def modes(values: dict[str, np.ndarray], cut: bool = True) -> list[tuple[str, str]]:
    cuts = (TIME % 75.0 > 60.0) & (TIME % 75.0 < 64.0) & cut
    return [(s.channels[0], s.mode) for s in frozen(TIME, values, TIME > 30.0, cuts)]


@pytest.mark.parametrize(("level", "mode"), [(0.66, "short"), (0.94, "stuck")])
def test_a_wideband_that_shows_its_noise_alone_through_fuel_cuts_is_dead(
    level: float, mode: str
) -> None:
    rng = np.random.default_rng(1)
    values = drive(rng)
    noise = rng.normal(0.0, 0.002 * level, TIME.size)
    values["lambda"] = np.round(level + noise, 3)
    assert modes(values) == [("lambda", mode)]
    assert modes(values, cut=False) == []  # a loop at one target, at part load, may hold so
    values["lambda"] = np.round(level + 0.004 * np.sin(TIME / 20.0) + noise, 3)
    assert modes(values) == []  # what moves beyond its noise is alive


def test_an_oil_pressure_alike_at_hot_idle_and_at_speed_is_frozen() -> None:
    values = drive(np.random.default_rng(2))
    values["oil_pressure"] = np.full(TIME.size, 210.0)
    assert modes(values) == [("oil_pressure", "stuck")]
    short = {**values, "oil_pressure": np.where(TIME > 460.0, np.nan, 480.0)}
    assert modes(short) == []  # a relief valve's: oil is hot right through only later
    values["coolant_temperature"] = np.minimum(16.0 + TIME / 15.0, 88.0)
    assert modes(values) == []  # oil that is cold yet rests on its relief valve
    values["oil_temperature"] = np.full(TIME.size, 95.0)
    assert modes(values) == [("oil_pressure", "stuck")]


def test_intake_air_that_stops_at_once_is_frozen_and_air_that_settles_is_not() -> None:
    rng = np.random.default_rng(3)
    values = drive(rng)
    noise = rng.normal(0.0, 0.06, TIME.size)
    air = 26.0 + 4.0 * np.sin(TIME / 40.0)
    stops = np.where(TIME < 110.0, air, air[np.searchsorted(TIME, 110.0)])
    values["intake_air_temperature"] = np.round(stops + noise, 1)
    assert modes(values) == [("intake_air_temperature", "stuck")]
    settles = 26.0 + 12.0 * np.exp(-TIME / 40.0)
    values["intake_air_temperature"] = np.round(settles + noise, 1)
    assert modes(values) == []


def test_a_manifold_without_air_at_rest_is_no_reading() -> None:
    rng = np.random.default_rng(4)
    running = (TIME > 10.0) & (TIME < 420.0)
    pressure = np.where(running, 40.0, 98.0)
    pressure[TIME > 415.0] = 12.0
    volts = np.round(12.4 + rng.normal(0.0, 0.03, TIME.size), 2)
    values = {
        "manifold_pressure": np.round(pressure + rng.normal(0.0, 0.25, TIME.size), 1),
        "barometric_pressure": np.full(TIME.size, 98.5),
        "battery_voltage": volts,
    }
    still = (TIME < 10.0) | (TIME > 424.0)
    (found,) = at_rest(TIME, values, still, None)
    assert (found.channels, found.mode) == (("manifold_pressure",), "open")
    assert abs(found.start_s - 415.0) < 1.0
    at_stop = np.where((TIME > 10.0) & (TIME < 421.0), 40.0, values["manifold_pressure"])
    assert at_rest(TIME, {**values, "manifold_pressure": at_stop}, still, None) == []  # the key
