"""By how much each point of the fuel table should change, and how sure that is."""

from collections.abc import Sequence
from typing import Any

import msgspec
import numpy as np
from scipy.sparse import csr_array

from pipeline.analysis._table_blocks import open_faults
from pipeline.analysis._table_pool import SESSION_SD, pool
from pipeline.analysis._table_step import step_since_fuel, unexplained_step
from pipeline.analysis._table_terms import terms_table
from pipeline.facts._mixture_design import calmed
from pipeline.facts._mixture_fit import Design, Grid, design, grid_of, prior_of, remembering
from pipeline.facts.exhaust_delay import ExhaustDelay
from pipeline.facts.mixture_inputs import MixtureInputs
from pipeline.limits import Limits
from pipeline.logbook import Entry
from pipeline.meta import Earlier, Meta, Own
from pipeline.results import (
    FuelPoint,
    MapGrid,
    Metric,
    Result,
    metric,
    not_judged,
    packed_points,
    rounded,
)
from pipeline.session import View
from pipeline.signals import regression
from pipeline.signals.lag import look_back
from pipeline.signals.segments import Floats
from pipeline.wording import counted

META = Meta(
    question="By how much should each point of the fuel table change?",
    version=2,
    kinds=(),
    references=(
        "Tables adapted with their uncertainty: Höckerdal, Frisk, Eriksson, Control Engineering "
        "Practice 2011 (by name).",
        "Delay and lag from the fuel path: SAE 970613; wall film: SAE 810494 (by name).",
        "Gaussian process prior and its marginal likelihood: Rasmussen and Williams 2006.",
    ),
    needs=("engine_speed",),
    needs_any=(("lambda", "lambda_2"),),
    uses=("manifold_pressure",),
    facts=("states", "mixture_inputs", "exhaust_delay"),
    shortest_s=60.0,
    step=4,
)

#: Normal quantile of a 95 % interval.
Z95 = 1.959964
#: Turns of the first fit, which only has to see the error that the film then remembers.
FIRST_TURNS = 2
#: % standard deviation beyond which a point counts as unknown whatever was seen there: a step of
#: a third of what hand-made tables are wrong by teaches little.
LARGEST_SD_PCT = 4.0
#: s of evidence, by bilinear weight, below which a point has no verdict: one that lies beside the
#: road carries little weight and bends what lies between. Leaning out asks for more, see step_of.
LEAST_S = 0.1
#: Standard deviations, as logarithms, of what the model leaves out (charge heating, pulse
#: curvature, film of one cylinder): at a point whatever was seen there, and of one visit. More
#: seconds shrink neither, more visits only the second. Choice, from the scatter of simulated drives
#: beyond what their residuals explain.
MODEL_SD, VISIT_SD = 0.0015, 0.011
#: A sensor read this seldom, s, doubles the variance of one visit, and so does a visit this short:
#: less of its course is seen. Choice, as above.
SLOW_S, PASSING_S = 0.12, 0.8
#: Size and scale of the smoothness come from the same data and are then taken as known: intervals
#: of such fits are known to be too narrow, by about this factor. Choice, from simulated drives.
PRIOR_DOUBT = 1.4
#: Moments of one such stretch of time are one visit, s.
VISIT_S = 15.0
#: Lambda at and above which, and at and below which, the sensor's systematic errors are stated.
NEAR_ONE, RICH = 1.0, 0.8
#: Sessions pooled at most.
MOST_POOLED = 20


