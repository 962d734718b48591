"""Figures of the boost analysis: the runs over each other, one run in time, a table."""

from collections.abc import Sequence

import numpy as np

from pipeline.facts.boost_runs import BoostRun
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
            label = f"{r.run.start_s:.0f} s"
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
