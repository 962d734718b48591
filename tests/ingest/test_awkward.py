"""Awkward logs written without sight of the reader; each with what a careful person would read."""

import json
import os
from pathlib import Path

import numpy as np
import pytest

from pipeline.ingest import date_in_name, explain, read_log, resolve_start
from pipeline.vehicle import DEFAULT_VEHICLE, ChannelRule, LambdaSensor, Site, Vehicle


def read(
    tmp_path: Path, text: str | bytes, vehicle: Vehicle = DEFAULT_VEHICLE, name: str = "log.csv"
):  # type: ignore[no-untyped-def]
    path = tmp_path / name
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return read_log(path, vehicle=vehicle)


def column(reading, name: str) -> list[float | None]:  # type: ignore[no-untyped-def]
    return reading.sessions[0].frame[name].to_list()


def rows(header: str, line: str, count: int = 40) -> str:
    """Lines from a template: {i} the row, {t} seconds."""
    body = "\n".join(line.format(i=i, t=f"{i * 0.1:.1f}", h=i % 7, v=i % 11) for i in range(count))
    return f"{header}\n{body}\n"


def test_boost_gauge_psi(tmp_path: Path) -> None:
    r = read(tmp_path, rows("Time (s),RPM,Boost (psi),CLT (F)", "{t},2{i:03d},-{h}.5,18{h}"))
    got = np.array(column(r, "manifold_pressure"))
    # 101.325 kPa standard atmosphere (ISO 2533), 6.894757 kPa per psi (NIST SP 811).
    want = np.array([101.325 - (i % 7 + 0.5) * 6.894757293168 for i in range(40)])
    assert np.allclose(got, want, atol=1e-6)
    assert column(r, "coolant_temperature")[0] == pytest.approx((180 - 32) * 5 / 9)


def test_vacuum_in_inhg_with_own_barometer(tmp_path: Path) -> None:
    r = read(
        tmp_path, rows("Time (s),RPM,Manifold Vacuum (inHg),Baro (kPa)", "{t},2{i:03d},1{h}.0,95.0")
    )
    assert column(r, "manifold_pressure")[0] == pytest.approx(95 - 10 * 3.386389, abs=1e-4)


def test_ninety_eight_psi_is_kpa(tmp_path: Path) -> None:
    r = read(tmp_path, rows("Time (s),RPM,MAP (psi)", "{t},9{i:02d},9{h}.0"))
    assert column(r, "manifold_pressure")[:2] == [90, 91]
    assert any("psi" in m.what for m in r.messages)


def test_barometer_of_14_7_is_psi(tmp_path: Path) -> None:
    r = read(tmp_path, rows("Time (s),RPM,Barometric Pressure (kPa)", "{t},9{i:02d},14.{h}"))
    assert column(r, "barometric_pressure")[0] == pytest.approx(14 * 6.894757, abs=1e-3)


def test_air_fuel_ratio_display(tmp_path: Path) -> None:
    text = rows("Time (s),RPM,AFR,AFR Target", "{t},9{i:02d},13.{h},14.7")
    assert column(read(tmp_path, text), "lambda")[0] == pytest.approx(13 / 14.7)
    own = Vehicle(lambda_sensor=LambdaSensor(display_ratio=14.1))
    assert column(read(tmp_path, text, own), "lambda")[0] == pytest.approx(13 / 14.1)
    assert column(read(tmp_path, text), "lambda_target")[0] == pytest.approx(1.0)


def test_equivalence_ratio_is_inverted(tmp_path: Path) -> None:
    r = read(
        tmp_path,
        rows("Temps (s);Régime moteur (tr/min);Richesse", "{t};9{i:02d};1.{h}").replace(".", ","),
    )
    assert column(r, "lambda")[:2] == pytest.approx([1.0, 1 / 1.1])


def test_trims_centred_on_100_and_1(tmp_path: Path) -> None:
    r = read(tmp_path, rows("Time (s),RPM,STFT,LTFT", "{t},9{i:02d},10{h}.0,0.9{h}"))
    assert column(r, "fuel_trim_short")[:3] == pytest.approx([0, 1, 2])
    assert column(r, "fuel_trim_long")[:3] == pytest.approx([-10, -9, -8])


def test_after_dead_centre_turns_sign(tmp_path: Path) -> None:
    r = read(tmp_path, rows("Time (s),RPM,Ignition Timing (deg ATDC)", "{t},9{i:02d},-1{h}"))
    assert column(r, "spark_advance")[:2] == [10, 11]


