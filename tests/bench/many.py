"""A thousand sessions: ``python -m tests.bench.many [--few 50] [--many 1000]``.

Writes logs of 5 minutes (25 Hz), reports on the first few, then on all of them in a new folder,
then adds one more, five times: medians of the run with it over the run of it alone. Shows time per
session, the peak memory of the parent and of its workers, the size of the index and, where a
browser is there, how long it takes to open. Then one log as long
as is read at all, by itself: ``--longest`` does that alone.
"""

import argparse
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import polars as pl

from fixtures.cars import draw_car
from fixtures.drives import mixed_drive
from fixtures.simulate import simulate
from pipeline.limits import Limits
from tests.bench._guide import write_table
from tests.bench.week import write_week
from tests.report.browser import find_browser

ROOT = Path(__file__).parents[2]
NEW = 5
"""Logs added one by one: a lone run of two seconds swings by a fifth from run to run."""

DRIVES = 20
"""Drives simulated; the others repeat them with another noise on every channel's last digit."""

TARGETS = {
    "time per session, many / few": 1.2,
    "parent, peak MB": 300.0,
    "worker, peak MB": 500.0,
    "one new beside many / alone": 1.5,
    "index, MB": 2.0,
    "index opens, s": 1.0,
    "a log of max_rows, peak MB": 1500.0,
}


def write_logs(folder: Path, count: int) -> Iterator[Path]:
    """Write logs of one invented car, an hour apart."""
    folder.mkdir(parents=True, exist_ok=True)
    car, frames = draw_car(3), []
    for number in range(min(DRIVES, count)):
        run = simulate(car, mixed_drive(seed=number, minutes=5, rate_hz=25), seed=number)
        frames.append(run.frame)
        (folder / "vehicle.toml").write_text(run.vehicle_toml, encoding="utf-8")
    for number in range(count):
        frame = frames[number % len(frames)]
        draw = np.random.default_rng(number)
        aux = np.round(np.cumsum(draw.normal(0, 0.3, frame.height)), 2)
        day, hour = divmod(number, 24)
        month, day = divmod(day, 28)
        path = folder / f"2026-{month + 1:02d}-{day + 1:02d} {hour:02d}00 drive.csv"
        frame.with_columns(pl.Series("Aux", aux)).write_csv(path)
        yield path


