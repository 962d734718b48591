"""``python -m tests.judge [area ...] [--seeds 100-104] [--json FILE] [--where]``."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

from pipeline.registry import load_registry
from tests.judge.harness import areas, judge_area
from tests.judge.table import as_data, as_text


def parse_seeds(text: str) -> list[int]:
    """``100-103`` or ``100,105``: seeds held back from development start at 100."""
    seeds: list[int] = []
    for part in text.split(","):
        low, _, high = part.partition("-")
        seeds += list(range(int(low), int(high or low) + 1))
    return seeds


def main(argv: list[str] | None = None) -> int:
    """Judge the areas asked for, print their tables, write JSON."""
    parser = argparse.ArgumentParser(prog="python -m tests.judge")
    parser.add_argument("area", nargs="*")
    parser.add_argument("--seeds", default="100-103", type=parse_seeds)
    parser.add_argument("--json", type=Path)
    parser.add_argument("--where", action="store_true", help="name each miss and false alarm")
    options = parser.parse_args(argv)
    registry = load_registry()
    report = {}
    for name, area in areas(options.area).items():
        tally = judge_area(area, options.seeds, registry)
        report[name] = as_data(tally, getattr(area, "METRICS", {}))
        sys.stdout.write(as_text(name, report[name], where=options.where) + "\n")
        sys.stdout.flush()
    if options.json:
        options.json.write_text(json.dumps(report, indent=1, sort_keys=True) + "\n")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
