"""Sets the regression up for a session: grid, blocks, prior; gives back the fit in plain arrays."""

from dataclasses import dataclass, replace

import numpy as np
from scipy.sparse import csr_array

from pipeline.facts._mixture_design import (
    AFTER_START_S,
    Terms,
    blocks,
    memory,
    observations,
    term_by_term,
    usable_rows,
    with_memory_priors,
)
from pipeline.facts.mixture_inputs import MixtureInputs
from pipeline.signals import regression
from pipeline.signals.lag import look_back
from pipeline.signals.segments import Bools, Floats, Ints
from pipeline.vehicle import Vehicle

__all__ = ["AFTER_START_S", "Design", "Grid", "design", "grid_of", "prior_of", "remembering"]

#: Length scales of the table's local errors at scale 1: hand-tuned tables are wrong in patches a
#: few break points wide. Only their ratio is fixed, the size is found. Common practice, no source.
SCALE_RPM = 900.0
SCALE_KPA = 25.0
#: What the table's mean level and tilt may be before the data speak, as a logarithm.
PLANE_SD = 0.15
#: Sizes and scales of the local part that are tried.
SIZES = (0.006, 0.015, 0.035, 0.08)
SCALES = (0.6, 1.0, 1.6)
#: Rows are averaged over about this long, s: shorter than any stay in a cell, long enough that
#: undoing the lag cancels within a block.
BLOCK_S = 0.25


@dataclass(frozen=True, eq=False)
class Grid:
    """Break points: axes (a,), (b,); point i * b + j is rpm[i], kpa[j]; own: from the vehicle."""

    rpm: Floats
    kpa: Floats
    own: bool

    @property
    def points(self) -> tuple[Floats, Floats]:
        """Speed and pressure (a * b,) of every break point."""
        rpm, kpa = np.meshgrid(self.rpm, self.kpa, indexing="ij")
        return rpm.ravel(), kpa.ravel()


def grid_of(vehicle: Vehicle, top_kpa: float) -> Grid:
    """The vehicle's own break points, else an even default grid up to ``top_kpa``."""
    table = vehicle.fuel_table
    if table is not None:
        return Grid(np.array(table.rpm, float), np.array(table.load_kpa, float), True)
    top_rpm = vehicle.engine.rev_limit_rpm
    rpm = np.concatenate(
        [[500.0, 750.0, 1000.0, 1250.0], np.arange(1500.0, top_rpm + 499.0, 500.0)]
    )
    kpa = np.concatenate(
        [np.arange(20.0, 101.0, 10.0), np.arange(120.0, max(top_kpa, 101.0) + 19.0, 20.0)]
    )
    return Grid(rpm, kpa, False)


@dataclass(frozen=True, eq=False)
class Design:
    """One session's rows of the regression, averaged in blocks.

    cells: visited break points (m,); table (k, m); dense (k, q); y (k,); start (k,); weight (k,);
    time_s (k,): middle of each block in engine time; evidence_s (a * b,).
    """

    grid: Grid
    cells: Ints
    table: csr_array
    dense: Floats
    y: Floats
    start: Bools
    weight: Floats
    time_s: Floats
    evidence_s: Floats
    names: tuple[str, ...]  # of the dense columns, with their priors' means and deviations (q,)
    sd: Floats
    mean: Floats
    at_s: Floats  # (r,) engine time of the rows before they were averaged
    number: Ints  # (r,) block of each


def design(
    time: Floats, inputs: MixtureInputs, grid: Grid, delay_s: Floats, lag_s: float, *,
    made: Terms | None = None, seconds: float = BLOCK_S,
) -> Design | None:  # fmt: skip
    """Build the regression at a given transport delay (n,) and sensor lag; None without rows.

    made: the dense terms where the caller has them; else they are made and averaged one by one, so
    that a log of millions of rows never holds them all.
    """
    use = usable_rows(time, inputs, delay_s, lag_s)
    rows = observations(time, inputs, delay_s, lag_s, use)
    rpm = look_back(time, np.nan_to_num(inputs.rpm), rows.at_s)
    kpa = look_back(time, np.nan_to_num(inputs.pressure, nan=-1.0), rows.at_s)
    inside = (kpa > 0.7 * grid.kpa[0]) & (kpa < 1.15 * grid.kpa[-1])
    inside &= (rpm > 0.7 * grid.rpm[0]) & (rpm < 1.1 * grid.rpm[-1])
    number, count, start = blocks(rows, seconds, inputs.update_s)
    if count < 40 or np.count_nonzero(inside) < 0.05 * inside.size:
        return None
    table, evidence = regression.block_table(grid.rpm, grid.kpa, rpm, kpa, inside, number, count)
    del rpm, kpa, use
    parts = (
        zip(made.names, made.columns, made.sd, strict=True)
        if made is not None else term_by_term(time, inputs)
    )  # fmt: skip
    names: list[str] = []
    sd: list[float] = []
    dense: list[Floats] = []
    for name, column, spread in parts:
        names.append(name)
        sd.append(spread)
        dense.append(regression.block_mean(look_back(time, column, rows.at_s), number, count))
    cells = np.flatnonzero(evidence > 0)
    amount = np.bincount(number, minlength=count).astype(np.float64)
    share_in = np.bincount(number, weights=inside.astype(float), minlength=count) / amount
    return Design(
        grid=grid,
        cells=cells,
        table=table[:, cells],
        dense=np.stack(dense, axis=1),
        y=regression.block_mean(rows.error, number, count),
        start=start,
        weight=np.where(share_in > 0.99, amount / amount.max(), 1e-9),
        time_s=regression.block_mean(rows.at_s, number, count),
        evidence_s=np.asarray(evidence * inputs.update_s, dtype=np.float64),
        names=tuple(names),
        sd=np.array(sd),
        mean=made.mean if made is not None else np.zeros(len(sd)),
        at_s=rows.at_s,
        number=number,
    )


def remembering(made: Design, time: Floats, inputs: MixtureInputs, error: Floats) -> Design:
    """The same rows with the film's memory of this error (n,) as further columns."""
    keep, names, sd, mean = with_memory_priors(made.names, made.sd, made.mean)
    more = [
        regression.block_mean(look_back(time, column, made.at_s), made.number, made.y.size)
        for column in memory(time, inputs, error)
    ]
    dense = np.concatenate([made.dense[:, keep], np.stack(more, axis=1)], axis=1)
    return replace(made, dense=dense, names=names, sd=sd, mean=mean)


def prior_of(made: Design) -> regression.Prior:
    """Prior of the visited break points and the dense terms."""
    rpm, kpa = made.grid.points
    return regression.Prior(
        rpm[made.cells] / SCALE_RPM,
        kpa[made.cells] / SCALE_KPA,
        PLANE_SD,
        made.sd,
        made.mean,
    )
