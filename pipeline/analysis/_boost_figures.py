"""Figures of the boost analysis: runs over each other, across sessions, one in time, a table."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from pipeline.facts.boost_runs import BIN_RPM, BoostRun
from pipeline.results import (
    Band,
    Column,
    Curve,
    Figure,
    Panel,
    Panels,
    TableFigure,
    line,
    rounded,
)
from pipeline.session import View
from pipeline.signals.segments import Floats
from pipeline.wording import clock

#: How near two gear ratios are the same gear (tyre wear, speed steps), share.
SAME_GEAR = 0.04
#: Earlier sessions drawn beside this one: six lines are what an eye can tell apart.
MOST_EARLIER = 5
#: Speeds at which a line is worth drawing.
LEAST_BINS = 3


def same_gear(one: Mapping[str, Any], other: Mapping[str, Any]) -> bool:
    """Tell whether two digested runs were in the same gear; both unknown counts as the same."""
    a, b = one.get("ratio"), other.get("ratio")
    return (a is None and b is None) or bool(a and b and abs(b / a - 1.0) <= SAME_GEAR)


def lower_gear(one: Mapping[str, Any], other: Mapping[str, Any]) -> bool:
    """Whether a run was in a lower gear (more rpm per km/h) than another, both known."""
    a, b = one.get("ratio"), other.get("ratio")
    return a is not None and b is not None and bool(a > b)


def across_sessions(
    runs: Sequence[Mapping[str, Any]],
    earlier: Sequence[tuple[str, Sequence[Mapping[str, Any]]]],
) -> Curve | None:
    """This session's boost over engine speed laid on earlier ones in the same gear.

    runs: digested runs of this session; earlier: (start time, runs) of sessions, oldest first.
    The gear is the one most sessions ran in. None where no earlier session shares one.
    """
    best: tuple[int, int, Mapping[str, Any]] | None = None
    for k, run in enumerate(runs):
        shared = sum(any(same_gear(run, p) for p in past) for _, past in earlier)
        if shared and (best is None or shared > best[0]):
            best = (shared, k, run)
    if best is None:
        return None
    gear = best[2]
    lines = []
    for label, group in (("this session", runs), *(
        (start[:16].replace("T", " "), past) for start, past in reversed(earlier)
    )):  # fmt: skip
        by_speed: dict[int, list[float]] = {}
        for one in group:
            if same_gear(gear, one):
                for k, kpa, _ in one["bins"]:
                    by_speed.setdefault(int(k), []).append(float(kpa))
        if len(by_speed) < LEAST_BINS:
            continue
        speeds = sorted(by_speed)
        lines.append(line(label, np.array([(k + 0.5) * BIN_RPM for k in speeds]),
                          np.array([np.median(by_speed[k]) for k in speeds])))  # fmt: skip
        if len(lines) > MOST_EARLIER:
            break
    if len(lines) < 2 or lines[0].label != "this session":
        return None
    ratio = gear.get("ratio")
    which = "in an unknown gear" if ratio is None else f"in one gear ({ratio:.0f} rpm per km/h)"
    return Curve(
        id="boost-across-sessions", title="Boost of this session over earlier ones",
        caption=f"Full-throttle runs {which}; each line is one session's median over its runs, "
        "the earlier ones named by their start. A line that lies below the others lost boost, "
        "one that rises later spools later; a lower barometer or a lower target moves the whole "
        "line.",
        x_label="engine speed", x_unit="rpm", y_label="manifold pressure", unit="kPa",
        lines=lines,
    )  # fmt: skip


def figures(
    view: View, runs: Sequence[BoostRun], smooth: Floats, target: Floats | None
) -> list[Figure]:
    found: list[Figure] = []
    shown = sorted(runs, key=lambda r: r.run.end_s - r.run.start_s, reverse=True)[:6]
    shown.sort(key=lambda r: r.run.start_s)
    if shown:
        lines = []
        for r in shown:
            rows = slice(r.run.start, r.run.end)
            label = clock(r.run.start_s)
            lines.append(line(label, view.fact("full_throttle_runs").rpm[rows], smooth[rows],
                              points=120))  # fmt: skip
        found.append(
            Curve(
                id="boost-over-speed", title="Boost of the full-throttle runs over engine speed",
                caption="Each line is one run, named by its start. Lines that lie on each other "
                "mean a boost control that repeats; one that stays below the others lost boost "
                "in that run; one that climbs to the end has no plateau.",
                x_label="engine speed", x_unit="rpm", y_label="manifold pressure", unit="kPa",
                lines=lines,
            )
        )  # fmt: skip
        found.append(_table(shown))
        longest = max(shown, key=lambda r: r.run.end_s - r.run.start_s)
        found.append(_one_run(view, longest, smooth, target))
    return found


def _one_run(view: View, r: BoostRun, smooth: Floats, target: Floats | None) -> Figure:
    rows = slice(max(r.run.start - 8, 0), r.run.end)
    t = view.time[rows]
    lines = [line("pressure", t, smooth[rows], points=200)]
    if target is not None:
        lines.append(line("target", t, target[rows], points=200, step=True))
    bands = []
    if np.isfinite(r.spooled_at_s):
        bands.append(Band(label="spool-up", start=r.run.opened_s, end=r.spooled_at_s))
    return Panels(
        id="boost-longest-run", title="The longest run: pressure against its target",
        caption="The band runs from opening the throttle to 90 % of the boost asked for. After "
        "it the two lines should lie on each other.",
        panels=[Panel(title="manifold pressure", unit="kPa", lines=lines)], bands=bands,
    )  # fmt: skip


def _table(runs: Sequence[BoostRun]) -> Figure:
    def cell(value: float) -> float | None:
        return rounded(value, 4) if np.isfinite(value) else None

    columns = [
        Column(title="start", unit="s", digits=0), Column(title="from", unit="rpm", digits=0),
        Column(title="to", unit="rpm", digits=0), Column(title="spool time", unit="s", digits=2),
        Column(title="spooled at", unit="rpm", digits=0),
        Column(title="peak", unit="kPa", digits=0),
        Column(title="over target at first", unit="kPa"), Column(title="error held", unit="kPa"),
        Column(title="at the end less at spooled", unit="kPa"),
    ]  # fmt: skip
    rows: list[list[str | float | None]] = [
        [
            cell(r.run.start_s), cell(r.run.rpm_start), cell(r.run.rpm_end), cell(r.spool_s),
            cell(r.spool_rpm), cell(r.peak_kpa), cell(r.overshoot_kpa), cell(r.error_kpa),
            cell(r.end_kpa - r.plateau_kpa),
        ]
        for r in runs
    ]  # fmt: skip
    return TableFigure(
        id="boost-runs", title="Boost per run",
        caption="Spool time counts from the opening throttle; error held is the mean over the "
        "plateau less the target. An empty cell could not be judged in that run.",
        columns=columns, rows=rows,
    )  # fmt: skip
