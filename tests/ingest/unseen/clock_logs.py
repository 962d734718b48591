"""Unseen logs whose clock is awkward."""

import gzip
from datetime import datetime, timedelta

import numpy as np

from tests.ingest.unseen.drive import Log, Session, clock, column, drive, lines, of_day, one, text
from tests.ingest.unseen.text_logs import BASIC, basic

NAMES = ["RPM", "MAP (kPa)", "TP (%)", "ECT (°C)", "Lambda"]
MAPPING = dict(zip(NAMES, BASIC, strict=True))


def epoch_ms() -> Log:
    d = drive(seed=41)
    first = 1773335045250  # 2026-03-12T17:04:05.250 UTC
    cells = [[str(first + round(t * 1000)) for t in d["time"]], *basic(d)]
    body = text(lines(["unixtime", *NAMES], cells, "\t"))
    return Log(
        "upload.csv.gz",
        gzip.compress(body.encode(), mtime=0),
        [one(d, BASIC)],
        MAPPING,
        start="2026-03-12T17:04:05",
    )


def epoch_seconds() -> Log:
    d = drive(seed=42)
    cells = [column(1773335045 + d["time"], 3), *basic(d)]
    return Log(
        "epoch.csv",
        text(lines(["ts", *NAMES], cells)).encode(),
        [one(d, BASIC)],
        MAPPING,
        start="2026-03-12T17:04:05",
    )


def spreadsheet_serial() -> Log:
    d = drive(seed=43)
    # 46093 is 2026-03-12; 0.7 of a day is 16:48
    cells = [column(46093.7 + d["time"] / 86400, 9, ","), *basic(d, decimal=",")]
    return Log(
        "aus der Tabelle.csv",
        text(lines(["Datum/Uhrzeit", *NAMES], cells, ";"), "\r\n").encode("utf-8-sig"),
        [one(d, BASIC)],
        MAPPING,
        start="2026-03-12T16:48:00",
    )


def half_days_over_midnight() -> Log:
    d = drive(seed=44)
    first = datetime(2026, 3, 12, 23, 59, 50)
    stamps = [first + timedelta(seconds=float(t)) for t in d["time"]]
    day = [s.strftime("%Y-%m-%d") for s in stamps]
    hour = [
        s.strftime("%I:%M:%S.") + f"{s.microsecond // 1000:03d} " + s.strftime("%p") for s in stamps
    ]
    return Log(
        "late.csv",
        text(lines(["Date", "Time", *NAMES], [day, hour, *basic(d)])).encode(),
        [one(d, BASIC)],
        MAPPING,
        start="2026-03-12T23:59:50",
    )


def half_days_over_noon() -> Log:
    d = drive(seed=45)
    first = datetime(2026, 3, 12, 11, 59, 52)
    stamps = [first + timedelta(seconds=float(t)) for t in d["time"]]
    half = ["p.m." if s.hour > 11 else "a.m." for s in stamps]
    hour = [
        f"{s.hour % 12 or 12}:{s:%M:%S}.{s.microsecond // 100000} {h}"
        for s, h in zip(stamps, half, strict=True)
    ]
    return Log(
        "2026-03-12 noon.csv",
        text(lines(["Time of day", *NAMES], [hour, *basic(d)])).encode(),
        [one(d, BASIC)],
        MAPPING,
        start="2026-03-12T11:59:52",
    )


def date_and_time_apart() -> Log:
    d = drive(seed=46)
    day = ["25.11.2026"] * 200
    hour = clock(d["time"] + 50701.25, lambda s: of_day(s, 3, ","))
    cells = [day, hour, *basic(d, decimal=",")]
    return Log(
        "getrennt.csv",
        text(lines(["Datum", "Uhrzeit", *NAMES], cells, ";")).encode("cp1252"),
        [one(d, BASIC)],
        MAPPING,
        start="2026-11-25T14:05:01",
    )


def coarse_over_midnight() -> Log:
    d = drive(seed=47)
    hour = clock(np.floor(d["time"] + 86392.0), lambda s: of_day(s, 0))
    return Log(
        "12.03.2026 2359.log",
        text(lines(["Time", *NAMES], [hour, *basic(d)])).encode(),
        [one(d, BASIC)],
        MAPPING,
    )


def sixteen_bits() -> Log:
    d = drive(seed=48)
    ticks = (np.round(d["time"] * 1000).astype(int) + 61030) % 65536
    cells = [[str(t) for t in ticks], *basic(d)]
    return Log(
        "tick.csv", text(lines(["Timer (ms)", *NAMES], cells)).encode(), [one(d, BASIC)], MAPPING
    )


