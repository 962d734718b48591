"""Where the engine ran, and where its mixture was on target there."""

import numpy as np

from pipeline.facts.exhaust_delay import ExhaustDelay
from pipeline.meta import Meta
from pipeline.results import Figure, MapGrid, NextLog, Result, grid, not_judged, rounded
from pipeline.session import View
from pipeline.signals import segments, smoothing
from pipeline.signals.lag import at_source
from pipeline.signals.segments import Bools, Floats
from pipeline.vehicle import LambdaTarget

META = Meta(
    question="Where did the engine run, and was the mixture on target there?",
    version=1,
    kinds=(),
    references=("A log licenses only what it has seen: common practice, no source.",),
    needs=("engine_speed", "manifold_pressure"),
    uses=("lambda", "lambda_target"),
    facts=("states", "atmosphere"),
    optional_facts=("sensor_validity", "exhaust_delay"),
    step=5,
)

CELL_RPM = 500.0
CELL_KPA = 20.0
#: Share by which lambda may miss its target and be on it: the threshold of lean_under_load.
ON_TARGET = 0.05
#: s after a start before a wideband sensor is taken at its word.
READY_S = 30.0
#: s by which lambda's reading comes late where the log does not tell; rows whose pressure moved
#: much since are left out.
LATE_S = 0.25
SETTLED_KPA = 15.0


def analyse(view: View) -> Result:
    """Seconds per cell, and of them with lambda near its target."""
    time, states = view.time, view.fact("states")
    pressure = segments.hold(time, view.channel("manifold_pressure"), seconds=1.0)
    use = states.running & ~states.fuel_cut & np.isfinite(pressure) & (states.rpm > 400.0)
    if np.count_nonzero(use) < 20:
        return not_judged("the engine did not run long enough")
    error, why = _error(view, states.rpm, pressure)
    trusted = use & _ready(view, states)
    on_target = np.zeros(time.size, dtype=bool)
    if error is not None:
        on_target = trusted & (np.abs(error) <= ON_TARGET)
    cells = _cells(view, states.rpm, pressure, use, on_target, error)
    rows = [[rounded(v, 4) for v in c] for c in cells]
    on = float(sum(c[3] for c in cells))
    total = float(sum(c[2] for c in cells))
    text = f"The engine ran {total:.0f} s in {len(cells)} cells of speed and pressure"
    text += f"; the mixture was on target for {on:.0f} s of it" if error is not None else f"; {why}"
    return Result(
        status="clear",
        why=text,
        figures=_figures(cells),
        digest={"cells": rows, "has_target": error is not None,
                "load_kpa": rounded(_load_kpa(view), 4)},
        next_log=[] if error is not None else [
            NextLog(text="Log lambda and its target, or give the target table in the vehicle file",
                    why="only then can a range count as proven")
        ],
    )  # fmt: skip


def _load_kpa(view: View) -> float:
    limits = view.limits
    barometer = view.fact("atmosphere").median_kpa
    return float(min(limits.load_kpa, limits.load_barometer_fraction * barometer))


def _ready(view: View, states: object) -> Bools:
    """Rows in which the lambda reading can be believed."""
    ready = np.ones(view.time.size, dtype=bool)
    first = getattr(states, "first_running_s", None)
    if getattr(states, "start_seen", False) and first is not None:
        ready &= view.time >= first + READY_S
    validity = view.fact("sensor_validity")
    if validity is not None and view.has("lambda") and validity.values.get("lambda") is not None:
        ready &= validity.good("lambda")
    return ready


def _error(view: View, rpm: Floats, pressure: Floats) -> tuple[Floats | None, str]:
    """Relative lambda error (n,), moved back to the cylinder; None and why where not to be had."""
    measured = view.get("lambda")
    if measured is None or not np.isfinite(measured).any():
        return None, "lambda was not logged"
    wanted = view.get("lambda_target")
    if wanted is not None and np.isfinite(wanted).any():
        goal = segments.hold(view.time, wanted, seconds=2.0)
    elif view.vehicle.lambda_target is not None:
        goal = _from_table(view.vehicle.lambda_target, rpm, pressure)
    else:
        return None, "there is no target to hold lambda against"
    delay: ExhaustDelay | None = view.fact("exhaust_delay")
    late = LATE_S if delay is None else delay.delay_s
    back = at_source(view.time, measured, late)
    later = np.interp(view.time + late, view.time, np.nan_to_num(pressure))
    settled = np.abs(later - pressure) <= SETTLED_KPA
    return np.where(settled, back / goal - 1.0, np.nan), ""


def _from_table(table: LambdaTarget, rpm: Floats, pressure: Floats) -> Floats:
    """Bilinear look-up of the vehicle file's target, held at the edges."""
    values = np.array(table.values)
    x = np.interp(rpm, table.rpm, np.arange(len(table.rpm)))
    y = np.interp(pressure, table.load_kpa, np.arange(len(table.load_kpa)))
    i = np.minimum(np.nan_to_num(y).astype(np.int64), len(table.load_kpa) - 2)
    j = np.minimum(np.nan_to_num(x).astype(np.int64), len(table.rpm) - 2)
    a, b = y - i, x - j
    low = values[i, j] * (1 - b) + values[i, j + 1] * b
    high = values[i + 1, j] * (1 - b) + values[i + 1, j + 1] * b
    return np.asarray(low * (1 - a) + high * a, dtype=np.float64)


def _cells(
    view: View, rpm: Floats, pressure: Floats, use: Bools, on: Bools, error: Floats | None
) -> list[list[float]]:
    """Rows of (rpm, kPa, seconds, seconds on target, seconds judged) per cell visited."""
    weights = smoothing.row_seconds(view.time)
    judged = use & np.isfinite(error) if error is not None else np.zeros(use.size, dtype=bool)
    i = np.where(use, rpm // CELL_RPM, 0).astype(np.int64)
    j = np.where(use, pressure // CELL_KPA, 0).astype(np.int64)
    key = i * 1000 + j
    found = []
    for k in np.unique(key[use]):
        rows = use & (key == k)
        found.append(
            [
                (k // 1000 + 0.5) * CELL_RPM, (k % 1000 + 0.5) * CELL_KPA,
                float(weights[rows].sum()), float(weights[rows & on].sum()),
                float(weights[rows & judged].sum()),
            ]
        )  # fmt: skip
    return found


def _figures(cells: list[list[float]]) -> list[Figure]:
    rpm = np.array([c[0] for c in cells])
    kpa = np.array([c[1] for c in cells])
    xs = np.arange(rpm.min(), rpm.max() + 1.0, CELL_RPM)
    ys = np.arange(kpa.min(), kpa.max() + 1.0, CELL_KPA)
    values = np.full((ys.size, xs.size), np.nan)
    for c in cells:
        if c[2] >= 0.5:
            i, j = round((c[1] - ys[0]) / CELL_KPA), round((c[0] - xs[0]) / CELL_RPM)
            values[i, j] = c[2]
    return [
        MapGrid(
            id="operating-range", title="Where the engine ran",
            caption="Seconds in each cell of engine speed and manifold pressure. What is empty "
            "was not seen in this log, and nothing said here holds there.",
            x_label="engine speed", x_unit="rpm", x=[float(v) for v in xs],
            y_label="manifold pressure", y_unit="kPa", y=[float(v) for v in ys],
            value_label="time", unit="s", values=grid(values, 3), digits=0,
        )
    ]  # fmt: skip