def test_german_latin1_decimal_comma(tmp_path: Path) -> None:
    text = rows(
        "Zeit [s];Motordrehzahl [1/min];Kühlmitteltemperatur [°C];Zündwinkel [°KW];"
        "Saugrohrdruck [mbar];Einspritzzeit [ms];Geschwindigkeit [km/h]",
        "{t};9{i:02d};8{h},5;2{h},0;45{h},0;3,{h};5{h},0".replace("{t}", "{t}"),
    )
    r = read(tmp_path, text.replace(".", ",").encode("latin-1"))
    assert column(r, "coolant_temperature")[:2] == [80.5, 81.5]
    assert column(r, "manifold_pressure")[0] == pytest.approx(45.0)
    assert column(r, "spark_advance")[1] == 21
    assert column(r, "injector_pulse_width")[1] == pytest.approx(3.1)
    assert column(r, "vehicle_speed")[1] == 51


def test_spanish(tmp_path: Path) -> None:
    r = read(
        tmp_path,
        rows(
            "Tiempo (s);Régimen del motor (rpm);Temperatura del refrigerante (°C);"
            "Presión de aceite (bar);Velocidad del vehículo (km/h)",
            "{t};9{i:02d};8{h};3.{h};4{h}",
        ),
    )
    assert column(r, "oil_pressure")[1] == pytest.approx(310)
    assert {"engine_speed", "coolant_temperature", "vehicle_speed"} <= set(r.sessions[0].channels)


def test_mass_flow_and_speed_units(tmp_path: Path) -> None:
    r = read(tmp_path, rows("Time (s),RPM,MAF (lb/min),VSS (mph)", "{t},9{i:02d},{h}.5,3{h}"))
    assert column(r, "mass_air_flow")[0] == pytest.approx(0.5 * 7.559873, rel=1e-6)
    assert column(r, "vehicle_speed")[0] == pytest.approx(30 * 1.609344)


def test_two_sensors_and_targets_stay_apart(tmp_path: Path) -> None:
    r = read(
        tmp_path,
        rows(
            "Time (s),RPM,Lambda 1,Lambda 2,Lambda Target,Commanded Throttle (%),Throttle (%)",
            "{t},9{i:02d},0.9{h},1.0{h},0.88,2{h},3{h}",
        ),
    )
    frame = r.sessions[0].frame
    assert frame["lambda"][1] == 0.91
    assert frame["lambda_2"][1] == 1.01
    assert frame["lambda_target"][1] == 0.88
    assert frame["throttle_target"][1] == 21
    assert frame["throttle_position"][1] == 31


def test_pressure_sensor_in_volts_is_not_pressure(tmp_path: Path) -> None:
    r = read(tmp_path, rows("Time (s),RPM,MAP (V),Coolant Temp (V)", "{t},9{i:02d},1.{h},2.{h}"))
    assert "manifold_pressure" not in r.sessions[0].channels
    assert "coolant_temperature" not in r.sessions[0].channels
    assert any("vehicle.toml" in m.cure for m in r.messages)


def test_duplicate_names_keep_both(tmp_path: Path) -> None:
    r = read(tmp_path, rows("Time (s),RPM,Aux,Aux,RPM", "{t},9{i:02d},{h},{v},8{i:02d}"))
    frame = r.sessions[0].frame
    assert frame["engine_speed"][1] == 901
    assert frame["other.Aux"][8] == 1
    assert [c for c in frame.columns if c.startswith("other.Aux")] == ["other.Aux", "other.Aux (2)"]
    assert frame["other.RPM"][1] == 801


def test_sentinels_are_counted(tmp_path: Path) -> None:
    text = rows("Time (s),RPM,Coolant Temp (°C)", "{t},9{i:02d},8{h}.0").replace(
        "0.5,905,85.0", "0.5,65535,-9999"
    )
    r = read(tmp_path, text)
    assert column(r, "engine_speed")[5] is None
    assert r.sessions[0].channels["coolant_temperature"].rejected == {"out_of_range": 1}


def test_sparse_rows(tmp_path: Path) -> None:
    text = "Time (s),RPM,MAP (kPa)\n0.0,800,40\n0.1,,41\n0.2,810,\n0.3,,\n0.4,820,42\n"
    r = read(tmp_path, text)
    assert column(r, "engine_speed") == [800, None, 810, None, 820]
    assert column(r, "manifold_pressure") == [40, 41, None, None, 42]


def test_power_loss(tmp_path: Path) -> None:
    text = rows("Time (s),RPM,MAP (kPa)", "{t},9{i:02d},4{h}").encode()
    r = read(tmp_path, text + b"\0" * 512)
    assert r.rows_read == 40
    r = read(tmp_path, text[:-5] + b"\0" * 512 + b"\n" + text)
    assert r.rows_read == 79
    assert r.rows_dropped == {"nul_bytes": 1}


def test_unfinished_last_line(tmp_path: Path) -> None:
    r = read(tmp_path, rows("Time (s),RPM,MAP (kPa)", "{t},9{i:02d},4{h}")[:-1])
    assert r.rows_read == 39
    assert r.rows_dropped == {"unfinished_last_line": 1}
    assert r.status == "partial"


