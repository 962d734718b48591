"""What to enter in the fuel table now: nothing where a fault of the machine is open."""

from collections.abc import Mapping

import msgspec

from pipeline.analysis._table_blocks import LOAD_KPA, open_faults
from pipeline.analysis._table_shapes import open_shapes
from pipeline.meta import Case, Meta
from pipeline.results import FuelPoint, Result, packed_points, unpacked_points

META = Meta(
    question="What may be entered in the fuel table now, and what has to be mended first?",
    version=1,
    kinds=(),
    references=("Nobody tunes round a leak, a pump or a hose: common practice, no source.",),
    step=4,
    order=6,
)


def conclude(case: Case) -> Result:
    """Take the estimates and block them where a fault is open."""
    table = case.results.get("fuel_table")
    if table is None or not table.fuel_table:
        return Result(status="not_judged", why="there is no estimate of the fuel table")
    everywhere, loaded = open_faults(case.findings)
    shapes = open_shapes(table.digest, case.vehicle.injector.rated_pressure_kpa)
    step = str(table.digest.get("_step", ""))
    if step:
        shapes["a change since the sessions before"] = step
    everywhere = {**shapes, **everywhere}
    rows = [_blocked(p, everywhere, loaded) for p in table.fuel_table]
    held = sum(r.verdict == "blocked" for r in rows)
    change = sum(r.verdict == "change" for r in rows)
    if everywhere or loaded:
        named = ", ".join({**everywhere, **loaded})
        why = f"{held} points are blocked: first mend {named}; {change} may be entered"
        if shapes:
            why += "; " + "; ".join(shapes.values())
    else:
        why = f"{change} points may be entered, in the steps given; no fault stands in the way"
    # The vehicle's table waits for the same faults as the session's.
    stored = unpacked_points(table.digest.get("_pooled", []))
    together = [_blocked(p, everywhere, loaded) for p in stored]
    return Result(
        status="found" if held else "clear", why=why, fuel_table=rows,
        digest={"pooled": packed_points(together)} if together else {},
    )  # fmt: skip


def _blocked(
    point: FuelPoint, everywhere: Mapping[str, str], loaded: Mapping[str, str]
) -> FuelPoint:
    if point.verdict == "unknown":
        return point
    reasons = [*everywhere, *(loaded if point.load_kpa >= LOAD_KPA else ())]
    if not reasons:
        return point
    return msgspec.structs.replace(
        point, verdict="blocked", reason="; ".join(reasons), correction_pct=None, low_pct=None,
        high_pct=None, step_pct=None, sensor_pct=None,
    )  # fmt: skip