def analyse(view: View) -> Result:
    """Fit the table's error of this session."""
    inputs: MixtureInputs = view.fact("mixture_inputs")
    delay: ExhaustDelay = view.fact("exhaust_delay")
    if inputs.target_source in ("none", "loop"):
        return not_judged("neither the log nor vehicle.toml gives a lambda target")
    if not np.isfinite(inputs.pressure).any():
        return not_judged("not in the log: manifold pressure")
    top = float(np.nanquantile(inputs.pressure, 0.999))
    grid = grid_of(view.vehicle, top)
    inputs = calmed(view.time, inputs)
    fitted = _fit(view.time, inputs, delay, grid)
    if fitted is None:
        return not_judged("too little fuelled, measured running to fit a table")
    made, fit = fitted
    count = made.cells.size
    mean = fit.mean[:count]
    sd = PRIOR_DOUBT * np.sqrt(np.maximum(np.diag(fit.covariance)[:count], 0.0))
    seconds = made.evidence_s[made.cells]
    one_visit = VISIT_SD * np.sqrt(1.0 + inputs.update_s / SLOW_S + PASSING_S / seconds)
    sd = np.hypot(sd, one_visit / np.sqrt(visits(made)))
    target = _target_by_cell(view.time, inputs, made)
    doubt = np.sqrt(sd**2 + SESSION_SD**2 + MODEL_SD**2)
    rows = fuel_points(grid, made.cells, mean, doubt, seconds, target, view.limits)
    judged = [p for p in rows if p.verdict in ("change", "keep")]
    metrics: dict[str, Metric] = {}
    if judged:
        weight = np.array([p.evidence_s for p in judged])
        error = np.array([p.correction_pct or 0.0 for p in judged])
        metrics["fuel_table_error_pct"] = metric(
            float(np.sqrt(np.average(error**2, weights=weight))), "%"
        )
    return Result(
        status="found" if any(p.verdict == "change" for p in rows) else "clear",
        why=_answer(rows, delay),
        metrics=metrics,
        figures=[
            correction_map("fuel-table", "this session", grid, rows),
            terms_table(made, fit, inputs.update_s, PRIOR_DOUBT),
        ],
        fuel_table=rows,
        digest={
            "rpm": grid.rpm.tolist(),
            "kpa": grid.kpa.tolist(),
            "cells": made.cells.tolist(),
            "mean": [rounded(float(v), 4) for v in mean],
            "sd": [rounded(float(v), 3) for v in sd],
            "seconds": [rounded(float(v), 3) for v in seconds],
            "target": [rounded(float(v), 3) for v in target],
            "barometer_kpa": rounded(inputs.barometer_kpa, 5),
        },
    )


def judge(own: Own, history: Sequence[Earlier]) -> Result:
    """Pool the sessions of the table now in use; the pooled rows go to the vehicle's file."""
    mine = own.result.digest
    if not mine:
        return own.result
    since = table_since(own.logbook)
    sound = [
        e for e in history
        if e.start_time >= since and _fits(e, mine) and not any(open_faults(e.findings))
    ][-MOST_POOLED:]  # fmt: skip
    same = [dict(e.digest) for e in sound]
    rows = pooled([*same, mine], own.vehicle.limits)
    digest = {**mine, "_pooled": packed_points(rows), "pooled_sessions": len(same) + 1}
    last = sound[-1].start_time if sound else ""
    digest["_step"] = unexplained_step(mine, same, own.logbook, last)
    dated = [(e.start_time, e.digest) for e in sound]
    digest["_even_step_pct"] = step_since_fuel(mine, dated, own.logbook)
    result = msgspec.structs.replace(own.result, digest=digest)
    if not same:
        return result
    grid = Grid(np.array(mine["rpm"]), np.array(mine["kpa"]), own=True)
    which = f"{len(same) + 1} sessions of this table"
    drawn = correction_map("fuel-table-pooled", which, grid, rows)
    return msgspec.structs.replace(result, figures=[drawn])


def _fits(earlier: Earlier, mine: dict[str, Any]) -> bool:
    """Whether an earlier session left an estimate over the same break points."""
    same = all(earlier.digest.get(axis) == mine[axis] for axis in ("rpm", "kpa"))
    return same and earlier.version == META.version


def table_since(logbook: Sequence[Entry]) -> str:
    """Start of the table now in use: the last entry that names a table, "" without one."""
    named = [e.when for e in logbook if e.table is not None]
    return named[-1] if named else ""


