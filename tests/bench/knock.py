"""CPU time of the knock model: the table once, the look-up of a drive, all of the area.

Run as ``python -m tests.bench.knock``.
"""

import sys
import time

from fixtures.cars import draw_car
from fixtures.drives import mixed_drive
from fixtures.simulate import simulate
from pipeline.facts.knock_table import engine_of
from pipeline.physics import knock_table
from pipeline.registry import load_registry
from pipeline.runner import Timings, analyse
from tests.judge.bridge import session_of

MINE = (
    "boost", "runs_table", "intake_air", "injectors", "fuel_pressure", "exhaust_heat", "power",
    "knock", "knock_control", "operating_range",
)  # fmt: skip
#: Times the kept table is read for one figure.
READS = 20
FACTS = ("atmosphere", "gears", "full_throttle_runs", "boost_runs", "knock_signs", "knock_margin")


def main() -> None:
    """Print the figures."""
    run = simulate(draw_car(100), mixed_drive(100, 60.0))
    session = session_of(run)
    start = time.process_time()
    table = knock_table.build(engine_of(session.vehicle))
    built = time.process_time() - start
    raw = table.to_bytes()
    start = time.process_time()
    for _ in range(READS):
        knock_table.KnockTable.from_bytes(raw)
    read = (time.process_time() - start) / READS
    timings = Timings()
    analyse(session, load_registry(), timings=timings)
    mine = {
        name: timings.seconds.get(name, 0.0)
        for name in (*(f"fact {f}" for f in FACTS), *(f"analysis {a}" for a in MINE))
    }
    lines = [f"knock table, built once: {1000 * built:.0f} ms, {len(raw)} bytes; "
             f"read back: {1000 * read:.2f} ms"]  # fmt: skip
    lines += [f"{name}: {1000 * seconds:.1f} ms" for name, seconds in mine.items()]
    lines.append(f"all of it, {session.duration_s / 3600:.2f} h of log: {sum(mine.values()):.3f} s")
    sys.stdout.write("\n".join(lines) + "\n")


if __name__ == "__main__":
    main()