def test_short_and_long_rows(tmp_path: Path) -> None:
    text = rows("Time (s),RPM,MAP (kPa),TPS (%)", "{t},9{i:02d},4{h},{v}")
    lines = text.split("\n")
    lines[5] = lines[5].rsplit(",", 1)[0]
    lines[9] += ",7"
    lines[12] += ",,"
    r = read(tmp_path, "\n".join(lines))
    assert r.rows_dropped == {"long_row": 1, "short_row": 1}
    assert r.rows_read == 38
    # All rows shorter than the header: the last columns are the missing ones.
    r = read(tmp_path, rows("Time (s),RPM,MAP (kPa),TPS (%)", "{t},9{i:02d},4{h}"))
    assert r.rows_read == 40
    assert column(r, "manifold_pressure")[1] == 41


def test_marker_in_full_width(tmp_path: Path) -> None:
    lines = rows("Time (s),RPM,MAP (kPa),TPS (%)", "{t},9{i:02d},4{h},{v}").split("\n")
    lines.insert(10, "MARK,,,")
    lines.insert(20, "1.75,lap two,,")
    r = read(tmp_path, "\n".join(lines))
    assert r.rows_read == 40
    assert len(r.sessions) == 1
    assert len(r.sessions[0].markers) == 2


def test_date_and_time_apart(tmp_path: Path) -> None:
    r = read(tmp_path, rows("Date;Time;RPM;MAP (kPa)", "03.05.2026;18:20:{i:02d};9{i:02d};4{h}"))
    assert r.sessions[0].clock.start.isoformat() == "2026-05-03T18:20:00"
    assert column(r, "time")[5] == 5


def test_am_pm(tmp_path: Path) -> None:
    r = read(
        tmp_path,
        rows("Time,RPM", "11:59:{i:02d} AM,9{i:02d}")
        + rows("x", "12:00:{i:02d} PM,9{i:02d}").split("\n", 1)[1],
    )
    assert [s.frame.height for s in r.sessions] == [80]
    assert r.sessions[0].clock.time_of_day_s == 11 * 3600 + 59 * 60


def test_small_steps_back(tmp_path: Path) -> None:
    lines = rows("Time (s),RPM,MAP (kPa)", "{t},9{i:02d},4{h}").split("\n")
    lines[10], lines[11] = lines[11], lines[10]
    r = read(tmp_path, "\n".join(lines))
    assert [s.frame.height for s in r.sessions] == [40]
    assert np.all(np.diff(column(r, "time")) > 0)


def test_wild_stamp_cuts_nothing(tmp_path: Path) -> None:
    text = rows("Time (s),RPM,MAP (kPa)", "{t},9{i:02d},4{h}").replace("\n1.5,", "\n91234.5,")
    r = read(tmp_path, text)
    assert [s.frame.height for s in r.sessions] == [39]
    assert r.rows_dropped == {"bad_time": 1}


def test_vehicle_file_overrules(tmp_path: Path) -> None:
    text = rows("Time (s),n,p (x),Fan", "{t},9{i:02d},1.{h},3")
    car = Vehicle(
        channels={
            "n": "engine_speed",
            "p": ChannelRule(channel="manifold_pressure", unit="bar", scale=0.5, offset=0.1),
            "Fan": "ignore",
        }
    )
    r = read(tmp_path, text, car)
    assert column(r, "engine_speed")[1] == 901
    assert column(r, "manifold_pressure")[2] == pytest.approx(100 * (1.2 * 0.5 + 0.1))
    assert "other.Fan" not in r.sessions[0].frame.columns


def test_site_altitude_for_gauge(tmp_path: Path) -> None:
    text = rows("Time (s),RPM,Boost (kPa gauge)", "{t},9{i:02d},-4{h}")
    r = read(tmp_path, text, Vehicle(site=Site(altitude_m=1600.0)))
    # 83.5 kPa at 1,600 m in the standard atmosphere (ISO 2533:1975).
    assert column(r, "manifold_pressure")[0] == pytest.approx(83.5 - 40, abs=0.1)


@pytest.mark.parametrize(
    ("content", "word"),
    [
        (b"", "empty"),
        (b"\n\n", "blank"),
        (b"<html><body>1,2</body></html>", "HTML"),
        (b'{"a": [1, 2]}', "JSON"),
        (b"\x89PNG\r\n\x1a\n" + b"\0" * 50, "picture"),
        (b"PK\x03\x04" + b"\0" * 50, "ZIP"),
        (b"Dear reader,\nthis is a letter, and no log.\nYours, A.\n", ""),
        (b"Date,Amount,Text\n2026-01-01,12.50,bread\n2026-01-02,3.00,milk\n", ""),
        (b"Time (s),RPM,MAP (kPa)\n", "no rows"),
        (bytes(range(256)) * 20, ""),
        (b"%PDF-1.7\n" + b"\0" * 20, "PDF"),
        (b"name,score\nann,3\nbob,4\n", ""),
        (b"\x1f\x8b\x08\x00garbage", "gzip"),
    ],
)
def test_other_files_are_set_aside(content: bytes, word: str, tmp_path: Path) -> None:
    r = read(tmp_path, content)
    assert r.status == "set_aside"
    assert r.reason
    assert word in r.reason