def write_longest(folder: Path) -> None:
    """Write one log of all the rows that are read, 40 columns: an hour again and again."""
    hour = folder / "hour"
    write_week(hour, count=1)
    (source,) = hour.glob("*.csv")
    frame = pl.read_csv(source)
    clock = frame.columns[0]
    span = float(frame[clock][-1]) + 0.04
    left = Limits().max_rows
    with (folder / source.name).open("w", encoding="utf-8") as log:
        for turn in range(left // frame.height + 1):
            part = frame.head(min(frame.height, left - turn * frame.height))
            part = part.with_columns((pl.col(clock) + turn * span).round(2))
            log.write(part.write_csv(include_header=turn == 0))
    (hour / "vehicle.toml").rename(folder / "vehicle.toml")
    shutil.rmtree(hour)


def run(logs: Path, out: Path) -> tuple[float, float, float]:
    """Wall seconds of one run, and the peak MB of its parent and of its largest worker."""
    command = [sys.executable, "-m", "pipeline.cli", "run", str(logs), "--out", str(out)]
    begin = time.perf_counter()
    process = subprocess.Popen(command, cwd=ROOT, stdout=subprocess.DEVNULL,
                               stderr=subprocess.DEVNULL)  # fmt: skip
    peaks: dict[int, float] = {}
    done = threading.Event()

    def watch() -> None:
        while not done.wait(0.2):
            for pid in _family(process.pid):
                peaks[pid] = max(peaks.get(pid, 0.0), _peak_megabytes(pid))

    watcher = threading.Thread(target=watch)
    watcher.start()
    status = process.wait()
    wall = time.perf_counter() - begin
    done.set()
    watcher.join()
    if status:
        raise SystemExit(f"the run ended with status {status}")
    parent = peaks.pop(process.pid, 0.0)
    return wall, parent, max(peaks.values(), default=0.0)


def _family(pid: int) -> list[int]:
    try:
        text = Path(f"/proc/{pid}/task/{pid}/children").read_text(encoding="ascii")
    except OSError:
        return [pid]
    return [pid, *(int(child) for child in text.split())]


def _peak_megabytes(pid: int) -> float:
    try:
        for line in Path(f"/proc/{pid}/status").read_text(encoding="ascii").splitlines():
            if line.startswith("VmHWM"):
                return int(line.split()[1]) / 1024
    except OSError:
        pass
    return 0.0


def opening_seconds(page: Path) -> float | None:
    """Seconds until the browser has loaded the page, None without a browser."""
    try:
        from playwright.sync_api import Error, sync_playwright
    except ImportError:
        return None
    try:
        with sync_playwright() as browsers:
            browser = browsers.chromium.launch(executable_path=find_browser(),
                                               args=["--no-sandbox"])  # fmt: skip
            tab = browser.new_page()
            tab.goto("about:blank")
            begin = time.perf_counter()
            tab.goto(page.as_uri(), wait_until="load")
            seconds = time.perf_counter() - begin
            browser.close()
    except Error:
        return None
    return seconds


def measure(work: Path, few: int, many: int) -> dict[str, float]:
    """All figures of one comparison."""
    logs, first = work / "logs", work / "first"
    lone = [work / f"lone-{number}" for number in range(NEW)]
    for folder in (first, *lone):
        folder.mkdir()
    for number, path in enumerate(write_logs(logs, many + NEW)):
        if number < few:
            os.link(path, first / path.name)
        if number >= many:
            path.rename(lone[number - many] / path.name)
    for folder in (first, *lone):
        os.link(logs / "vehicle.toml", folder / "vehicle.toml")
    short, _, _ = run(first, work / "first-out")
    out = work / "out"
    whole, parent, worker = run(logs, out)
    alone, added = [], []
    for number, folder in enumerate(lone):
        alone.append(run(folder, work / f"lone-out-{number}")[0])
        for path in folder.glob("*.csv"):
            os.link(path, logs / path.name)
        added.append(run(logs, out)[0])
    figures = {
        f"time per session at {few}, s": short / few,
        f"time per session at {many}, s": whole / many,
        "time per session, many / few": whole / many / (short / few),
        "parent, peak MB": parent,
        "worker, peak MB": worker,
        "one log alone, s": statistics.median(alone),
        "one new beside many, s": statistics.median(added),
        "one new beside many / alone": statistics.median(added) / statistics.median(alone),
        "index, MB": (out / "index.html").stat().st_size / 1e6,
    }
    opened = opening_seconds(out / "index.html")
    if opened is not None:
        figures["index opens, s"] = opened
    return figures


def measure_longest(work: Path) -> dict[str, float]:
    """Peak memory and time of one log of ``max_rows``."""
    logs = work / "longest"
    logs.mkdir()
    write_longest(logs)
    wall, parent, worker = run(logs, work / "longest-out")
    return {"a log of max_rows, peak MB": max(parent, worker), "a log of max_rows, s": wall}


def main() -> int:
    """Print the figures; 1 where a target is missed."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--few", type=int, default=50)
    parser.add_argument("--many", type=int, default=1000)
    parser.add_argument("--write", action="store_true", help="the table into DEVELOPERS.md")
    parser.add_argument("--longest", action="store_true", help="only the log of max_rows")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        figures = {} if options.longest else measure(Path(name), options.few, options.many)
        figures |= measure_longest(Path(name))
    missed = 0
    for what, value in figures.items():
        limit = TARGETS.get(what)
        bad = limit is not None and value > limit
        missed += bad
        note = "" if limit is None else f"  (at most {limit:g}){' MISSED' if bad else ''}"
        print(f"{what:<36} {value:9.3f}{note}")
    if options.write:
        rows = [(k, f"{v:.2f}", f"{TARGETS[k]:g}" if k in TARGETS else "")
                for k, v in figures.items()]  # fmt: skip
        write_table("many", rows)
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
