"""A run from outside: same bytes, what is reused, what is noticed, exit status, messages."""

import json
import os
import shutil
from pathlib import Path

import jsonschema
import msgspec
import pyarrow.parquet as pq
import pytest

from pipeline.batch import vehicle_keys
from pipeline.channels import CHANNELS
from pipeline.document import Document, Figures
from pipeline.history import History
from pipeline.vehicle import parse_vehicle
from tests.spine.conftest import make_log
from tests.spine.helpers import ROOT, program, run, stamps, tree, written

FIRST = "2026-05-01-1800-first"
SECOND = "2026-05-02-1800-second"
THIRD = "2026-05-03-1800-third"


def schema(name: str) -> dict[str, object]:
    text = (ROOT / "pipeline" / "schemas" / name).read_text(encoding="utf-8")
    loaded: dict[str, object] = json.loads(text)
    return loaded


def keep_one(logs: Path) -> None:
    """Leave only the first log, where one shows as much as three."""
    for name in sorted(logs.glob("*.csv"))[1:]:
        name.unlink()


def test_every_file_of_the_contract_is_there_and_valid(out: Path) -> None:
    assert (out / "index.html").is_file()
    ingest = json.loads((out / "data" / "ingest.json").read_bytes())
    jsonschema.validate(ingest, schema("ingest.schema.json"))
    assert [f["status"] for f in ingest["files"]] == ["read"] * 3
    msgspec.json.decode((out / "data" / "history.json").read_bytes(), type=History)
    table = pq.read_table(out / "data" / "metrics.parquet")
    assert table.column_names == ["session_id", "start_time", "metric", "value", "unit", "low",
                                  "high", "analysis", "version"]  # fmt: skip
    assert table.num_rows > 20
    for name in (FIRST, SECOND, THIRD):
        folder = out / "data" / "sessions" / name
        raw = (folder / "analysis.json").read_bytes()
        jsonschema.validate(json.loads(raw), schema("analysis.schema.json"))
        document = msgspec.json.decode(raw, type=Document)
        assert document.session_id == name
        assert document.start_time_source == "name"
        assert {a.status for a in document.analyses} <= {"found", "clear", "not_judged"}
        msgspec.json.decode((folder / "figures.json").read_bytes(), type=Figures)
        samples = pq.read_schema(folder / "samples.parquet")
        assert samples.field("engine_speed").metadata[b"unit"] == b"rpm"
        about = json.loads(samples.metadata[b"sparkledger"])
        assert about
        assert (out / "sessions" / f"{name}.html").is_file()


def test_same_logs_same_bytes_with_one_worker_too(logs: Path, out: Path, tmp_path: Path) -> None:
    again = tmp_path / "again"
    done = program("run", logs, "--out", again, "--jobs", "1")
    assert done.returncode == 0, done.stderr
    assert tree(again) == tree(out)


def test_a_run_over_unchanged_logs_writes_nothing_and_loads_nothing(logs: Path, out: Path) -> None:
    before = stamps(out)
    done = program("run", logs, "--out", out, env={"PYTHONPROFILEIMPORTTIME": "1"})
    assert done.returncode == 0
    assert written(before, out) == set()
    loaded = {line.rsplit("|", 1)[-1].strip() for line in done.stderr.splitlines()}
    assert not loaded & {"numpy", "polars", "msgspec", "pyarrow", "scipy", "altair", "jinja2"}


def test_a_touched_log_is_not_read_again(logs: Path, out: Path) -> None:
    before = stamps(out)
    os.utime(logs / "2026-05-01 1800 first.csv")
    assert run(logs, out).returncode == 0
    assert not any(name.startswith("data/sessions/") for name in written(before, out))


def test_a_new_log_leaves_the_old_sessions_alone(logs: Path, out: Path) -> None:
    before = stamps(out)
    make_log(logs, 7, "2026-05-09 0700 fourth")
    assert run(logs, out).returncode == 0
    sessions = {n for n in written(before, out) if "sessions/" in n}
    assert sessions
    assert all("fourth" in name for name in sessions)


def test_a_late_older_log_changes_only_the_history_of_later_ones(logs: Path, out: Path) -> None:
    before = stamps(out)
    make_log(logs, 8, "2026-05-02 0700 between")
    assert run(logs, out).returncode == 0
    new = written(before, out)
    assert f"data/sessions/{THIRD}/analysis.json" in new
    assert f"data/sessions/{FIRST}/analysis.json" not in new
    assert not any(n.endswith("samples.parquet") and "between" not in n for n in new)
    document = json.loads((out / "data" / "sessions" / THIRD / "analysis.json").read_bytes())
    assert document["history"]["sessions"] == 3


def test_a_removed_log_disappears(logs: Path, out: Path) -> None:
    (logs / "2026-05-02 1800 second.csv").unlink()
    assert run(logs, out).returncode == 0
    assert not any("second" in name for name in tree(out))
    assert SECOND not in (out / "index.html").read_text(encoding="utf-8")


def test_new_limits_are_judged_without_reading_logs_again(logs: Path, out: Path) -> None:
    before = stamps(out)
    file = logs / "vehicle.toml"
    file.write_text(file.read_text().replace("[limits]", "[limits]\nlean_load_pct = 6"))
    assert run(logs, out).returncode == 0
    new = written(before, out)
    assert f"data/sessions/{FIRST}/analysis.json" in new
    assert not any(name.endswith("samples.parquet") for name in new)


