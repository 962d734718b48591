"""The barometer of a session: which of its sources is believed, by logs of a few rows."""

import numpy as np
import pytest

from pipeline.facts.atmosphere import Atmosphere
from pipeline.physics.atmosphere import WEATHER_KPA
from tests.analysis.pull_logs import fact

TIME = np.arange(0.0, 60.0, 0.1)
HIGH_HOME = "[site]\naltitude_m = 1000\n"  # 89.9 kPa on a standard day (US Std Atm 1976)


def barometer(site: str = "", **channels: np.ndarray | float) -> Atmosphere:  # type: ignore[type-arg]
    given = {name: np.broadcast_to(value, TIME.shape) for name, value in channels.items()}
    found: Atmosphere = fact({"time": TIME, **given}, "atmosphere", site)
    return found


def stopped(*, at: float = 20.0, back: float = 60.0) -> np.ndarray:  # type: ignore[type-arg]
    return np.where((at <= TIME) & (back > TIME), 0.0, 900.0)


def test_a_manifold_is_read_once_it_has_filled() -> None:
    """It fills within 2 s of the stop: what is read before lies below the barometer."""
    pressure = np.where(TIME < 20.0, 35.0, np.where(TIME < 21.9, 60.0, 94.0))
    air = barometer(engine_speed=stopped(), manifold_pressure=pressure)
    assert (air.source, air.median_kpa) == ("manifold_at_rest", 94.0)


@pytest.mark.parametrize(("rows", "source"), [(2, "site"), (3, "manifold_at_rest")])
def test_one_or_two_rows_at_rest_are_none(rows: int, source: str) -> None:
    back = 19.9 + 2.0 + 0.1 * rows - 0.05  # s after the last row that turned
    air = barometer(engine_speed=stopped(back=back), manifold_pressure=94.0)
    assert air.source == source


@pytest.mark.parametrize(
    ("site", "logged", "source"),
    [
        (HIGH_HOME, 84.0, "log"),
        (HIGH_HOME, 70.0, "site"),  # 2000 m above home
        ("", 70.0, "log"),  # nobody said where home is
        ("", 40.0, "site"),  # no road is so high
        ("", 110.0, "site"),  # no air is so dense
    ],
)
def test_a_barometer_has_to_be_one_of_a_road_near_home(
    site: str, logged: float, source: str
) -> None:
    air = barometer(site, barometric_pressure=logged)
    assert air.source == source
    if source == "log":
        assert air.median_kpa == logged


def test_a_reading_that_fails_for_a_while_is_held_at_its_usual_level() -> None:
    logged = np.where((TIME > 10.0) & (TIME < 15.0), 5.0, 97.0)
    air = barometer(barometric_pressure=logged)
    assert air.barometer_kpa == pytest.approx(97.0)


def test_a_site_that_was_given_leaves_only_the_weather_open() -> None:
    assert barometer(HIGH_HOME, engine_speed=900.0).error_kpa == WEATHER_KPA
    assert barometer(engine_speed=900.0).error_kpa == 12.0
