"""Numbers and names that can be read two ways: the log itself has to decide."""

from pathlib import Path

import numpy as np
import pytest

from pipeline.ingest import Reading, read_log
from pipeline.ingest.cells import split_cells
from pipeline.ingest.words import find_channels, is_clock_name, read_name, split_header
from pipeline.vehicle import DEFAULT_VEHICLE

LOAD = np.interp(np.arange(80), [0, 30, 50, 60, 80], [35.0, 40, 170, 165, 50])
LAMBDA = np.interp(LOAD, [60, 170], [1.0, 0.8])


def read(tmp_path: Path, header: str, columns: list[list[str]], separator: str = ",") -> Reading:
    path = tmp_path / "log.csv"
    rows = [separator.join(row) for row in zip(*columns, strict=True)]
    path.write_text("\n".join([header, *rows]) + "\n", encoding="utf-8")
    return read_log(path, vehicle=DEFAULT_VEHICLE)


def base(extra: np.ndarray, pressure: np.ndarray = LOAD) -> list[list[str]]:  # type: ignore[type-arg]
    count = len(pressure)
    return [
        [f"{i * 0.1:.1f}" for i in range(count)],
        [str(2000 + 10 * i) for i in range(count)],
        [f"{p:.1f}" for p in pressure],
        [f"{x:.4f}" for x in extra],
    ]


@pytest.mark.parametrize("turned", [False, True])
def test_boost_tells_which_way_an_equivalence_ratio_is(tmp_path: Path, turned: bool) -> None:
    logged = 1 / LAMBDA if turned else LAMBDA
    r = read(tmp_path, "Time (s),RPM,MAP (kPa),Commanded Equivalence Ratio", base(logged))
    assert np.allclose(r.sessions[0].frame["lambda_target"], LAMBDA, atol=2e-4)


@pytest.mark.parametrize("turned", [False, True])
def test_another_mixture_column_tells_it(tmp_path: Path, turned: bool) -> None:
    low = np.minimum(LOAD, 99.0)
    mixture = np.where(low > 90, 0.88, 1.0)
    columns = base(1 / mixture if turned else mixture, low)
    columns.append([f"{x * 14.7:.3f}" for x in mixture])
    r = read(tmp_path, "Time (s),RPM,MAP (kPa),Equivalence Ratio target,AFR", columns)
    assert np.allclose(r.sessions[0].frame["lambda_target"], mixture, atol=2e-4)


def test_where_nothing_tells_it_the_log_page_says_so(tmp_path: Path) -> None:
    low = np.minimum(LOAD, 99.0)
    r = read(tmp_path, "Time (s),RPM,MAP (kPa),Equivalence Ratio", base(1 + low / 1e3, low))
    assert np.allclose(r.sessions[0].frame["lambda"], 1 / (1 + low / 1e3), atol=2e-4)
    assert any("fuel over air or lambda" in m.what for m in r.messages)


@pytest.mark.parametrize("decimal", [",", "."])
def test_a_point_among_decimal_commas_groups_thousands(tmp_path: Path, decimal: str) -> None:
    # 850 ... 1640, written 850 ... 1.640 (or 1,640 where the decimal mark is a point)
    group = "." if decimal == "," else ","
    columns = base(LAMBDA)
    columns = [[cell.replace(".", decimal) for cell in column] for column in columns]
    columns[1] = [f"{850 + 10 * i:,}".replace(",", group) for i in range(80)]
    r = read(tmp_path, "Time (s);RPM;MAP (kPa);Lambda", columns, ";")
    assert r.sessions[0].frame["engine_speed"].to_list() == [850 + 10 * i for i in range(80)]
    assert np.allclose(r.sessions[0].frame["manifold_pressure"], LOAD, atol=0.051)


def test_grouped_thousands_in_a_log_of_whole_numbers(tmp_path: Path) -> None:
    columns = [
        [f"{100 * i:,}".replace(",", ".") for i in range(80)],
        [f"{850 + 10 * i:,}".replace(",", ".") for i in range(80)],
        [f"{p:.0f}" for p in LOAD],
    ]
    r = read(tmp_path, "Time (ms);RPM;MAP (kPa)", columns, ";")
    assert r.sessions[0].frame["engine_speed"].to_list() == [850 + 10 * i for i in range(80)]
    assert r.sessions[0].frame["time"][-1] == pytest.approx(7.9)


