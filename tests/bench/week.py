"""The week beside bare polars: ``python -m tests.bench.week [--runs 5] [--logs FOLDER]``.

Writes 14 logs (1 h, 25 Hz, 40 columns, about 240 MB), then in turn, in one go: bare
``polars.scan_csv().sink_parquet()`` over the same files, and the whole program into an empty
folder, two workers. Medians of the ratios, and CPU seconds by stage.
"""

import argparse
import json
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from statistics import median

import numpy as np
import polars as pl

from fixtures.cars import draw_car
from fixtures.drives import mixed_drive
from fixtures.simulate import simulate
from tests.bench._guide import write_table

#: CPU s in 14 hours below which a stage is left out of the guide's table.
SHOWN_S = 0.14
ROOT = Path(__file__).parents[2]
COLUMNS = 40
BARE = """
import glob, polars as pl, sys
for path in sorted(glob.glob(sys.argv[1] + "/*.csv")):
    pl.scan_csv(path).sink_parquet(sys.argv[2] + "/x.parquet")
"""


def write_week(folder: Path, count: int = 14, minutes: float = 60.0) -> None:
    """Write the logs of one invented car; columns beyond the simulator's are slow counters."""
    folder.mkdir(parents=True, exist_ok=True)
    car = draw_car(3)
    for number in range(count):
        drive = mixed_drive(seed=number, minutes=minutes, rate_hz=25)
        run = simulate(car, drive, seed=number)
        frame = run.frame
        random = np.random.default_rng(number)
        extra = {
            f"Aux {i}": np.round(np.cumsum(random.normal(0, 0.3, frame.height)), 2)
            for i in range(COLUMNS - frame.width)
        }
        frame = frame.with_columns(**{k: pl.Series(v) for k, v in extra.items()})
        frame.write_csv(folder / f"2026-06-{number + 1:02d} 0900 drive.csv")
        if number == 0:
            (folder / "vehicle.toml").write_text(run.vehicle_toml, encoding="utf-8")


def timed(command: list[str], env: dict[str, str] | None = None) -> tuple[float, float]:
    """Wall and CPU seconds of one process and its children."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    start = time.perf_counter()
    subprocess.run(command, check=True, cwd=ROOT, env={**os.environ, **(env or {})},
                   stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)  # fmt: skip
    wall = time.perf_counter() - start
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return wall, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def program(logs: Path, out: Path, stages: Path) -> list[float]:
    """One whole run into OUT as it stands; wall and CPU seconds."""
    command = [sys.executable, "-m", "pipeline.cli", "run", str(logs), "--out", str(out),
               "--jobs", "2"]  # fmt: skip
    return [*timed(command, {"SPARKLEDGER_TIMINGS": str(stages)})]


def main() -> int:
    """Print the figures; ``--json FILE`` writes them too."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--logs", type=Path)
    parser.add_argument("--json", type=Path)
    parser.add_argument("--write", action="store_true", help="the table into DEVELOPERS.md")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        work = Path(scratch)
        logs = options.logs or work / "logs"
        if not logs.exists():
            write_week(logs)
        figures = measure(logs, work, options.runs)
    for name, value in figures.items():
        if name != "stages":
            print(f"{name:<46} {value:10.3f}")
    print("\nCPU seconds by stage, last whole run (14 h of log):")
    for stage, seconds in sorted(figures["stages"].items(), key=lambda kv: -kv[1]):
        print(f"  {stage:<40} {seconds:8.2f}")
    if options.write:
        wanted = {"everything / bare polars": "10", "nothing changed, s": "0.15",
                  "one new log of fourteen / that log alone": "1.3"}  # fmt: skip
        rows = [(k, f"{v:.2f}", wanted.get(k, "")) for k, v in figures.items() if k != "stages"]
        stages = sorted(figures["stages"].items(), key=lambda kv: -kv[1])
        rows += [
            (f"{stage}, CPU s per hour of log", f"{seconds / 14:.3f}", "")
            for stage, seconds in stages
            if seconds >= SHOWN_S
        ]
        write_table("week", rows)
    if options.json:
        options.json.write_text(json.dumps(figures, indent=1), encoding="utf-8")
    return 0


def measure(logs: Path, work: Path, runs: int) -> dict:
    """Medians over ``runs`` rounds, each round all commands in turn."""
    rounds: dict[str, list[float]] = {}
    stages_file = work / "stages.json"
    one, rest = work / "one", work / "rest"
    newest = sorted(logs.glob("*.csv"))[-1]
    for _ in range(runs):
        bare_out = work / "bare"
        bare_out.mkdir(exist_ok=True)
        bare, bare_cpu = timed([sys.executable, "-c", BARE, str(logs), str(bare_out)])
        out = work / "out"
        shutil.rmtree(out, ignore_errors=True)
        wall, cpu = program(logs, out, stages_file)
        stages = json.loads(stages_file.read_text())
        again, _ = program(logs, out, work / "none.json")
        for folder in (one, rest):
            shutil.rmtree(folder, ignore_errors=True)
            folder.mkdir()
            shutil.copy2(logs / "vehicle.toml", folder)
        shutil.copy2(newest, one)
        alone, _ = program(one, work / "one-out", work / "none.json")
        for path in sorted(logs.glob("*.csv"))[:-1]:
            os.link(path, rest / path.name)
        rest_out = work / "rest-out"
        shutil.rmtree(rest_out, ignore_errors=True)
        program(rest, rest_out, work / "none.json")
        os.link(newest, rest / newest.name)
        added, _ = program(rest, rest_out, work / "none.json")
        shutil.rmtree(work / "one-out")
        for name, value in {
            "bare polars, wall s": bare,
            "bare polars, CPU s": bare_cpu,
            "everything, wall s": wall,
            "everything, CPU s": cpu,
            "everything / bare polars": wall / bare,
            "nothing changed, s": again,
            "one log alone, s": alone,
            "one new log of fourteen / that log alone": added / alone,
        }.items():
            rounds.setdefault(name, []).append(value)
    figures: dict = {name: median(values) for name, values in rounds.items()}
    figures["megabytes"] = sum(p.stat().st_size for p in logs.glob("*.csv")) / 1e6
    figures["stages"] = stages
    return figures


if __name__ == "__main__":
    sys.exit(main())
