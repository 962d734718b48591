"""What to enter in the fuel table now: nothing where a fault of the machine is open."""

from collections.abc import Mapping

import msgspec

from pipeline.analysis._table_shapes import open_shapes
from pipeline.meta import Case, Meta
from pipeline.results import Finding, FuelPoint, Result

META = Meta(
    question="What may be entered in the fuel table now, and what has to be mended first?",
    version=1,
    kinds=(),
    references=("Nobody tunes round a leak, a pump or a hose: common practice, no source.",),
    step=4,
    order=6,
)

#: Kinds of finding (watch and worse) that bend the whole table.
BLOCKS_ALL = frozenset(
    {"exhaust_leak", "intake_leak", "low_fuel_pressure", "rough_running", "controller_reset",
     "crank_signal_loss"}
)  # fmt: skip
#: Kinds that bend what lies under load, at this pressure and above.
BLOCKS_LOAD = frozenset({"misfire_under_load", "injector_limit", "boost_loss"})
LOAD_KPA = 80.0
#: Channels whose fault makes every correction worthless.
SENSORS = frozenset(
    {"lambda", "lambda_2", "lambda_target", "manifold_pressure", "intake_air_temperature",
     "coolant_temperature", "barometric_pressure", "mass_air_flow"}
)  # fmt: skip


def conclude(case: Case) -> Result:
    """Take the estimates and block them where a fault is open."""
    table = case.results.get("fuel_table")
    if table is None or not table.fuel_table:
        return Result(status="not_judged", why="there is no estimate of the fuel table")
    everywhere, loaded = _faults(case)
    shapes = open_shapes(table.digest, case.vehicle.injector.rated_pressure_kpa)
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
    return Result(status="found" if held else "clear", why=why, fuel_table=rows)


def _faults(case: Case) -> tuple[dict[str, str], dict[str, str]]:
    """Open faults by what they bend: all of the table, or its loaded part."""
    everywhere: dict[str, str] = {}
    loaded: dict[str, str] = {}
    for finding in case.findings:
        if finding.severity == "info":
            continue
        if finding.kind in BLOCKS_ALL or _sensor(finding):
            everywhere[finding.kind.replace("_", " ")] = finding.title
        elif finding.kind in BLOCKS_LOAD:
            loaded[finding.kind.replace("_", " ")] = finding.title
    return everywhere, loaded


def _sensor(finding: Finding) -> bool:
    return finding.kind == "sensor_fault" and bool(SENSORS & set(finding.channels))


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