def test_three_decimals_stay_decimals(tmp_path: Path) -> None:
    columns = base(LAMBDA + 0.5)
    columns[0] = [f"{100 + i * 0.125:.3f}" if i % 8 else str(100 + i // 8) for i in range(80)]
    columns[3] = [f"{x:.3f}" for x in LAMBDA + 0.5]
    r = read(tmp_path, "Time (s);RPM;MAP (kPa);Lambda", columns, ";")
    assert np.allclose(r.sessions[0].frame["lambda"], LAMBDA + 0.5, atol=6e-4)
    assert r.sessions[0].frame["time"][-1] == pytest.approx(79 * 0.125)


def test_a_filtered_copy_is_no_second_probe(tmp_path: Path) -> None:
    columns = [*base(LAMBDA + 0.01), [f"{x:.4f}" for x in LAMBDA]]
    r = read(tmp_path, "Time (s),RPM,MAP (kPa),Lambda filtered,Lambda", columns)
    assert np.allclose(r.sessions[0].frame["lambda"], LAMBDA, atol=2e-4)
    assert "lambda_2" not in r.sessions[0].frame.columns


@pytest.mark.parametrize(
    ("line", "cells"),
    [
        (r'"a\\",b', ["a\\", "b"]),
        (r'"a\"b",c', ['a"b', "c"]),
        (r'"C:\logs\new","x"', [r"C:\logs\new", "x"]),
        (r'"a\\\"b",""', ['a\\"b', ""]),
        (r'"a""b\"",c', ['a"b"', "c"]),
    ],
)
def test_a_back_slash_before_a_quote_or_another(line: str, cells: list[str]) -> None:
    found = split_cells(line, ",", '"', escape=True)
    assert found.cells == cells
    assert not found.open
    assert not found.stray


@pytest.mark.parametrize(
    ("cell", "channel"),
    [
        ("p_oil", "oil_pressure"),
        ("n Motor", "engine_speed"),
        ("T_Öl", "oil_temperature"),
        ("tKühlmittel", "coolant_temperature"),
        ("pSaugrohr", "manifold_pressure"),
        ("U_Batt", "battery_voltage"),
        ("V_batt", "battery_voltage"),
        ("v_veh", "vehicle_speed"),
        ("n_idle_soll", "idle_speed_target"),
        ("t_clt", "coolant_temperature"),
        ("p_lambda", ""),
        ("A/F", "lambda"),
        ("Target A/F", "lambda_target"),
        ("A F ratio", "lambda"),
        ("Ladedruck absolut", "manifold_pressure"),
        ("Presión absoluta del colector de admisión", "manifold_pressure"),
        ("Régime de ralenti consigne", "idle_speed_target"),
        ("t_event", ""),
        ("n_pump", ""),
    ],
)
def test_names(cell: str, channel: str) -> None:
    assert (*find_channels(read_name(cell)), "")[0] == channel


def test_the_longest_unit_is_the_unit() -> None:
    assert split_header("MAF g/s") == ("MAF", "g/s")
    assert split_header("Air mass_kg/h") == ("Air mass", "kg/h")
    assert split_header("speed-km/h") == ("speed", "km/h")


def test_clock_words_written_together() -> None:
    assert all(is_clock_name(n) for n in ("unixtime", "EPOCHTIME", "Timer (ms)", "systemtime"))
    assert all(is_clock_name(n) for n in ("Zeit seit Start [s]", "Temps écoulé", "Messzeit"))
    assert all(is_clock_name(n) for n in ("Tiempo transcurrido (s)", "temps depuis le début"))
    assert not any(is_clock_name(n) for n in ("dwelltime", "lifetime", "Injection timer"))


def test_a_lone_symbol_is_what_its_unit_makes_it(tmp_path: Path) -> None:
    """Symbols of ISO 80000: `n` in 1/min is a speed, `T` in degrees no clock; a bare `n` counts."""
    rows = [f"{i / 10:.1f};{850 + i % 5};{450 + i % 3};80;{i}" for i in range(300)]
    path = tmp_path / "log.csv"
    path.write_text("\n".join(["t [s];n [1/min];p [mbar];T [°C];n", *rows]) + "\n", "utf-8")
    reading = read_log(path, vehicle=DEFAULT_VEHICLE)
    frame = reading.sessions[0].frame
    assert frame["engine_speed"].to_list()[:3] == [850, 851, 852]
    assert frame["other.T [°C]"].to_list()[:2] == [80, 80]
    assert frame["other.n"].to_list()[:3] == [0, 1, 2]


def test_a_clock_by_name_only_is_kept_as_it_is(tmp_path: Path) -> None:
    """A column that stands still is no clock, whatever it is called, and is not lost."""
    rows = [f"{i / 10:.1f},{850 + i % 5},{7}" for i in range(300)]
    path = tmp_path / "log.csv"
    path.write_text("\n".join(["Time (s),RPM,Timer", *rows]) + "\n", "utf-8")
    (session,) = read_log(path, vehicle=DEFAULT_VEHICLE).sessions
    assert session.frame["other.Timer"].to_list()[:2] == [7, 7]


@pytest.mark.parametrize("failed", [150.0, -40.0])
def test_a_failed_thermistor_does_not_overrule_the_unit_stated(
    tmp_path: Path, failed: float
) -> None:
    celsius = np.where(np.arange(80) < 30, 60.0 + 0.5 * np.arange(80), failed)
    r = read(tmp_path, "Time (s),RPM,MAP (kPa),Coolant Temperature (C)", base(celsius))
    assert np.allclose(r.sessions[0].frame["coolant_temperature"], celsius)
    fahrenheit = 130.0 + np.arange(80)
    r = read(tmp_path, "Time (s),RPM,MAP (kPa),Coolant Temperature (C)", base(fahrenheit))
    assert np.allclose(r.sessions[0].frame["coolant_temperature"], (fahrenheit - 32) / 1.8)


def test_an_air_thermometer_shorted_all_along_is_read_in_the_unit_stated(tmp_path: Path) -> None:
    shorted = 149.9 + 0.1 * (np.arange(80) % 3)
    r = read(tmp_path, "Time (s),RPM,MAP (kPa),Intake Air Temperature (C)", base(shorted))
    assert np.allclose(r.sessions[0].frame["intake_air_temperature"], shorted)
