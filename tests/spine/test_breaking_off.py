"""What nobody foresaw stops one log or one page with a message, never the batch."""

import json
import os
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pipeline import cli, stages
from pipeline.document import encode_compact
from pipeline.vehicle import DEFAULT_VEHICLE
from tests.spine.helpers import program, run


def test_a_name_that_is_no_text_is_spelt_out_and_the_log_read(logs: Path, tmp_path: Path) -> None:
    logged = sorted(logs.glob("*.csv"))
    odd = os.path.join(os.fsencode(logs), b"night\xff.csv")  # noqa: PTH118
    os.rename(logged[0], odd)  # noqa: PTH104
    for path in logged[1:]:
        path.unlink()
    done = run(logs, tmp_path / "out")
    assert done.returncode == 0, done.stderr
    (entry,) = json.loads((tmp_path / "out/data/ingest.json").read_text())["files"]
    assert entry["status"] == "read"
    assert entry["file"] == "night\\xff.csv"
    (document,) = (tmp_path / "out/data/sessions").glob("*/analysis.json")
    assert json.loads(document.read_text())["source"]["file"] == entry["file"]


def task_for(tmp_path: Path) -> stages.LogTask:
    log = tmp_path / "a.csv"
    log.write_text("Time (s),Engine Speed (rpm)\n0,800\n", encoding="utf-8")
    return stages.LogTask(out=tmp_path / "out", file="a.csv", path=log, id="a", mtime_ns=0,
                          vehicle=DEFAULT_VEHICLE, code="")  # fmt: skip


def test_a_log_that_breaks_the_program_is_set_aside(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: Any, **__: Any) -> Any:
        raise ZeroDivisionError("unforeseen")

    monkeypatch.setattr("pipeline.ingest.read_log", broken)
    done = stages.read_and_analyse(task_for(tmp_path))
    assert done.record is not None
    assert done.record["status"] == "set_aside"
    assert "ZeroDivisionError" in done.record["reason"]
    assert done.record["bytes"] == (tmp_path / "a.csv").stat().st_size
    ((line, what, cure),) = done.messages
    assert line == 1
    assert what == done.record["reason"]
    assert "report" in cure
    assert not done.sessions


def test_a_page_that_breaks_off_leaves_a_stand_in(
    out: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: Any, **__: Any) -> str:
        raise ZeroDivisionError("unforeseen")

    monkeypatch.setattr("pipeline.report.session_page.session_page", broken)
    session = sorted(p.name for p in (out / "data/sessions").iterdir())[0]
    done = stages.draw_page(stages.PageTask(out=out, session=session, stamp_ns=0, units="metric"))
    assert done.broke == "ZeroDivisionError"
    page = (out / done.name).read_text(encoding="utf-8")
    assert "could not be drawn" in page
    assert f"{session}/analysis.json" in page


def test_the_command_ends_with_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def broken(*_: Any, **__: Any) -> Any:
        raise ZeroDivisionError("un\nforeseen")

    monkeypatch.setattr("pipeline.inputs.find_inputs", broken)
    arguments = ["run", os.fspath(tmp_path), "--out", os.fspath(tmp_path / "out")]
    assert cli.main(arguments) == cli.NOTHING
    (line,) = capsys.readouterr().err.splitlines()
    assert "ZeroDivisionError" in line
    monkeypatch.setenv("SPARKLEDGER_TRACEBACK", "1")
    with pytest.raises(ZeroDivisionError):
        cli.main(arguments)


def test_a_stand_in_is_told_in_every_later_run(logs: Path, out: Path) -> None:
    """The state remembers which pages are stand-ins, so the message comes again."""
    state = json.loads((out / "data/state.json").read_text())
    assert {note["page_broke"] for note in state["sessions"].values()} == {""}
    session = sorted(state["sessions"])[0]
    state["sessions"][session]["page_broke"] = "ZeroDivisionError"
    (out / "data/state.json").write_text(json.dumps(state))
    (logs / "a.note").write_text("anything new")
    done = program("run", logs, "--out", out, "--strict")
    assert f"the page of session {session} could not be drawn" in done.stderr
    assert done.returncode == 1


def test_a_number_of_numpy_s_is_a_number_in_a_file() -> None:
    assert encode_compact({"a": np.float64(1.5), "b": [np.int64(2)]}) == b'{"a":1.5,"b":[2]}\n'
    with pytest.raises(NotImplementedError):
        encode_compact({"a": object()})
