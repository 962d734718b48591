"""The range in which the engine has proven itself in this log, and the next small step."""

from collections.abc import Sequence

from pipeline.meta import Case, Meta
from pipeline.results import Finding, NextLog, ProvenCell, Result, not_judged, rounded

META = Meta(
    question="In which range has the engine proven itself, and what is the next small step?",
    version=1,
    kinds=(),
    references=("Work up from low load, one step at a time: common practice, no source.",),
    step=5,
    order=1,
)

#: s on target in a cell, and share of its judged time, before it counts as proven.
LEAST_S = 2.0
LEAST_SHARE = 0.8
#: Faults under which no number of the log is a proof: nothing is proven while one is open.
EVERYWHERE = frozenset({
    "crank_signal_loss", "controller_reset", "exhaust_leak", "low_oil_pressure",
    "coolant_loss_suspected", "overheating", "rough_running", "high_charging_voltage",
})  # fmt: skip
#: Channels whose fault takes the ground from under speed, pressure or lambda.
BEARING = frozenset({"engine_speed", "manifold_pressure", "lambda", "barometric_pressure",
                     "mass_air_flow"})  # fmt: skip
#: Faults of load: cells from their pressure up are open.
UNDER_LOAD = frozenset({
    "misfire_under_load", "lean_under_load", "lean_target", "rich_under_load", "knock_risk",
    "knock_retard", "over_boost", "boost_creep", "low_fuel_pressure", "injector_limit",
    "hot_intake", "hot_exhaust",
})  # fmt: skip
#: Faults of light running: cells below load are open.
LIGHT = frozenset({"lean_running", "rich_running", "trim_limit", "intake_leak"})
OPEN = ("watch", "act", "stop")
CELL_KPA = 20.0
#: s at full throttle after which the highest pressure seen is what the engine gives.
WIDE_OPEN_S = 1.0


def conclude(case: Case) -> Result:
    """Take the cells on target, less those that an open finding reaches."""
    ran = case.results.get("operating_range")
    if ran is None or ran.status in ("not_judged", "failed"):
        return not_judged("it is not known where the engine ran")
    if not ran.digest.get("has_target"):
        return not_judged("lambda was not logged with a target, so no range counts as proven")
    cells = [
        (c[0], c[1], c[3]) for c in ran.digest["cells"]
        if c[3] >= LEAST_S and c[3] >= LEAST_SHARE * c[4]
    ]  # fmt: skip
    open_now = [f for f in case.findings if f.severity in OPEN and f.confidence >= 0.5]
    stopper = _everywhere(open_now)
    if stopper is not None:
        return Result(
            status="clear",
            why=f"Nothing counts as proven while this is open: {stopper.title}",
            next_log=[NextLog(text=f"First settle: {stopper.title}",
                              why="until then no number of the log is a proof")],
        )  # fmt: skip
    load = float(ran.digest["load_kpa"])
    ceiling = min((_from_kpa(f, load) for f in open_now if f.kind in UNDER_LOAD),
                  default=float("inf"))  # fmt: skip
    floor = load if any(f.kind in LIGHT for f in open_now) else 0.0
    proven = [c for c in cells if c[1] + CELL_KPA / 2 <= ceiling and c[1] >= floor]
    if not proven:
        return Result(status="clear", why="No cell was on target for long enough with nothing open")
    most = max(c[1] for c in proven)
    highest = _highest(case, most)
    fastest = max(c[0] for c in proven)
    seconds = sum(c[2] for c in proven)
    return Result(
        status="clear",
        why=f"{len(proven)} cells, {seconds:.0f} s, up to {most + CELL_KPA / 2:.0f} kPa and "
        f"{fastest + 250:.0f} rpm, with lambda on target and nothing open",
        proven_range=[
            ProvenCell(rpm=c[0], kpa=c[1], seconds=rounded(c[2], 4)) for c in sorted(proven)
        ],
        next_log=_next_step(proven, ceiling, open_now)
        if highest is None
        else _no_more(most, *highest),
    )


def _everywhere(found: Sequence[Finding]) -> Finding | None:
    for f in found:
        if f.kind in EVERYWHERE:
            return f
        if f.kind == "sensor_fault" and BEARING & set(f.channels):
            return f
    return None


def _from_kpa(finding: Finding, load: float) -> float:
    """Pressure from which an open finding of load reaches: where it was seen, less one cell."""
    for name in ("pressure", "peak_pressure", "manifold_pressure"):
        seen = finding.evidence.get(name)
        if seen is not None and seen.unit == "kPa" and finding.kind not in ("boost_creep",):
            return max(load, seen.value - CELL_KPA)
    return load


def _highest(case: Case, most: float) -> tuple[float, str] | None:
    """The pressure that no drive of this engine as it is can or may pass, kPa, and why.

    None where the next cell lies below it. Beyond what full throttle gave lies only more boost:
    a change of the engine, which no log of it as it was can license.
    """
    metrics = {k: m for r in case.results.values() for k, m in r.metrics.items()}
    limit = case.vehicle.limits.manifold_pressure_max_kpa
    if limit is not None and most + 1.5 * CELL_KPA > limit:
        return limit, "that is the ceiling set for this engine"
    peak, open_s = metrics.get("manifold_pressure_peak_kpa"), metrics.get("wide_open_time_s")
    if peak is None or open_s is None or open_s.value < WIDE_OPEN_S:
        return None
    if most + CELL_KPA <= peak.value:
        return None
    return peak.value, "full throttle gave no more, and more boost is another engine to prove"


def _no_more(most: float, kpa: float, why: str) -> list[NextLog]:
    """What to do where there is no more pressure to prove."""
    return [
        NextLog(
            text=f"No step up in pressure: it is proven to {most + CELL_KPA / 2:.0f} kPa, the most "
            f"is {kpa:.0f} kPa; where legal, fill the speeds still empty below that",
            why=why,
        )
    ]  # fmt: skip


def _next_step(
    proven: Sequence[tuple[float, float, float]], ceiling: float, found: Sequence[Finding]
) -> list[NextLog]:
    """One cell more pressure at a middling speed, or why not."""
    top = max(c[1] for c in proven)
    speeds = sorted(c[0] for c in proven if c[1] == top)
    rpm = speeds[len(speeds) // 2]
    goal = top + CELL_KPA
    if goal + CELL_KPA / 2 > ceiling:
        first = next((f for f in found if f.kind in UNDER_LOAD), None)
        what = first.title if first is not None else "what is open under load"
        return [
            NextLog(text=f"No step up yet; first settle: {what}",
                    why=f"it reaches down to {ceiling:.0f} kPa")
        ]  # fmt: skip
    return [
        NextLog(
            text=f"Next small step, where legal: hold about {goal:.0f} kPa at {rpm:.0f} rpm for "
            "a few seconds, lift at once if lambda leaves its target",
            why=f"{top:.0f} kPa there is proven; each log licenses only what it has seen",
        )
    ]  # fmt: skip
