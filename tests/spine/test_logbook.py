"""The logbook and the command that adds to it."""

import datetime as dt
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.logbook import parse_logbook
from pipeline.notes import NoteError, add_note
from pipeline.vehicle import VehicleError

WHOLE = b"""
[[entry]]
date = 2026-05-03T18:20:00
kind = "repair"
text = "manifold gasket renewed"
touched = ["exhaust"]
table = "3"
calibration = "b"
recheck = { heat_cycles = 3, hours = 5, km = 200, text = "torque" }

[[entry]]
date = 2026-05-01
text = "fuel filled"

[[entry]]
date = 2026-05-02
kind = "check"
text = "timing by light"
item = "base_timing"
value = 10.5
unit = "deg"
"""
NOW = dt.datetime(2026, 5, 4, 12, 30, 15)


def test_every_key_is_taken_and_entries_are_in_order_of_time() -> None:
    book = parse_logbook(WHOLE)
    assert [e.when for e in book.entry] == [
        "2026-05-01T00:00:00",
        "2026-05-02T00:00:00",
        "2026-05-03T18:20:00",
    ]
    assert book.entry[2].recheck is not None
    assert book.entry[2].recheck.km == 200


@pytest.mark.parametrize(
    ("text", "line", "says"),
    [
        (b'[[entry]]\ndate = 2026-05-01\ntext = "a"\nkin = "x"', 4, "did you mean 'kind'"),
        (b'[[entry]]\ntext = "a"', 1, "date"),
        (b'[[entry]]\ndate = 2026-05-01\ntext = "a"\nkind = "magic"', 4, "one of repair, part"),
        (
            b'[[entry]]\ndate = 2026-05-01\ntext="a"\n[[entry]]\ndate = "soon"\ntext="b"',
            5,
            "not a date: write date = 2026-05-03",
        ),
        (b"entries = 3", 1, "did you mean 'entry'"),
        (b"entry = 3", 1, "[[entry]]"),
    ],
)
def test_a_mistake_is_one_line_with_its_place(text: bytes, line: int, says: str) -> None:
    with pytest.raises(VehicleError) as caught:
        parse_logbook(text)
    assert says in str(caught.value)
    assert caught.value.line == line


def test_a_note_is_added_and_what_stood_there_stays(tmp_path: Path) -> None:
    book = tmp_path / "logbook.toml"
    book.write_bytes(WHOLE.rstrip(b"\n"))
    add_note(tmp_path, 'plug "2" swapped', {"kind": "part", "table": "4"}, NOW)
    text = book.read_bytes()
    assert text.startswith(WHOLE.rstrip(b"\n"))
    entry = parse_logbook(text).entry[-1]
    assert (entry.text, entry.kind, entry.table) == ('plug "2" swapped', "part", "4")
    assert entry.when == "2026-05-04T12:30:15"


def test_a_check_keeps_its_number(tmp_path: Path) -> None:
    add_note(tmp_path, "by light", {"item": "base_timing", "value": "10,5", "unit": "deg"}, NOW)
    entry = parse_logbook((tmp_path / "logbook.toml").read_bytes()).entry[0]
    assert (entry.kind, entry.value, entry.unit) == ("check", 10.5, "deg")


@pytest.mark.parametrize(
    ("given_", "says"),
    [({"kind": "magic"}, "unknown"), ({"date": "yesterday"}, "not a date")],
)
def test_a_wrong_note_changes_nothing(tmp_path: Path, given_: dict[str, str], says: str) -> None:
    (tmp_path / "logbook.toml").write_bytes(WHOLE)
    with pytest.raises(NoteError, match=says):
        add_note(tmp_path, "x", given_, NOW)
    assert (tmp_path / "logbook.toml").read_bytes() == WHOLE


def test_a_wrong_logbook_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "logbook.toml").write_bytes(b"[[entry]\n")
    with pytest.raises(NoteError, match=r"logbook\.toml:1"):
        add_note(tmp_path, "x", {}, NOW)


@settings(max_examples=100, deadline=None)
@given(st.text(max_size=60))
def test_any_text_comes_back_as_it_was(tmp_path_factory: pytest.TempPathFactory, text: str) -> None:
    folder = tmp_path_factory.mktemp("note")
    try:
        add_note(folder, text, {}, NOW)
    except NoteError:
        return
    assert parse_logbook((folder / "logbook.toml").read_bytes()).entry[0].text == text


def test_an_empty_note_is_refused(tmp_path: Path) -> None:
    with pytest.raises(NoteError, match="empty"):
        add_note(tmp_path, "  ", {})
    assert not (tmp_path / "logbook.toml").exists()


def test_a_date_in_quotes_is_a_date() -> None:
    day, moment = parse_logbook(
        b'[[entry]]\ndate = "2026-05-03"\ntext = "a"\n'
        b'[[entry]]\ndate = "2026-05-03 18:20"\ntext = "b"\n'
    ).entry
    assert (day.when, moment.when) == ("2026-05-03T00:00:00", "2026-05-03T18:20:00")