def pooled(parts: Sequence[dict[str, Any]], limits: Limits) -> list[FuelPoint]:
    """Rows of several sessions together; parts: digests of this analysis over one grid."""
    grid = Grid(np.array(parts[-1]["rpm"]), np.array(parts[-1]["kpa"]), own=True)
    made = pool(parts, grid.rpm.size * grid.kpa.size)
    sd = np.hypot(made.sd, MODEL_SD)
    return fuel_points(grid, made.cells, made.mean, sd, made.seconds, made.target, limits)


def _fit(
    time: Floats, inputs: MixtureInputs, delay: ExhaustDelay, grid: Grid
) -> tuple[Design, regression.Fit] | None:
    """Fit, then again with the film's memory of the error that the first fit saw."""
    made = design(time, inputs, grid, delay.transport_s, delay.lag_s)
    if made is None:
        return None
    first = regression.fit(
        made.table, made.dense, made.y, made.start, prior_of(made), base_weight=made.weight,
        rounds=FIRST_TURNS,
    )  # fmt: skip
    made = remembering(made, time, inputs, _seen_error(inputs, grid, made, first))
    fit = regression.fit(
        made.table, made.dense, made.y, made.start, prior_of(made), base_weight=made.weight,
        begin=(first.size, first.scale),
    )  # fmt: skip
    return made, fit


def _seen_error(inputs: MixtureInputs, grid: Grid, made: Design, fit: regression.Fit) -> Floats:
    """The table's error (n,) along the drive, as the fit has it."""
    full = np.zeros(grid.rpm.size * grid.kpa.size)
    full[made.cells] = fit.mean[: made.cells.size]
    kpa = np.nan_to_num(inputs.pressure, nan=float(grid.kpa[0]))
    return regression.lookup(grid.rpm, grid.kpa, full, np.nan_to_num(inputs.rpm), kpa)


def visits(made: Design) -> Floats:
    """Effective number (m,) of separate visits behind each point: (sum w)^2 / sum w^2 (Kish)."""
    stretch = ((made.time_s - made.time_s[0]) / VISIT_S).astype(np.int64)
    stretch -= stretch.min()
    row = np.arange(stretch.size)
    gather = csr_array((made.weight, (stretch, row)), shape=(int(stretch.max()) + 1, row.size))
    share = np.asarray((gather @ made.table).toarray(), dtype=np.float64)
    number: Floats = share.sum(axis=0) ** 2 / np.maximum((share**2).sum(axis=0), 1e-18)
    return np.maximum(number, 1.0)


def _target_by_cell(time: Floats, inputs: MixtureInputs, made: Design) -> Floats:
    """Mean target (m,) of the rows each visited point stands on."""
    known = np.isfinite(inputs.target)
    target = look_back(time[known], inputs.target[known], made.time_s)
    weight = np.asarray(made.table.T @ made.weight)
    sums = np.asarray(made.table.T @ (made.weight * target), dtype=np.float64)
    mean: Floats = sums / np.maximum(weight, 1e-12)
    return mean