def test_never_opened(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "x.csv")
    (tmp_path / "dir.csv").mkdir()
    (tmp_path / "link.csv").symlink_to(tmp_path / "nowhere")
    for name in ("x.csv", "dir.csv", "link.csv", "gone.csv"):
        assert read_log(tmp_path / name, vehicle=DEFAULT_VEHICLE).status == "set_aside"


@pytest.mark.parametrize(
    ("name", "date"),
    [
        ("2026-05-03.csv", "2026-05-03 00:00:00"),
        ("20260503_1820.csv", "2026-05-03 18:20:00"),
        ("drive 2026-05-03 18-20-05.csv", "2026-05-03 18:20:05"),
        ("03.05.2026 1820.csv", "2026-05-03 18:20:00"),
        ("20260503182005.csv", "2026-05-03 18:20:05"),
        ("25-04-2026.csv", "2026-04-25 00:00:00"),
        ("03-04-2026.csv", None),
        ("log17.csv", None),
        ("2026-13-45.csv", None),
        ("2026-05-03_log.csv.gz", "2026-05-03 00:00:00"),
    ],
)
def test_date_in_name(name: str, date: str | None) -> None:
    found = date_in_name(name)
    assert (str(found[0]) if found else None) == date


def test_start_from_name_and_file(tmp_path: Path) -> None:
    r = read(tmp_path, rows("Time (s),RPM", "{t},9{i:02d}"))
    assert resolve_start(r.sessions[0], "a/2026-05-03_1820.csv", 0) == (
        "2026-05-03T18:20:00",
        "name",
    )
    start, source = resolve_start(r.sessions[0], "log.csv", 1_700_000_000_000_000_000)
    assert source == "file"
    assert start.endswith(".100")


def test_csv_structure_where_it_is_tabular() -> None:
    from pipeline.ingest.cells import split_cells

    folder = Path(__file__).parents[2] / "fixtures/open/csv-structure"
    seen = 0
    for path in sorted((folder / "json").glob("*.json")):
        truth = json.loads(path.read_bytes().decode("utf-8", "replace"))
        text = (
            (folder / "csvs" / f"{path.stem}.csv")
            .read_bytes()
            .decode("utf-8", "replace")
            .replace("\r\n", "\n")
        )
        if not isinstance(truth, list) or "newlines" in path.stem:
            continue
        lines = [line for line in text.split("\n") if line]
        names = split_cells(lines[0], ",").cells
        got = [dict(zip(names, split_cells(line, ",").cells, strict=True)) for line in lines[1:]]
        assert got == truth, path.stem
        seen += 1
    assert seen == 8


def test_open_drives_are_mapped_unaided() -> None:
    folder = Path(__file__).parents[2] / "fixtures/open"
    for path in sorted(folder.glob("kit/*.csv")):
        r = read_log(path, vehicle=DEFAULT_VEHICLE)
        assert r.rows_read == 399
        assert len(r.sessions[0].channels) == 8
        assert r.sessions[0].channels["coolant_temperature"].effective_hz < 2
    for path in sorted(folder.glob("highland/*.csv")):
        r = read_log(path, vehicle=DEFAULT_VEHICLE)
        assert r.rows_read == 299
        assert set(r.sessions[0].channels) == {
            "engine_speed", "barometric_pressure", "throttle_position", "coolant_temperature",
            "battery_voltage", "vehicle_speed"}  # fmt: skip


def test_explain_names_every_column(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text(rows("Time (s),RPM,Odd thing", "{t},9{i:02d},{h}"))
    text = explain(path, name="log.csv", vehicle=DEFAULT_VEHICLE, toml=False)
    assert "Odd thing" in text
    assert "engine_speed" in text
    assert '"RPM" = "engine_speed"' in explain(
        path, name="log.csv", vehicle=DEFAULT_VEHICLE, toml=True
    )


def test_a_pressure_sensor_whose_wire_reads_nothing_stays_a_reading(tmp_path: Path) -> None:
    text = "Time (s),RPM,MAP (kPa)\n" + "\n".join(
        f"{i * 0.1:.1f},9{i % 90:02d},{33 + i % 60 if i < 100 else 0}" for i in range(400)
    )
    got = column(read(tmp_path, text), "manifold_pressure")
    assert got[50] == 83.0
    assert got[300] == 0.0  # to be told as dead, not to be lost with the whole column
