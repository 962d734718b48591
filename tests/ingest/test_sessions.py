"""Sessions cut from one file: each gets what is its own, on the clock that tells most."""

from pathlib import Path

import numpy as np
import pytest

from pipeline.ingest import Reading, read_log
from pipeline.vehicle import DEFAULT_VEHICLE


def read(tmp_path: Path, lines: list[str]) -> Reading:
    path = tmp_path / "log.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return read_log(path, vehicle=DEFAULT_VEHICLE)


def clock(second: float) -> str:
    minutes, seconds = divmod(second % 86400.0, 60.0)
    return f"{int(minutes // 60):02d}:{int(minutes % 60):02d}:{seconds:04.1f}"


def rows(begin: float, coolant: str = "88") -> list[str]:
    return [f"{begin + 0.1 * i:.1f},{2000 + i},{coolant}" for i in range(40)]


def test_what_was_rejected_and_marked_belongs_to_its_session(tmp_path: Path) -> None:
    first, second = rows(0.0), rows(200.0)
    first[5], second[6], second[7] = "0.5,2005,broken", "200.6,2006,900", "200.7,2007,901"
    first.insert(20, "MARK,oil smell,")
    found = read(tmp_path, ["Time (s),RPM,Coolant Temp (degC)", *first, *second]).sessions
    rejected = [session.channels["coolant_temperature"].rejected for session in found]
    assert rejected == [{"unreadable": 1}, {"out_of_range": 2}]
    assert [len(session.markers) for session in found] == [1, 0]


def test_the_finest_clock_tells_the_time_and_the_other_the_day(tmp_path: Path) -> None:
    fine = np.cumsum(np.tile([0.05, 0.15], 30))
    lines = [f"{clock(36000.0 + np.floor(t))},{t:.2f},{2000 + i}" for i, t in enumerate(fine)]
    (session,) = read(tmp_path, ["Clock,Elapsed (s),RPM", *lines]).sessions
    assert session.frame["time"].to_numpy() == pytest.approx(fine - fine[0], abs=1e-6)
    assert session.clock.kind == "time"
    assert session.clock.time_of_day_s == pytest.approx(36000.0, abs=1.0)  # its own tick


def test_a_clock_that_runs_apart_from_the_finest_one_tells_no_day(tmp_path: Path) -> None:
    lines = [f"{clock(36000.0 + np.floor(0.5 * i))},{0.1 * i:.1f},{2000 + i}" for i in range(60)]
    (session,) = read(tmp_path, ["Clock,Elapsed (s),RPM", *lines]).sessions
    assert session.frame["time"][-1] == pytest.approx(5.9)
    assert session.clock.kind == "elapsed"


def test_a_header_repeated_across_midnight_tells_its_gap(tmp_path: Path) -> None:
    def part(begin: float) -> list[str]:
        return ["Clock,RPM", *(f"{clock(begin + 0.1 * i)},{2000 + i}" for i in range(40))]

    _, later = read(tmp_path, [*part(86380.0), *part(86400.0 + 10.0)]).sessions
    assert later.continues is not None
    assert later.continues.reason == "header_repeated"
    assert later.continues.gap_s == pytest.approx(30.0 - 3.9)


def test_a_header_repeated_with_another_kind_of_clock_tells_no_gap(tmp_path: Path) -> None:
    first = [f"{0.1 * i:.1f},{2000 + i}" for i in range(40)]
    second = [f"{clock(36000.0 + 0.1 * i)},{2000 + i}" for i in range(40)]
    day = [f"2026-05-01 {cells}" for cells in second]
    for lines in (second, day):
        _, later = read(tmp_path, ["Time (s),RPM", *first, "Clock,RPM", *lines]).sessions
        assert later.continues is not None
        assert (later.continues.reason, later.continues.gap_s) == ("header_repeated", None)


@pytest.mark.parametrize(("begin", "kind"), [(0.4, "elapsed"), (40.0, "time")])
def test_a_clock_that_begins_at_midnight_counts_from_the_start(
    tmp_path: Path, begin: float, kind: str
) -> None:
    lines = [f"{clock(begin + 0.1 * i)},{2000 + i}" for i in range(40)]
    (session,) = read(tmp_path, ["Clock,RPM", *lines]).sessions
    assert session.clock.kind == kind
