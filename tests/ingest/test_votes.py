"""What values say of units and references: each limit from both sides."""

from pathlib import Path

import numpy as np
import pytest

from pipeline.ingest import Reading, read_log
from pipeline.vehicle import DEFAULT_VEHICLE

ROWS = 120
#: The default site lies at sea level.
SITE_KPA = 101.325
WAVE = 0.5 - 0.5 * np.cos(np.arange(ROWS) * 0.2)  # 0 to 1 and back, four times


def read(tmp_path: Path, **columns: np.ndarray) -> Reading:  # type: ignore[type-arg]
    """A log at 10 Hz of an engine that turns, with these columns; "_" stands for a blank."""
    names = ["Time (s)", "RPM", *(name.replace("_", " ") for name in columns)]
    data = [np.arange(ROWS) * 0.1, 2000.0 + np.arange(ROWS), *columns.values()]
    rows = [",".join(f"{value:.3f}" for value in row) for row in zip(*data, strict=True)]
    path = tmp_path / "log.csv"
    path.write_text("\n".join([",".join(names), *rows]) + "\n", encoding="utf-8")
    return read_log(path, vehicle=DEFAULT_VEHICLE)


def values(reading: Reading, channel: str) -> np.ndarray:  # type: ignore[type-arg]
    frame = reading.sessions[0].frame
    return frame[channel].to_numpy() if channel in frame.columns else np.array([])


def test_what_no_unit_explains_is_set_aside(tmp_path: Path) -> None:
    reading = read(tmp_path, **{"Coolant Temp (degC)": 5000.0 + 1000.0 * WAVE})
    assert not values(reading, "coolant_temperature").size
    assert any("set aside" in message.what for message in reading.messages)


@pytest.mark.parametrize(("lowest", "gauge"), [(-5.0, True), (-1.0, False)])
def test_pressure_below_zero_is_gauge(tmp_path: Path, lowest: float, gauge: bool) -> None:
    logged = lowest + 80.0 * WAVE
    found = values(read(tmp_path, **{"MAP (kPa)": logged}), "manifold_pressure")
    assert np.nanmedian(found - logged) == pytest.approx(SITE_KPA if gauge else 0.0, abs=0.02)


@pytest.mark.parametrize(("lowest", "gauge"), [(2.0, True), (30.0, False)])
def test_what_is_called_boost_is_gauge_where_it_comes_near_zero(
    tmp_path: Path, lowest: float, gauge: bool
) -> None:
    logged = lowest + 80.0 * WAVE
    found = values(read(tmp_path, **{"Boost (kPa)": logged}), "manifold_pressure")
    assert np.nanmedian(found - logged) == pytest.approx(SITE_KPA if gauge else 0.0, abs=0.02)


def test_no_gauge_reads_below_a_vacuum(tmp_path: Path) -> None:
    logged = -60.0 + 140.0 * WAVE
    reading = read(tmp_path, **{"MAP (bar)": logged})
    assert np.allclose(values(reading, "manifold_pressure"), logged + SITE_KPA, atol=0.02)
    assert any("can only be kPa" in message.what for message in reading.messages)


@pytest.mark.parametrize(("crossings", "ratio"), [(24, 14.2), (12, 14.7)])
def test_a_narrowband_tells_the_display_where_it_switches_often(
    tmp_path: Path, crossings: int, ratio: float
) -> None:
    volts = np.full(ROWS, 0.1)
    volts[: 5 * crossings] = np.where(np.arange(5 * crossings) // 5 % 2, 0.8, 0.1)
    mixture = np.full(ROWS, 14.2)
    mixture[::7] = 13.1
    columns = {"AFR": mixture, "O2 Narrowband (V)": volts}
    assert values(read(tmp_path, **columns), "lambda")[1] == pytest.approx(14.2 / ratio, abs=1e-3)


@pytest.mark.parametrize(("share", "ratio"), [(0.3, 14.1), (0.08, 14.7)])
def test_the_commonest_target_tells_the_display_where_it_is_common(
    tmp_path: Path, share: float, ratio: float
) -> None:
    target = np.where(np.arange(ROWS) < share * ROWS, 14.1, 12.0 + 0.01 * np.arange(ROWS))
    columns = {"AFR": 14.1 - WAVE, "AFR Target": target}
    found = values(read(tmp_path, **columns), "lambda_target")
    assert found[0] == pytest.approx(14.1 / ratio, abs=1e-3)


@pytest.mark.parametrize(
    ("first_kpa", "level_kpa", "latched"),
    [(72.0, 70.0, True), (40.0, 70.0, False), (95.0, 95.0, False)],
)
def test_a_barometer_read_from_a_turning_engines_manifold_is_none(
    tmp_path: Path, first_kpa: float, level_kpa: float, latched: bool
) -> None:
    """A road at 3000 m has 70 kPa too; there the manifold does not begin at it."""
    pressure = first_kpa + 60.0 * np.r_[np.zeros(30), WAVE[:90]]
    columns = {"MAP (kPa)": pressure, "Barometer (kPa)": np.full(ROWS, level_kpa)}
    reading = read(tmp_path, **columns)
    assert (values(reading, "barometric_pressure").size == 0) == latched


@pytest.mark.parametrize(("unit", "celsius"), [("F", 26.7), ("C", 80.0)])
def test_a_temperature_without_a_unit_is_in_that_of_the_others(
    tmp_path: Path, unit: str, celsius: float
) -> None:
    other = np.full(ROWS, 190.0 if unit == "F" else 88.0) + WAVE
    columns = {f"Coolant Temp ({unit})": other, "Intake Air Temp": 75.0 + 10.0 * WAVE}
    found = values(read(tmp_path, **columns), "intake_air_temperature")
    assert np.median(found) == pytest.approx(celsius, abs=0.5)


@pytest.mark.parametrize(("odd_rows", "is_lambda"), [(4, False), (12, True)])
def test_a_few_odd_readings_do_not_turn_an_equivalence_ratio(
    tmp_path: Path, odd_rows: int, is_lambda: bool
) -> None:
    """As fuel over air 1.9 were lambda 0.53: no engine runs on that for long."""
    ratio = np.where(np.arange(ROWS) < odd_rows, 1.9, 0.97)
    reading = read(tmp_path, **{"Equivalence Ratio": ratio})
    assert values(reading, "lambda")[-1] == pytest.approx(0.97 if is_lambda else 1 / 0.97)
    undecided = any("fuel over air or lambda" in message.what for message in reading.messages)
    assert undecided == (not is_lambda)


@pytest.mark.parametrize(("ratio", "sure"), [(0.98, False), (0.92, True)])
def test_a_mixture_that_goes_with_another_hardly_better_than_against_it_is_undecided(
    tmp_path: Path, ratio: float, sure: bool
) -> None:
    columns = {"Lambda": np.full(ROWS, 0.9), "Equivalence Ratio target": ratio + 0.002 * WAVE}
    reading = read(tmp_path, **columns)
    assert any("goes with" in message.what for message in reading.messages) == sure
