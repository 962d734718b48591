"""Writes a bench's table into DEVELOPERS.md, so that its figures are measured and never typed."""

import os
import re
from collections.abc import Sequence
from pathlib import Path

GUIDE = Path(__file__).parents[2] / "DEVELOPERS.md"


def write_table(name: str, rows: Sequence[tuple[str, str, str]]) -> None:
    """Put rows (figure, measured, wanted) between the marks of ``name``."""
    lines = ["| figure | measured | wanted |", "| --- | ---: | ---: |"]
    lines += [f"| {a} | {b} | {c} |" for a, b, c in rows]
    body = "\n".join(lines)
    text = GUIDE.read_text(encoding="utf-8")
    begin = f"<!-- bench-{name}:begin (written: python -m tests.bench.{name} --write) -->"
    end = f"<!-- bench-{name}:end -->"
    pattern = re.compile(re.escape(begin) + ".*?" + re.escape(end), re.DOTALL)
    if not pattern.search(text):
        raise SystemExit(f"{GUIDE.name} has no place for the table {name}")
    cores = f"{os.cpu_count()} cores"
    whole = f"{begin}\n\n{body}\n\nMeasured on {cores}.\n\n{end}"
    GUIDE.write_text(pattern.sub(lambda _: whole, text), encoding="utf-8")