def thirty_two_bits() -> Log:
    d = drive(seed=49)
    ticks = (np.round(d["time"] * 1e6).astype(np.int64) + 2**32 - 9_400_000) % 2**32
    cells = [[str(t) for t in ticks], *basic(d)]
    return Log(
        "micro.csv", text(lines(["time_us", *NAMES], cells)).encode(), [one(d, BASIC)], MAPPING
    )


def rate_in_preamble() -> Log:
    d = drive(hz=20, seed=50)
    head = ["Logger memory dump", "Sample rate: 20 Hz", ""]
    return Log(
        "dump.csv",
        text(head + lines(NAMES, basic(d))).encode(),
        [one(d, BASIC)],
        MAPPING,
    )


def rate_in_vehicle_file() -> Log:
    d = drive(hz=8, seed=51)
    return Log(
        "stated.csv",
        text(lines(NAMES, basic(d))).encode(),
        [one(d, BASIC)],
        MAPPING,
        vehicle="[log]\nrate_hz = 8\n",
    )


def no_clock_no_rate() -> Log:
    d = drive(seed=52)
    return Log("timeless.csv", text(lines(NAMES, basic(d))).encode(), refused="rate_hz")


def gap_and_restart() -> Log:
    d = drive(seed=53)
    time = d["time"].copy()
    time[70:] += 75.0  # over a minute without a row
    time[130:] -= time[130]  # and the clock begins anew
    cells = [column(time, 2), *basic(d)]
    return Log(
        "three parts.csv",
        text(lines(["Time (s)", *NAMES], cells)).encode(),
        [one(d, BASIC, 0, 70), one(d, BASIC, 70, 130), one(d, BASIC, 130)],
        MAPPING,
    )


def small_steps_back() -> Log:
    d = drive(seed=54)
    time = d["time"].copy()
    time[90] -= 0.15
    time[150] = time[149]
    cells = [column(time, 2), *basic(d)]
    session = one(d, BASIC)
    return Log("jitter.csv", text(lines(["Time (s)", *NAMES], cells)).encode(), [session], MAPPING)


def run_seconds() -> Log:
    d = drive(hz=5, seed=55)
    cells = [[str(int(t) + 37) for t in d["time"]], *basic(d)]
    return Log(
        "runtime.csv",
        text(lines(["Engine run time (s)", *NAMES], cells)).encode(),
        [one(d, BASIC)],
        MAPPING,
    )


def only_what_changed() -> Log:
    d = drive(seed=56)
    rows, sparse = [], {c: np.full(200, np.nan) for c in BASIC}
    every = {"engine_speed": 1, "manifold_pressure": 1, "throttle_position": 2,
             "coolant_temperature": 10, "lambda": 3}  # fmt: skip
    full = dict(zip(BASIC, basic(d), strict=True))
    for i, t in enumerate(d["time"]):
        cells = [f"{t:.2f}"]
        for k, c in enumerate(BASIC):
            due = i % every[c] == 0 and i >= 3 * k  # channels arrive one by one
            cells.append(full[c][i] if due else "")
            if due:
                sparse[c][i] = d[c][i]
        rows.append(",".join(cells))
    return Log(
        "changes.csv",
        text([",".join(["Time (s)", *NAMES]), *rows]).encode(),
        [Session(d["time"], sparse, held=True)],
        MAPPING,
    )


def zone_and_letters() -> Log:
    d = drive(seed=57)
    first = datetime(2026, 3, 12, 8, 15, 30)
    stamps = [
        (first + timedelta(seconds=float(t))).isoformat(" ", "milliseconds") + "+01:00"
        for t in d["time"]
    ]
    cells = [*basic(d)[:2], stamps, *basic(d)[2:]]
    head = [*NAMES[:2], "logged at", *NAMES[2:]]
    return Log(
        "記録 3.csv",
        text(lines(head, cells, "|")).encode(),
        [one(d, BASIC)],
        MAPPING,
        start="2026-03-12T08:15:30",
    )


def clock_logs() -> list[Log]:
    """All of them."""
    made = [
        epoch_ms, epoch_seconds, spreadsheet_serial, half_days_over_midnight, half_days_over_noon,
        date_and_time_apart, coarse_over_midnight, sixteen_bits, thirty_two_bits, rate_in_preamble,
        rate_in_vehicle_file, no_clock_no_rate, gap_and_restart, small_steps_back, run_seconds,
        only_what_changed, zone_and_letters,
    ]  # fmt: skip
    return [make() for make in made]
