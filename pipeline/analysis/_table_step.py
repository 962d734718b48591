"""A table that was right and is wrong everywhere by one factor, with nothing written down between.

No table does that by itself, and no single log can tell a wideband's scale from a wrong table: the
own earlier sessions are the second reference. Fuel of another kind, fuel pressure, an air leak past
the meter and the sensor itself look the same here; which of them it is, a check at the car tells.
"""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from pipeline.logbook import Entry

#: Points both have to know, by at most this log standard deviation.
LEAST_POINTS, LARGEST_SD = 8, 0.03
#: Log factor from which a step counts: weather, a tank of petrol blended otherwise and a session's
#: own constant make 1-2 % (common practice, no source; simulated sound drives stayed within 0.4 %).
LEAST_STEP = 0.023
#: Scatter of the points round the step, as a share of it, that is still one factor: a wrong scale
#: is an offset at lambda 1 and less of one where the target is rich.
SAME_FACTOR = 0.45
#: How much further from right it has to be than before: what came nearer was somebody's work.
WORSE_BY = 0.005
#: Kinds of entry after which another mixture is no wonder.
EXPLAINS = ("repair", "part", "table", "fuel")


def unexplained_step(
    mine: Mapping[str, Any], before: Sequence[Mapping[str, Any]], logbook: Sequence[Entry],
    last_start: str,
) -> str:  # fmt: skip
    """What was seen, "" where nothing. mine, before: digests of fuel_table over one grid.

    logbook: entries up to this session; last_start: start of the last session before, ISO 8601.
    """
    if not before or any(e.kind in EXPLAINS and e.when > last_start for e in logbook):
        return ""
    found = even_step(mine, before)
    if found is None:
        return ""
    step, was, points = found
    if abs(was + step) < abs(was) + WORSE_BY:
        return ""
    side = "lean" if step > 0 else "rich"
    return (
        f"since the sessions before it reads {100 * abs(float(np.expm1(step))):.0f} % more {side} "
        f"at all {points} points alike, and the logbook holds nothing that explains it: "
        "sensor, fuel or its pressure, not the table"
    )


def step_since_fuel(
    mine: Mapping[str, Any], before: Sequence[tuple[str, Mapping[str, Any]]],
    logbook: Sequence[Entry],
) -> float | None:  # fmt: skip
    """Step in % that all points made alike, + is leaner; None where they made none.

    Against the sessions before the last fuel written down, or all where no fuel stands between:
    what came with a tank stays with it, and sessions that burnt it too would hide it. before:
    start (ISO 8601) and digest of each.
    """
    fills = [e.when for e in logbook if e.kind == "fuel"]
    other = [part for start, part in before if fills and start < fills[-1]]
    found = even_step(mine, other or [part for _, part in before])
    return None if found is None else 100.0 * float(np.expm1(found[0]))


def even_step(
    mine: Mapping[str, Any], before: Sequence[Mapping[str, Any]]
) -> tuple[float, float, int] | None:
    """Log step that all points made alike, the error before and the points; None without one."""
    if not before:
        return None
    size = len(mine["rpm"]) * len(mine["kpa"])
    precision, weighted = np.zeros(size), np.zeros(size)
    for part in before:
        cells = np.array(part["cells"], dtype=np.int64)
        weight = 1.0 / np.maximum(np.array(part["sd"], float), 1e-3) ** 2
        precision[cells] += weight
        weighted[cells] += weight * np.array(part["mean"], float)
    cells, sd = np.array(mine["cells"], dtype=np.int64), np.array(mine["sd"], float)
    known = (sd <= LARGEST_SD) & (precision[cells] >= LARGEST_SD**-2)
    if np.count_nonzero(known) < LEAST_POINTS:
        return None
    cells, sd = cells[known], sd[known]
    now, then = np.array(mine["mean"], float)[known], weighted[cells] / precision[cells]
    weight = 1.0 / (sd**2 + 1.0 / precision[cells] + 0.01**2)
    step, was = (float(np.average(v, weights=weight)) for v in (now - then, then))
    scatter = float(np.sqrt(np.average((now - then - step) ** 2, weights=weight)))
    if abs(step) < LEAST_STEP or scatter > SAME_FACTOR * abs(step):
        return None
    return step, was, int(cells.size)