def test_other_units_draw_pages_anew_and_nothing_else(logs: Path, out: Path) -> None:
    before = stamps(out)
    file = logs / "vehicle.toml"
    file.write_text('units = "us"\n' + file.read_text())
    assert run(logs, out).returncode == 0
    new = written(before, out)
    assert {f"sessions/{name}.html" for name in (FIRST, SECOND, THIRD)} <= new
    assert not any(name.startswith("data/sessions/") for name in new)


@pytest.mark.parametrize(
    ("line", "reads", "analyses"),
    [
        ('units = "us"', False, False),
        ("[limits]\nlean_load_pct = 6", False, True),
        ("[limits]\nmax_rows = 1000", True, True),
        ("[limits]\nsession_gap_s = 90", True, True),
        ("[vehicle]\nmass_kg = 1000", False, True),
        ("[site]\naltitude_m = 900", True, True),
        ('[channels]\n"AUX" = "ignore"', True, True),
        ("[lambda_sensor]\ndisplay_ratio = 14.6", True, True),
        ("[privacy]\nkeep_position = false", True, True),
        # Given, though to the default: a page names what was assumed.
        ("[vehicle]\nrolling_resistance = 0.013", False, True),
    ],
)
def test_a_setting_makes_stale_what_rests_on_it(line: str, reads: bool, analyses: bool) -> None:
    code = {"ingest": "1", "analyse": "2"}
    plain = vehicle_keys(code, parse_vehicle(b"", channel_names=CHANNELS))
    other = vehicle_keys(code, parse_vehicle(line.encode(), channel_names=CHANNELS))
    assert [a != b for a, b in zip(plain, other, strict=True)] == [reads, analyses]


def test_a_new_logbook_entry_reaches_only_what_comes_after(logs: Path, out: Path) -> None:
    before = stamps(out)
    assert (
        program("note", logs, "plugs renewed", "--kind", "part", "--date", "2026-05-03").returncode
        == 0
    )
    assert run(logs, out).returncode == 0
    new = written(before, out)
    assert f"data/sessions/{THIRD}/analysis.json" in new or f"sessions/{THIRD}.html" in new
    assert f"sessions/{FIRST}.html" not in new


def test_duplicates_are_read_once(logs: Path, tmp_path: Path) -> None:
    keep_one(logs)
    shutil.copy(logs / "2026-05-01 1800 first.csv", logs / "zz copy.csv")
    out = tmp_path / "pages"
    done = run(logs, out)
    assert done.returncode == 0
    assert "zz copy.csv:1: same content as 2026-05-01 1800 first.csv" in done.stderr
    record = {f["file"]: f for f in json.loads((out / "data/ingest.json").read_bytes())["files"]}
    assert record["zz copy.csv"]["status"] == "duplicate"
    assert not any("zz-copy" in name for name in tree(out))
    (logs / "2026-05-01 1800 first.csv").unlink()
    assert run(logs, out).returncode == 0
    assert any("zz-copy" in name for name in tree(out))


@pytest.mark.parametrize(
    ("file", "text"),
    [("vehicle.toml", "[engine]\ncylindres = 4\n"), ("logbook.toml", "[[entry]]\nkin = 1\n")],
)
def test_a_wrong_setting_stops_the_run_before_anything_is_written(
    logs: Path, tmp_path: Path, file: str, text: str
) -> None:
    (logs / file).write_text(text)
    done = run(logs, tmp_path / "pages")
    assert done.returncode == 2
    assert done.stderr.startswith(f"{file}:2: unknown key")
    assert len(done.stderr.splitlines()) == 1
    assert not (tmp_path / "pages").exists()


def test_nothing_to_report_is_exit_one_with_an_index(tmp_path: Path) -> None:
    (tmp_path / "logs").mkdir()
    (tmp_path / "logs" / "notes.txt").write_text("bought milk\n")
    done = run(tmp_path / "logs", tmp_path / "pages")
    assert done.returncode == 1
    assert "notes.txt:1: " in done.stderr
    assert (tmp_path / "pages" / "index.html").is_file()


def test_strict_tells_of_files_set_aside_again_and_again(logs: Path, out: Path) -> None:
    (logs / "notes.txt").write_text("bought milk\n")
    assert run(logs, out).returncode == 0
    for _ in range(2):
        done = run(logs, out, "--strict")
        assert done.returncode == 1
        assert "notes.txt:1: " in done.stderr


def test_out_inside_logs_is_skipped(logs: Path) -> None:
    keep_one(logs)
    assert run(logs, logs / "reports").returncode == 0
    wanted = tree(logs / "reports")
    assert run(logs, logs / "reports", "--force").returncode == 0
    assert tree(logs / "reports") == wanted


@pytest.mark.parametrize(
    "arguments",
    [
        ["run", "nowhere", "--out", "x"],
        ["run", ".", "--out", "."],
        ["run"],
        ["run", ".", "--out", "x", "--jobs", "0"],
        ["run", ".", "--out", "x", "--executor", "http://x"],
        ["run", ".", "--out", "x", "--vehicle", "nowhere.toml"],
        ["channels", "nowhere.csv"],
        ["frobnicate"],
    ],
)
def test_wrong_usage_is_exit_two(arguments: list[str], tmp_path: Path) -> None:
    done = program(*arguments, cwd=tmp_path)
    assert done.returncode == 2
    assert "Traceback" not in done.stderr
    assert not (tmp_path / "x").exists()


def test_every_page_names_the_sources_of_its_methods(out: Path) -> None:
    page = (out / "sessions" / f"{FIRST}.html").read_text(encoding="utf-8")
    assert "Sources" in page
    assert "Livengood-Wu" in page or "Douaud" in page
    assert "SAE 970613" in page
