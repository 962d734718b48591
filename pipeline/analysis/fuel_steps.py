"""What to enter in the fuel table now: nothing where a fault of the machine is open."""

from collections.abc import Mapping, Sequence

import msgspec

from pipeline.analysis._table_blocks import LOAD_KPA, open_faults
from pipeline.analysis._table_shapes import open_shapes
from pipeline.meta import Case, Meta
from pipeline.results import (
    Column,
    Figure,
    FuelPoint,
    MapGrid,
    Result,
    TableFigure,
    packed_points,
    unpacked_points,
)
from pipeline.wording import counted

META = Meta(
    question="What may be entered in the fuel table now, and what has to be mended first?",
    version=1,
    kinds=(),
    references=("Nobody tunes round a leak, a pump or a hose: common practice, no source.",),
    step=4,
    order=6,
)

#: Points named one by one at most: more is what the table is for.
MOST_NAMED = 20


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
        are = "is" if held == 1 else "are"
        why = f"{counted(held, 'point')} {are} blocked: first mend {named}; {change} may be entered"
        if shapes:
            why += "; " + "; ".join(shapes.values())
    elif change:
        why = (
            f"{counted(change, 'point')} may be entered, in the steps given; no fault is in the way"
        )
    else:
        why = "nothing: no point's error stands clear of its doubt"
    # The vehicle's table waits for the same faults as the session's.
    stored = unpacked_points(table.digest.get("_pooled", []))
    together = [_blocked(p, everywhere, loaded) for p in stored]
    return Result(
        status="found" if held or change else "clear", why=why, fuel_table=rows,
        figures=_figures(rows),
        digest={"pooled": packed_points(together)} if together else {},
    )  # fmt: skip


def _figures(rows: Sequence[FuelPoint]) -> list[Figure]:
    """The steps to enter, as a table to copy and point by point; none where none is to be taken."""
    change = [p for p in rows if p.verdict == "change" and p.step_pct]
    if not change:
        return []
    rpm, kpa = sorted({p.rpm for p in rows}), sorted({p.load_kpa for p in rows})
    steps = {(p.rpm, p.load_kpa): p.step_pct for p in change}
    known = {(p.rpm, p.load_kpa): 0.0 for p in rows if p.verdict in ("change", "keep")}
    known |= {place: step for place, step in steps.items() if step is not None}
    largest = sorted(change, key=lambda p: -abs(p.step_pct or 0.0))[:MOST_NAMED]
    left = f" The {MOST_NAMED} largest of {len(change)}." if len(change) > MOST_NAMED else ""
    return [
        MapGrid(
            id="fuel-steps-now", title="What to enter now",
            caption="Percent to add to the fuel of each point, laid out as your table: the "
            "correction cut to safe steps, and fuel comes out slowly where the engine is loaded. "
            "0.0: leave as it is. Empty: not known or blocked, leave as it is. Then drive the same "
            "road and log again.",
            x_label="engine speed", x_unit="rpm", x=rpm, y_label="manifold pressure", y_unit="kPa",
            y=kpa, value_label="fuel", unit="%",
            values=[[known.get((r, k)) for r in rpm] for k in kpa], centre=0.0,
        ),
        TableFigure(
            id="fuel-steps-points", title="Point by point",
            caption="The correction lies between the least and the most in 95 of 100 cases, as far "
            "as the sensor is right." + left,
            columns=[Column(title="engine speed", unit="rpm", digits=0),
                     Column(title="manifold pressure", unit="kPa", digits=0),
                     Column(title="enter now", unit="%"), Column(title="correction", unit="%"),
                     Column(title="least", unit="%"), Column(title="most", unit="%"),
                     Column(title="evidence", unit="s")],
            rows=[[p.rpm, p.load_kpa, p.step_pct, p.correction_pct, p.low_pct, p.high_pct,
                   p.evidence_s] for p in sorted(largest, key=lambda p: (p.load_kpa, p.rpm))],
        ),
    ]  # fmt: skip


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
