"""Reading speed beside bare polars on the same generated files, in one run.

Run `python -m tests.bench.ingest [rounds] [megabytes] [--write]`. For each kind of file the
wall time of reading it whole and writing its samples is set against
`polars.scan_csv().sink_parquet()` of the clean file; the ratio is the median over the rounds.
"""

import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import polars as pl

from pipeline.ingest import read_log, write_samples
from pipeline.vehicle import DEFAULT_VEHICLE
from tests.bench._guide import write_table

COLUMNS = 40
BYTES_PER_ROW = 238
TARGETS = {"clean": 1.5, "decimal_comma_latin1": 2.5, "one_percent_bad": 4.0}
NAMES = (
    "Time (s)", "Engine Speed (rpm)", "MAP (kPa)", "Coolant Temp (°C)", "TPS (%)", "Lambda",
    "Lambda Target", "Spark Advance (deg)", "Battery Voltage (V)", "Vehicle Speed (km/h)",
)  # fmt: skip
LEVELS = (2000, 60, 80, 20, 1, 0.95, 20, 13.8, 60)
STEPS = (50, 5, 1, 2, 0.01, 0.01, 2, 0.1, 2)


def make(folder: Path, megabytes: float) -> dict[str, Path]:
    """Write the three files."""
    rows = int(megabytes * 1e6 / BYTES_PER_ROW)
    draw = np.random.default_rng(1)
    columns = [np.round(np.arange(rows) * 0.04, 2)]
    levels = [*LEVELS, *[50.0] * (COLUMNS - 1 - len(LEVELS))]
    steps = [*STEPS, *[3.0] * (COLUMNS - 1 - len(STEPS))]
    for level, step in zip(levels, steps, strict=True):
        columns.append(np.round(level + 0.01 * draw.normal(0, step, rows).cumsum(), 2))
    body = pl.DataFrame({f"c{i}": c for i, c in enumerate(columns)}).write_csv(include_header=False)
    names = [*NAMES, *(f"Probe {i}" for i in range(COLUMNS - len(NAMES)))]
    paths = {kind: folder / f"{kind}.csv" for kind in TARGETS}
    paths["clean"].write_text(",".join(names) + "\n" + body, encoding="utf-8")
    paths["decimal_comma_latin1"].write_bytes(
        (";".join(names) + "\n" + body.replace(",", ";").replace(".", ",")).encode("latin-1")
    )
    lines = body.split("\n")
    for index in range(0, len(lines) - 1, 100):
        lines[index] = lines[index][: len(lines[index]) // 2]
    paths["one_percent_bad"].write_text(",".join(names) + "\n" + "\n".join(lines), encoding="utf-8")
    return paths


def ours(path: Path, out: Path) -> float:
    """Wall time of one file through the reader."""
    begin = time.perf_counter()
    reading = read_log(path, vehicle=DEFAULT_VEHICLE)
    for session in reading.sessions:
        write_samples(out, session, source_name=path.name, source_sha256=reading.sha256,
                      version="bench", keep_position=True)  # fmt: skip
    return time.perf_counter() - begin


def bare(path: Path, out: Path) -> float:
    """Wall time of polars alone."""
    begin = time.perf_counter()
    pl.scan_csv(path).sink_parquet(out)
    return time.perf_counter() - begin


_PEAK = """
import sys
from pathlib import Path
from pipeline.ingest import read_log
from pipeline.vehicle import DEFAULT_VEHICLE
def peak():
    for line in open("/proc/self/status"):
        if line.startswith("VmHWM"):
            return 1024 * int(line.split()[1])
before = peak()
read_log(Path(sys.argv[1]), vehicle=DEFAULT_VEHICLE)
print(peak() - before)
"""


def peak_memory(path: Path) -> int:
    """Bytes that reading adds to the peak of a fresh process."""
    done = subprocess.run([sys.executable, "-c", _PEAK, str(path)], capture_output=True, check=True)
    return int(done.stdout)


def main() -> int:
    """Print the table; 1 where a target is missed."""
    write = "--write" in sys.argv
    numbers = [a for a in sys.argv[1:] if not a.startswith("-")]
    rounds = int(numbers[0]) if numbers else 5
    megabytes = float(numbers[1]) if len(numbers) > 1 else 100.0
    rows = []
    missed = 0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        paths = make(folder, megabytes)
        out = folder / "out.parquet"
        bare(paths["clean"], out)
        times: dict[str, list[float]] = {kind: [] for kind in TARGETS}
        for _ in range(rounds):
            floor = bare(paths["clean"], out)
            for kind, path in paths.items():
                times[kind].append(ours(path, out) / floor)
        for kind, ratios in times.items():
            ratio, memory = statistics.median(ratios), peak_memory(paths[kind])
            size = paths[kind].stat().st_size
            fine = ratio <= TARGETS[kind] and memory <= 3 * size
            missed += not fine
            rows += [(f"{kind}: wall time / bare polars", f"{ratio:.2f}", f"{TARGETS[kind]}"),
                     (f"{kind}: memory / file", f"{memory / size:.1f}", "3")]  # fmt: skip
            print(
                f"{kind:22} {ratio:5.2f}x of bare polars (target {TARGETS[kind]}x, "
                f"{min(ratios):.2f}-{max(ratios):.2f}), memory {memory / size:.1f}x the file "
                f"(target 3x) {'ok' if fine else 'MISSED'}"
            )
    if write:
        write_table("ingest", rows)
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