def fuel_points(
    grid: Grid,
    cells: np.ndarray[Any, Any],
    mean: Floats,
    sd: Floats,
    seconds: Floats,
    target: Floats,
    limits: Limits,
) -> list[FuelPoint]:
    """One row per break point of the grid.

    cells (m,): visited points; mean, sd (m,): the error as a logarithm of the fuel factor and its
    standard deviation; seconds, target (m,): evidence and mean lambda target there.
    """
    place = {int(c): k for k, c in enumerate(cells)}
    rpm, kpa = grid.points
    rows = []
    for cell in range(rpm.size):
        k = place.get(cell)
        empty = FuelPoint(
            rpm=float(rpm[cell]), load_kpa=float(kpa[cell]), correction_pct=None, low_pct=None,
            high_pct=None, step_pct=None, sensor_pct=None,
            evidence_s=rounded(float(seconds[k]), 4) if k is not None else 0.0,
            verdict="unknown",
        )  # fmt: skip
        if k is None:
            rows.append(empty)
            continue
        little = float(seconds[k]) < LEAST_S
        if little or 100.0 * float(sd[k]) > LARGEST_SD_PCT:
            why = "too little evidence" if little else "too uncertain"
            rows.append(msgspec.structs.replace(empty, reason=why))
            continue
        low, middle, high = (100.0 * float(np.expm1(mean[k] + z * sd[k])) for z in (-Z95, 0.0, Z95))
        sensor = _sensor_pct(float(target[k]), limits)
        keep = low - sensor <= 0.0 <= high + sensor
        step = 0.0 if keep else step_of(middle, float(kpa[cell]), float(seconds[k]), limits)
        rows.append(
            FuelPoint(
                rpm=float(rpm[cell]),
                load_kpa=float(kpa[cell]),
                correction_pct=round(middle, 2),
                low_pct=round(low, 2),
                high_pct=round(high, 2),
                step_pct=round(step, 2),
                sensor_pct=round(sensor, 2),
                evidence_s=rounded(float(seconds[k]), 4),
                verdict="keep" if keep else "change",
            )
        )
    return rows


def _sensor_pct(target: float, limits: Limits) -> float:
    return float(
        np.interp(target, [RICH, NEAR_ONE], [limits.sensor_error_rich_pct, limits.sensor_error_pct])
    )


def step_of(correction: float, kpa: float, seconds: float, limits: Limits) -> float:
    """What to enter now: fuel up freely, fuel down in small steps and never without evidence."""
    if correction >= 0.0:
        return min(correction, limits.fuel_up_max_pct)
    down = limits.fuel_down_max_pct
    if kpa >= 130.0:
        down = limits.fuel_down_130kpa_pct
    elif kpa >= 100.0:
        down = limits.fuel_down_100kpa_pct
    if seconds < limits.fuel_evidence_s:
        return 0.0
    return max(correction, -down)


def correction_map(name: str, which: str, grid: Grid, rows: Sequence[FuelPoint]) -> MapGrid:
    """The correction as a table of numbers over speed and pressure."""
    shape = (grid.rpm.size, grid.kpa.size)

    def plane(values: list[float | None]) -> list[list[float | None]]:
        return [[values[i * shape[1] + j] for i in range(shape[0])] for j in range(shape[1])]

    return MapGrid(
        id=f"{name}-correction",
        title=f"Fuel table correction, {which}",
        caption="Percent by which fuel at each point should change; plus means it is lean there. "
        "Empty: too little evidence. Small numbers: seconds of evidence. A wideband that reads "
        "wrong by the same share everywhere looks just like this, and one drive alone cannot show "
        "it: see its references before trusting a correction of one sign throughout.",
        x_label="engine speed",
        x_unit="rpm",
        x=grid.rpm.tolist(),
        y_label="manifold pressure",
        y_unit="kPa",
        y=grid.kpa.tolist(),
        value_label="fuel",
        unit="%",
        values=plane([p.correction_pct for p in rows]),
        centre=0.0,
        weight=plane([p.evidence_s or None for p in rows]),
    )


def _answer(rows: Sequence[FuelPoint], delay: ExhaustDelay) -> str:
    change = [p for p in rows if p.verdict == "change"]
    keep = sum(p.verdict == "keep" for p in rows)
    asked = counted(len(change), "point") if change else "no point"
    text = (
        f"{asked} should change, {keep} stand: no error beyond their own and the sensor's doubt; "
        "the rest has too little evidence"
    )
    if change:
        worst = max(change, key=lambda p: abs(p.correction_pct or 0.0))
        text += (
            f"; largest {worst.correction_pct:+.1f} % at {worst.rpm:.0f} rpm and "
            f"{worst.load_kpa:.0f} kPa"
        )
    return text + f" (exhaust delay from the {delay.source})"
