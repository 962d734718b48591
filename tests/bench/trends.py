"""Did it help? ``python -m tests.bench.trends [--weeks 300] [--cars 20]``.

Held-back weeks of made-up summaries (a step of 3 % among forty metrics; quiet weeks), and pairs
of simulated drives on two roads: alike, and with 3 % less fuel.
"""

import argparse
import math
import subprocess
import sys
import tempfile
from collections import Counter
from pathlib import Path

from fixtures.cars import draw_car
from fixtures.drives import mixed_drive
from fixtures.simulate import simulate
from pipeline.changes import effects_of, series_of, trends_of
from pipeline.report.compare import compared_rows
from tests.trends.summaries import entry
from tests.trends.test_changes import _week

ROOT = Path(__file__).parents[2]
FIRST_SEED = 50_000
CALLED = ("worse", "better", "changed")


def weeks(count: int) -> dict[str, float]:
    """Share of steps found, share of intervals that hold them, flags in a quiet week."""
    found = held = flags = 0
    for seed in range(FIRST_SEED, FIRST_SEED + count):
        effects = effects_of(series_of(_week(seed, step=0.03)), [entry(4.5)])
        (own,) = [e for e in effects if e.name == "m00"]
        found += own.called
        held += own.low <= 1.5 <= own.high
        quiet = series_of(_week(FIRST_SEED + seed))
        flags += sum(t.called for t in trends_of(quiet))
        flags += sum(e.called for e in effects_of(quiet, [entry(4.5)]))
    return {
        "3 % steps found (>= 0.95)": found / count,
        "intervals that hold the step (0.95)": held / count,
        "flagged metrics in 20 quiet weeks (<= 1)": 20.0 * flags / count,
    }


def roads(cars: int, minutes: float) -> tuple[dict[str, float], Counter[str]]:
    """Pairs of drives on two roads, and what was called on sound pairs."""
    wrong: Counter[str] = Counter()
    found = sound = pairs = 0
    errors = []
    with tempfile.TemporaryDirectory() as name:
        logs, out = Path(name) / "logs", Path(name) / "out"
        for number in range(cars):
            car = draw_car(FIRST_SEED + number, closed_loop=False)
            for drive, less in ((0, False), (1, False), (2, True)):
                seed = FIRST_SEED + 10 * number + drive
                run = simulate(
                    car, mixed_drive(seed=seed, minutes=minutes, rate_hz=10), seed=seed,
                    table_correction=(lambda rpm, kpa: -3.0 + 0.0 * rpm) if less else None,
                )  # fmt: skip
                run.write(logs / f"car{number:02d}", f"car{number:02d} drive{drive}", vehicle=True)
        command = [sys.executable, "-m", "pipeline.cli", "run", str(logs), "--out", str(out)]
        subprocess.run(command, check=True, cwd=ROOT, capture_output=True)
        for number in range(cars):
            a, b, c = (f"car{number:02d}-drive{drive}" for drive in range(3))
            called = [r.name for r in compared_rows(out, a, b) if r.word in CALLED]
            wrong.update(called)
            sound += not called
            rows = {r.name: r for r in compared_rows(out, a, c)}
            row = rows.get("lambda_error") or rows.get("lambda_ratio")
            pairs += 1
            if row is not None:
                found += row.word in CALLED
                errors.append(float(row.difference.split()[0]) + 100 * math.log(0.97))
    errors.sort()
    return {
        "sound pairs without a difference (>= 0.95)": sound / pairs,
        "3 % less fuel found on another road (>= 0.95)": found / pairs,
        "its size, median error in %": errors[len(errors) // 2] if errors else math.nan,
    }, wrong


def main() -> int:
    """Print the figures."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--weeks", type=int, default=300)
    parser.add_argument("--cars", type=int, default=20)
    parser.add_argument("--minutes", type=float, default=12.0)
    options = parser.parse_args()
    figures, wrong = roads(options.cars, options.minutes)
    for what, value in {**weeks(options.weeks), **figures}.items():
        print(f"{what:<48} {value:7.3f}")
    if wrong:
        print("called on sound pairs:", dict(wrong))
    return 0


if __name__ == "__main__":
    sys.exit(main())
