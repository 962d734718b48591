"""Outputs that somebody edited or deleted are noticed and made again, to the same bytes."""

import os
from pathlib import Path

import msgspec
import pytest

from pipeline import cli
from pipeline.judging import fuel_table_csv
from pipeline.results import Check, FuelPoint
from pipeline.store import digest
from tests.spine.helpers import run, tree

FIRST = "2026-05-01-1800-first"
SECOND = "2026-05-02-1800-second"
THIRD = "2026-05-03-1800-third"


@pytest.mark.parametrize(
    ("name", "how"),
    [
        (f"sessions/{FIRST}.html", "edited"),
        (f"sessions/{SECOND}.html", "deleted"),
        (f"data/sessions/{SECOND}/analysis.json", "edited"),
        (f"data/sessions/{SECOND}/results.json", "deleted"),
        (f"data/sessions/{THIRD}/samples.parquet", "edited"),
        (f"data/sessions/{THIRD}/samples.parquet", "deleted"),
        (f"data/sessions/{THIRD}/figures.json", "deleted"),
        ("data/ingest.json", "edited"),
        ("data/history.json", "edited"),
        ("data/metrics.parquet", "deleted"),
        ("data/state.json", "edited"),
        ("index.html", "deleted"),
    ],
)
def test_a_touched_output_is_made_again(logs: Path, out: Path, name: str, how: str) -> None:
    wanted = tree(out)
    if how == "edited":
        (out / name).write_bytes((out / name).read_bytes()[:-1] + b"X")
    else:
        (out / name).unlink()
    done = run(logs, out)
    assert done.returncode == 0, done.stderr
    assert tree(out) == wanted


def test_a_check_s_minutes_are_one_text_made_or_read_back() -> None:
    made = Check(text="look", tool="none", engine="off_cold", minutes=15)
    raw = msgspec.json.encode(made)
    assert msgspec.json.encode(msgspec.json.decode(raw, type=Check)) == raw


@pytest.mark.parametrize(("gone", "starts"), [(True, 0), (False, 1)])
def test_a_run_that_only_drops_a_log_loads_nothing_to_read_with(
    logs: Path, out: Path, gone: bool, starts: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A worker's libraries are a second of CPU; a log that was touched needs them."""
    loaded: list[object] = []
    monkeypatch.setattr("pipeline.pool.Pool.warm", lambda _, load: loaded.append(load))
    last = sorted(logs.glob("*.csv"))[-1]
    last.unlink() if gone else os.utime(last)
    arguments = ["run", os.fspath(logs), "--out", os.fspath(out), "--jobs", "1"]
    assert cli.main(arguments) == cli.DONE
    assert len(loaded) == starts
    assert len(list((out / "data/sessions").iterdir())) == 3 - gone


def test_no_two_lists_of_parts_hash_alike() -> None:
    parts = [("ab", "c"), ("a", "bc"), ("abc",), ("abc", ""), ("", "abc")]
    assert len({digest(*some) for some in parts}) == len(parts)
    assert digest("ü") == digest("ü".encode())


def test_the_table_of_corrections_opens_in_a_spreadsheet_as_text() -> None:
    points = [
        FuelPoint(1500.0, 40.0, 3.25, 1.0, 5.5, 3.25, 0.1 + 0.2, 12.0, "change", "so, then"),
        FuelPoint(2000.0, 60.0, None, None, None, None, None, 0.0, "unknown", "=1+1"),
    ]
    head, first, second = fuel_table_csv(points).decode("utf-8").splitlines()
    assert head == ",".join(FuelPoint.__struct_fields__)
    assert first == '1500,40,3.25,1,5.5,3.25,0.3,12,change,"so, then"'
    assert second == "2000,60,,,,,,0,unknown,'=1+1"
