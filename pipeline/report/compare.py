"""The before/after page of two sessions, matched on operating point."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import msgspec
import numpy as np

from pipeline.document import Document
from pipeline.inputs import printable
from pipeline.report.grids import draw_map
from pipeline.report.page import environment, session_units
from pipeline.report.units import Units
from pipeline.report.view import metric_unit, metric_words
from pipeline.report.words import sentence
from pipeline.results import MapGrid
from pipeline.signals.matched import Blocks, Difference, block_sums, matched_difference
from pipeline.store import Store, missing_session, read_json, write_whole
from pipeline.wording import lasting

#: Cell sizes: fine enough that the engine does the same thing within one, coarse enough that
#: two different roads meet in some.
RPM_STEP, KPA_STEP, COOLANT_STEP = 400.0, 12.5, 12.5
#: s a cell needs in both sessions, and s of a block of the bootstrap: a few gear changes.
LEAST_S, BLOCK_S = 1.0, 10.0
#: s of shared operating points below which nothing is compared at all.
LEAST_SHARED_S = 20.0
DRAWS, SEED = 2000, 1
#: States in which an engine is not in an operating point.
LEFT_OUT = frozenset({"key_on", "cranking", "after_start", "overrun", "stopped"})
#: Share of comparisons that may call a difference where there is none, over all rows together.
ERROR_RATE = 0.05
#: Rows further apart than this add no time.
LONGEST_STEP_S = 1.0


class CompareError(Exception):
    """The two cannot be compared; the text says why and what to do."""


@dataclass(frozen=True)
class Quantity:
    """What is compared: a name, the unit of its difference, how small a difference is none.

    ``better``: -1 where less is better, +1 where more is, 0 where a change is only a change.
    ``outer``: weather, consumers or the battery's charge move it on a sound car too.
    """

    name: str
    title: str
    unit: str
    nothing: float
    better: int = 0
    outer: bool = False


QUANTITIES = (
    Quantity("lambda_error", "lambda against its target", "%", 1.0),
    Quantity("lambda_ratio", "lambda", "%", 1.0),
    Quantity("fuel_trims", "fuel trims together", "%", 1.0),
    # 10 K of intake air are 3 % of fuel.
    Quantity("injector_pulse_width", "injector pulse width", "ms", 0.1),
    Quantity("spark_advance", "spark advance", "deg", 0.5),
    Quantity("knock_retard", "spark pulled for knock", "deg", 0.2, -1),
    Quantity("throttle_position", "throttle position", "%", 1.0),
    Quantity("intake_air_temperature", "intake air", "K", 3.0, outer=True),
    Quantity("exhaust_gas_temperature", "exhaust gas", "K", 15.0, outer=True),
    Quantity("fuel_pressure", "fuel pressure", "kPa", 8.0),
    # Cells are matched by coolant; the oil warms more slowly, and thins by a tenth in 4 K.
    Quantity("oil_pressure", "oil pressure", "kPa", 30.0, 1),
    Quantity("battery_voltage", "voltage", "V", 0.15, outer=True),
    Quantity("idle_air_control", "idle air control", "%", 1.5, outer=True),
    Quantity("wastegate_duty", "wastegate duty", "%", 3.0),
)


@dataclass(frozen=True)
class Row:
    """One compared quantity, ready for the page. ``word``: better, worse, changed, ..."""

    name: str
    title: str
    word: str
    difference: str
    interval: str
    seconds: str


@dataclass(frozen=True, eq=False)
class _Side:
    document: Document
    blocks: Mapping[str, Blocks]
    means: Mapping[str, float]


@dataclass(frozen=True, eq=False)
class _Grid:
    rpm: int
    kpa: int
    coolant: int

    @property
    def cells(self) -> int:
        return self.rpm * self.kpa * self.coolant


GRID = _Grid(rpm=24, kpa=28, coolant=12)


def compare_sessions(out: Path, a: str, b: str) -> Path:
    """Write ``OUT/compare/<a>--<b>.html``; returns its path.

    Raises CompareError for sessions that are not there or have no engine speed in common,
    OSError where a file cannot be read or written.
    """
    page = compare_page(out, a, b)
    path = out / "compare" / f"{a}--{b}.html"
    stamp = max(Store(out).session(s, "analysis.json").stat().st_mtime_ns for s in (a, b))
    write_whole(path, page.encode("ascii"), stamp_ns=stamp)
    return path


def compare_page(out: Path, a: str, b: str) -> str:
    """The page as pure ASCII without scripts, fit to be mailed; see :func:`compare_sessions`."""
    store = Store(out)
    if a == b:
        raise CompareError(f"{printable(a)}: compared with itself: give two sessions")
    sides = [_load(store, name) for name in (a, b)]
    state = read_json(store.state) or {}
    system = state.get("sessions", {}).get(b, {}).get("units", "metric")
    units = session_units(sides[1].document, system)
    differences = _differences(sides[0], sides[1])
    rows = [_row(q, d, units) for q, d in differences]
    shared = max((float(d.weight.sum()) for _, d in differences), default=0.0)
    maps = [
        draw_map(_map(q, d), units, name=f"map-{q.name.replace('_', '-')}")
        for q, d in differences
        if q.name in ("lambda_error", "lambda_ratio")
    ][:1]
    html = (
        environment()
        .get_template("compare.html")
        .render(
            policy="default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; "
            "form-action 'none'",
            scripts=[],
            alive=False,
            vehicle=sides[1].document.vehicle.name,
            sessions=[_about(s.document, units) for s in sides],
            groups=_groups(rows),
            shared=lasting(shared),
            enough=shared >= LEAST_SHARED_S,
            maps=maps,
            metrics=_metrics(sides[0].document, sides[1].document, units),
            missing=_missing(sides, differences),
        )
    )
    return html.encode("ascii", "xmlcharrefreplace").decode("ascii")


def compared_rows(out: Path, a: str, b: str) -> list[Row]:
    """The compared quantities alone; see :func:`compare_sessions`."""
    store = Store(out)
    return [_row(q, d, Units()) for q, d in _differences(_load(store, a), _load(store, b))]


def _load(store: Store, name: str) -> _Side:
    import polars as pl

    analysis = store.session(name, "analysis.json")
    missing = missing_session(store, name)
    if missing:
        raise CompareError(missing)
    document = msgspec.json.decode(analysis.read_bytes(), type=Document)
    if "engine_speed" not in document.channels:
        raise CompareError(f"{name}: holds no engine speed: it cannot be matched")
    frame = pl.read_parquet(store.session(name, "samples.parquet"))
    values = {
        c: frame[c].to_numpy().astype(np.float64) for c in document.channels if c in frame.columns
    }
    time = frame["time"].to_numpy()
    cell = _cells(document, time, values)
    block = ((time - time[0]) / BLOCK_S).astype(np.int64)
    step = np.diff(time, append=time[-1:])
    seconds = np.where(step <= LONGEST_STEP_S, step, 0.0)
    derived = {**values, **_derived(values)}
    blocks, means = {}, {}
    for quantity in QUANTITIES:
        value = derived.get(quantity.name)
        if value is None:
            continue
        blocks[quantity.name] = block_sums(
            block, cell, seconds, value, int(block[-1]) + 1, GRID.cells
        )
        inside = (cell >= 0) & np.isfinite(value)
        if inside.any():
            means[quantity.name] = float(np.mean(value[inside]))
    return _Side(document, blocks, means)


def _cells(document: Document, time: Any, values: Mapping[str, Any]) -> Any:
    """Cell of each row (n,), -1 where it is in none: not in an operating point, or unknown."""
    cell = np.zeros(time.size, dtype=np.int64)
    use = np.ones(time.size, dtype=np.bool_)
    if document.states:
        use[:] = False
        for span in document.states:
            if span.state not in LEFT_OUT:
                use |= (time >= span.start_s) & (time <= span.end_s)
    axes = (
        ("engine_speed", RPM_STEP, GRID.rpm, 0.0),
        ("manifold_pressure", KPA_STEP, GRID.kpa, 0.0),
        ("coolant_temperature", COOLANT_STEP, GRID.coolant, 0.0),
    )
    for name, width, count, least in axes:
        channel = values.get(name)
        if channel is None:
            cell *= count
            continue
        held = _held(channel)
        good = np.isfinite(held)
        index = np.floor((np.where(good, held, 0.0) - least) / width).astype(np.int64)
        use &= good & (index >= 0) & (index < count)
        cell = cell * count + np.clip(index, 0, count - 1)
    return np.where(use, cell, -1)


def _held(values: Any) -> Any:
    """Carry the last reading over rows without one: channels are logged at their own rates."""
    index = np.maximum.accumulate(np.where(np.isfinite(values), np.arange(values.size), -1))
    return np.where(index >= 0, values[np.maximum(index, 0)], np.nan)


def _derived(values: Mapping[str, Any]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    reading = values.get("lambda")
    if reading is not None:
        inside = (reading > 0.6) & (reading < 1.25)
        with np.errstate(all="ignore"):
            ratio = np.where(inside, 100.0 * np.log(reading), np.nan)
            found["lambda_ratio"] = ratio
            target = values.get("lambda_target")
            if target is not None:
                found["lambda_error"] = ratio - 100.0 * np.log(_held(target))
                del found["lambda_ratio"]
    trims = [values[n] for n in ("fuel_trim_short", "fuel_trim_long") if n in values]
    if trims:
        found["fuel_trims"] = sum(_held(t) for t in trims)
    return found


def _differences(a: _Side, b: _Side) -> list[tuple[Quantity, Difference]]:
    both = [q for q in QUANTITIES if q.name in a.blocks and q.name in b.blocks]
    found = []
    for quantity in both:
        difference = matched_difference(
            a.blocks[quantity.name],
            b.blocks[quantity.name],
            least_seconds=LEAST_S,
            confidence=1.0 - ERROR_RATE / max(1, len(both)),
            draws=DRAWS,
            seed=SEED,
        )
        if difference is not None and float(difference.weight.sum()) >= LEAST_SHARED_S:
            found.append((quantity, difference))
    return found


def _row(quantity: Quantity, difference: Difference, units: Units) -> Row:
    low, high = difference.low, difference.high
    if low > quantity.nothing or high < -quantity.nothing:
        sign = 1 if difference.value > 0 else -1
        word = {0: "changed", 1: "better", -1: "worse"}[quantity.better * sign]
        word = "outer" if quantity.outer else word
    elif low > -quantity.nothing and high < quantity.nothing:
        word = "unchanged"
    else:
        word = "cannot tell"
    unit = "degC" if quantity.unit == "K" and units.system == "us" else quantity.unit

    def shown(value: float) -> str:
        label = units.label(unit)
        text = f"{units.span(value, unit):+.2f}"
        # Nought has no sign.
        return f"{text.replace('-0.00', '0.00').replace('+0.00', '0.00')} {label}".rstrip()

    return Row(
        name=quantity.name,
        title=quantity.title,
        word=word,
        difference=shown(difference.value),
        interval=f"{shown(low)} to {shown(high)}",
        seconds=lasting(float(difference.weight.sum())),
    )


WORDS = (
    ("worse", "Worse"),
    ("better", "Better"),
    ("changed", "Changed"),
    ("outer", "Differs, as weather, lights and the battery's charge make it on a sound car too"),
    ("unchanged", "Unchanged within what would matter"),
    ("cannot tell", "These two logs cannot tell"),
)


def _groups(rows: Sequence[Row]) -> list[tuple[str, list[Row]]]:
    return [(title, [r for r in rows if r.word == word]) for word, title in WORDS]


def _map(quantity: Quantity, difference: Difference) -> MapGrid:
    """Differences over speed and pressure, coolant pooled."""
    plane = difference.cells // GRID.coolant
    sums = np.zeros((GRID.kpa, GRID.rpm))
    time = np.zeros_like(sums)
    np.add.at(sums, (plane % GRID.kpa, plane // GRID.kpa), difference.by_cell * difference.weight)
    np.add.at(time, (plane % GRID.kpa, plane // GRID.kpa), difference.weight)
    rows, columns = np.flatnonzero(time.any(axis=1)), np.flatnonzero(time.any(axis=0))
    values: list[list[float | None]] = [
        [round(float(sums[i, j] / time[i, j]), 2) if time[i, j] > 0 else None for j in columns]
        for i in rows
    ]
    return MapGrid(
        id=f"map-{quantity.name}",
        title=f"Difference of {quantity.title} by operating point",
        caption="Second session minus first, only where both were; a plus is leaner. Small "
        "numbers: seconds both share.",
        x_label="engine speed",
        x_unit="rpm",
        x=[float((j + 0.5) * RPM_STEP) for j in columns],
        y_label="manifold pressure",
        y_unit="kPa",
        y=[float((i + 0.5) * KPA_STEP) for i in rows],
        value_label="difference",
        unit="%",
        values=values,
        centre=0.0,
        weight=[[round(float(time[i, j]), 0) or None for j in columns] for i in rows],
    )


def _about(document: Document, units: Units) -> dict[str, str]:
    metrics = document.metrics

    def show(name: str, unit: str) -> str:
        return units.show(metrics[name].value, unit) if name in metrics else "not logged"

    return {
        "id": document.session_id,
        "start": document.start_time.replace("T", " ")[:16],
        "length": lasting(document.duration_s),
        "outside": show("ambient_temperature_c", "degC"),
        "barometer": show("barometric_pressure_kpa", "kPa"),
        "verdict": document.verdict.text,
    }


def _metrics(a: Document, b: Document, units: Units) -> list[tuple[str, str, str]]:
    rows = []
    for name in sorted(a.metrics.keys() | b.metrics.keys()):
        cells = []
        for document in (a, b):
            metric = document.metrics.get(name)
            unit = metric_unit(name, metric.unit) if metric else ""
            cells.append(units.show(metric.value, unit) if metric else "")
        rows.append((metric_words(name), cells[0], cells[1]))
    return rows


def _missing(
    sides: Sequence[_Side], differences: Sequence[tuple[Quantity, Difference]]
) -> list[str]:
    """Quantities that one of the two logs holds and the comparison could not use."""
    done = {q.name for q, _ in differences}
    return [
        sentence(q.title)
        for q in QUANTITIES
        if q.name not in done and any(q.name in s.blocks for s in sides)
    ]
