"""Logs written without sight of the reader, each with its truth.

How they were made: the writer had the contract, the reference of units and names and the list of
what a reader must take, but neither the reader's code nor its tests. All files and their truths
were written and frozen first, then run once through the whole program. Of 57 files 39 passed that
first time. In three of the 18 others the reading was right and the check wrong (``tab`` as the
separator's name, which the contract leaves open; an unmapped column whose channel is empty, not
null). The other 15 were faults of the reader, mended since: a point that groups thousands beside
decimal commas was taken for a decimal one (``1.159`` rpm, silently); ``g/s`` ended in the unit
``s``; an escaped back slash stayed two; a clock named in one word (``unixtime``) or ``Timer`` was
none; fuel-air and air-fuel equivalence ratio were one; Hz was no unit of an engine speed; symbols
before names (``p_oil``), a filtered column alone, and some names were not known. Since then these
files hold what was mended; they are unseen no more.
"""

from pathlib import Path

import numpy as np
import pytest

from pipeline.channels import CHANNELS
from pipeline.ingest import Reading, read_log, resolve_start
from pipeline.vehicle import DEFAULT_VEHICLE, parse_vehicle
from tests.ingest.unseen.clock_logs import clock_logs
from tests.ingest.unseen.drive import TOLERANCE, USUAL_TOLERANCE, Log, Session
from tests.ingest.unseen.layout_logs import layout_logs
from tests.ingest.unseen.text_logs import text_logs
from tests.ingest.unseen.unit_logs import unit_logs

LOGS = [*text_logs(), *layout_logs(), *clock_logs(), *unit_logs()]
COARSEST_STEP_S = 0.26
"""Half of what a wrongly spread or shifted stamp would miss by in the slowest of these logs."""


def reading_of(log: Log, folder: Path) -> Reading:
    path = folder / log.name
    path.write_bytes(log.data)
    vehicle = DEFAULT_VEHICLE
    if log.vehicle is not None:
        vehicle = parse_vehicle(log.vehicle.encode(), channel_names=CHANNELS)
    return read_log(path, vehicle=vehicle)


@pytest.mark.parametrize("log", LOGS, ids=lambda log: log.name)
def test_is_read_as_a_careful_person_would(log: Log, tmp_path: Path) -> None:
    found = reading_of(log, tmp_path)
    if log.refused is not None:
        assert found.status == "set_aside"
        assert log.refused in found.reason
        return
    assert found.rows_dropped == log.dropped
    assert found.rows_read == sum(len(session.time) for session in log.sessions)
    columns = {c.column: c for c in reversed(found.columns)}
    for header, channel in log.mapping.items():
        allowed = {channel or ""} | ({""} if channel in log.either else set())
        assert columns[header].channel in allowed, (header, columns[header].why)
    for key, value in log.dialect.items():
        assert getattr(found.dialect, key) == value
    assert len(found.sessions) == len(log.sessions)
    for raw, truth in zip(found.sessions, log.sessions, strict=True):
        compare(raw.frame, truth, log.either)
    if log.start is not None:
        assert resolve_start(found.sessions[0], log.name, 0)[0].startswith(log.start)
    for second, words in log.markers:
        assert any(words in t and abs(s - second) < 0.25 for s, t in found.sessions[0].markers)


def compare(frame, truth: Session, either: frozenset[str]) -> None:  # type: ignore[no-untyped-def]
    time = frame["time"].to_numpy()
    assert len(time) == len(truth.time)
    assert np.all(np.diff(time) > 0)
    assert np.abs(time - truth.time).max() < COARSEST_STEP_S
    for channel, want in truth.channels.items():
        if channel in either and channel not in frame.columns:
            continue
        got = frame[channel].fill_null(np.nan).to_numpy()
        assert not np.any(np.isnan(got) & ~np.isnan(want)), f"{channel}: values lost"
        assert not np.any(np.isnan(want) & ~np.isnan(got)) or truth.held, f"{channel}: made up"
        both = ~np.isnan(want)
        error = np.abs(got - want)[both]
        assert error.max() <= TOLERANCE.get(channel, USUAL_TOLERANCE), channel
    for name, texts in truth.texts.items():
        assert [cell or "" for cell in frame[name].to_list()] == texts
