"""What lies below LOGS: listing, refusals, ids, nearest vehicle file."""

import os
import socket
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.inputs import file_ids, find_inputs, is_candidate, printable, vehicle_ids


def listed(logs: Path, out: Path | None = None) -> dict[str, str]:
    return {f.file: f.refused for f in find_inputs(logs, out or logs / "reports")}


def test_everything_is_listed_and_only_files_are_opened(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text("x")
    (tmp_path / "x.csv").mkdir()
    (tmp_path / "x.csv" / "b.csv").write_text("y")
    os.mkfifo(tmp_path / "pipe.csv")
    (tmp_path / "loop").symlink_to(tmp_path)
    (tmp_path / "gone.csv").symlink_to(tmp_path / "nowhere")
    with socket.socket(socket.AF_UNIX) as server:
        server.bind(os.fspath(tmp_path / "sock"))
    (tmp_path / ".hidden.csv").write_text("z")
    (tmp_path / "vehicle.toml").write_text("")
    (tmp_path / "logbook.toml").write_text("")
    (tmp_path / "reports").mkdir()
    (tmp_path / "reports" / "r.csv").write_text("r")
    found = listed(tmp_path)
    assert sorted(found) == [
        "a.csv", "gone.csv", "loop", "pipe.csv", "sock", "x.csv", "x.csv/b.csv",
    ]  # fmt: skip
    assert found["a.csv"] == found["x.csv/b.csv"] == ""
    assert "pipe" in found["pipe.csv"]
    assert "link" in found["loop"]
    assert "link" in found["gone.csv"]
    assert "socket" in found["sock"]
    assert "folder" in found["x.csv"]


def test_deep_folders_end_somewhere(tmp_path: Path) -> None:
    deep = tmp_path
    for _ in range(60):
        deep = deep / "d"
    deep.mkdir(parents=True)
    (deep / "a.csv").write_text("x")
    assert any("nested deeper" in why for why in listed(tmp_path).values())


def test_the_nearest_vehicle_file_counts(tmp_path: Path) -> None:
    (tmp_path / "one" / "two").mkdir(parents=True)
    for place in (".", "one"):
        (tmp_path / place / "vehicle.toml").write_text("")
    for place in (".", "one", "one/two"):
        (tmp_path / place / "a.csv").write_text("x")
    nearest = {f.file: f.vehicle for f in find_inputs(tmp_path, tmp_path / "o")}
    assert nearest == {
        "a.csv": "vehicle.toml",
        "one/a.csv": "one/vehicle.toml",
        "one/two/a.csv": "one/vehicle.toml",
    }


@pytest.mark.parametrize(
    ("name", "wanted"),
    [
        ("Drive 1.csv", "drive-1"),
        ("a/Müller Fahrt (2).csv.gz", "muller-fahrt-2"),
        ("2026-05-03 18.20 Cold START.CSV", "2026-05-03-18-20-cold-start"),
        ("03.05.2026.log", "03-05-2026"),
        ("日誌.csv", "log"),
        ("!!!.csv", "log"),
        ("x" * 200 + ".csv", "x" * 80),
        ("run.asc", "run"),
        ("no extension", "no-extension"),
    ],
)
def test_ids_are_made_as_the_contract_says(name: str, wanted: str) -> None:
    assert file_ids([name]) == {name: wanted}


def test_files_that_would_share_an_id_all_get_digits() -> None:
    ids = file_ids(["a/x.csv", "b/X.log", "c/y.csv"])
    assert ids["c/y.csv"] == "y"
    assert ids["a/x.csv"] != ids["b/X.log"]
    assert all(len(ids[f]) == len("x-012345") for f in ("a/x.csv", "b/X.log"))


def test_a_picture_beside_a_log_does_not_change_its_id(tmp_path: Path) -> None:
    for name in ("run.csv", "run.jpg"):
        (tmp_path / name).write_text("x")
    files = find_inputs(tmp_path, tmp_path / "o")
    assert [f.file for f in files if is_candidate(f)] == ["run.csv"]


def test_vehicle_ids_come_from_their_folders() -> None:
    ids = vehicle_ids(["vehicle.toml", "Red Car/vehicle.toml"])
    assert ids == {"vehicle.toml": "vehicle", "Red Car/vehicle.toml": "red-car"}
    assert vehicle_ids([None]) == {None: "vehicle"}


@settings(max_examples=200, deadline=None)
@given(st.lists(st.text(min_size=1, max_size=30), min_size=1, max_size=8, unique=True))
def test_ids_are_unique_and_plain(names: list[str]) -> None:
    ids = file_ids(names)
    assert len(set(ids.values())) == len(names)
    for value in ids.values():
        assert value
        assert value[0].isalnum()
        assert set(value) <= set("abcdefghijklmnopqrstuvwxyz0123456789-")
        assert "--" not in value


@settings(max_examples=100, deadline=None)
@given(st.text(max_size=40))
def test_a_printable_name_is_one_line(name: str) -> None:
    assert printable(name).isprintable()
