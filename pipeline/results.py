"""What analyses give back, and its way to and from JSON: plain data, no HTML, no charts.

Field names are those of ``analysis.json``. A number never travels without its unit. Evidence
and prose use these spellings of units: ``rpm kPa degC K s ms % deg V g/s km/h km Hz kW lambda
1``; prose writes a quantity as number, blank, unit ("120 kPa", "95 °C", "lambda 0.92"), which
is what lets a page show it in the reader's units.
"""

from collections.abc import Mapping, Sequence
from typing import Any, Literal

import msgspec
import numpy as np
from numpy.typing import ArrayLike

from pipeline.signals.decimate import DEFAULT_POINTS, minimum_maximum

Severity = Literal["info", "watch", "act", "stop"]
SEVERITIES: tuple[Severity, ...] = ("info", "watch", "act", "stop")
EngineState = Literal["off_cold", "off_hot", "key_on", "idle", "driving"]
Status = Literal["found", "clear", "not_judged", "failed"]


class _Data(msgspec.Struct, frozen=True, kw_only=True):
    """Shared settings of everything that goes into JSON."""


class Quantity(_Data, frozen=True):
    """A number with its unit."""

    value: float
    unit: str


class Cause(_Data, frozen=True):
    """A likely cause; the probabilities of one finding add up to 1 at most."""

    cause: str
    probability: float


class Check(_Data, frozen=True):
    """A next check: what to do, with what, in which state of the engine, how long it takes."""

    text: str
    tool: str
    engine: EngineState
    minutes: float
    decides: list[str] = []

    def __post_init__(self) -> None:
        # 15 and 15.0 are one number and two texts: what comes back from a file is the latter.
        msgspec.structs.force_setattr(self, "minutes", float(self.minutes))


class Finding(_Data, frozen=True):
    """One thing found. ``kind`` is a kind of the contract's table; times in seconds of the log.

    ``confidence``: probability that it happened in the engine as described. ``step``: 0 stop and
    look, 1 can the numbers be trusted, 2 mechanical, 3 fuel supply, 4 calibrate, 5 prove.
    ``blocks``: kinds not to be acted on before this one is mended. ``mode`` is "" except for
    sensor faults.
    """

    kind: str
    severity: Severity
    confidence: float
    start_s: float
    end_s: float
    title: str
    detail: str
    step: int
    blocks: list[str] = []
    channels: list[str] = []
    mode: str = ""
    evidence: dict[str, Quantity] = {}
    likely_causes: list[Cause] = []
    next_checks: list[Check] = []


class Metric(_Data, frozen=True):
    """A figure of the session; ``low`` and ``high`` are its 95 % interval, None where none."""

    value: float
    unit: str
    low: float | None = None
    high: float | None = None


class LimitOfDetection(_Data, frozen=True):
    """What a log could have shown of a kind: the smallest fault found with this power.

    ``could_show``: whether this log could have shown the kind at all at its stated threshold.
    ``over_s``: seconds of the log it was judged over.
    """

    could_show: bool
    smallest: Quantity | None = None
    power: float | None = None
    false_alarm: float | None = None
    over_s: float = 0.0


class DiagnosisItem(_Data, frozen=True):
    """A cause that explains the session's findings together."""

    cause: str
    probability: float
    explains: list[str]
    next_check: str


class Verdict(_Data, frozen=True):
    """The first line of the page."""

    severity: Severity
    text: str
    because: list[str]
    not_watched: list[str]


class ProvenCell(_Data, frozen=True):
    """A region (centre) in which lambda was trusted and on target, with nothing open."""

    rpm: float
    kpa: float
    seconds: float


class NextLog(_Data, frozen=True):
    """What to record next, and what it would settle."""

    text: str
    why: str


class FuelPoint(_Data, frozen=True):
    """One row of ``fuel_table.csv``; percentages None where verdict is unknown or blocked."""

    rpm: float
    load_kpa: float
    correction_pct: float | None
    low_pct: float | None
    high_pct: float | None
    step_pct: float | None
    sensor_pct: float | None
    evidence_s: float
    verdict: Literal["change", "keep", "unknown", "blocked"]
    reason: str = ""


def packed_points(points: Sequence[FuelPoint]) -> list[list[Any]]:
    """Points as rows of plain values in the order of their fields: a third of the keyed size."""
    return [list(msgspec.structs.astuple(p)) for p in points]


def unpacked_points(rows: Sequence[Sequence[Any]]) -> list[FuelPoint]:
    """Points again from :func:`packed_points`."""
    names = FuelPoint.__struct_fields__
    return [FuelPoint(**dict(zip(names, row, strict=True))) for row in rows]


# --- Figures: a closed set of kinds, drawn by report/charts.py -------------------------------


class Line(_Data, frozen=True):
    """One line; ``low``/``high`` are a band round it where given, same length as y."""

    label: str
    x: list[float]
    y: list[float | None]
    low: list[float | None] | None = None
    high: list[float | None] | None = None
    step: bool = False


class Panel(_Data, frozen=True):
    """One panel of a stack that shares the x axis. At most six lines."""

    title: str
    unit: str
    lines: list[Line]


class Band(_Data, frozen=True):
    """A stretch of x, such as a state or a finding."""

    label: str
    start: float
    end: float


class Mark(_Data, frozen=True):
    """A labelled place on x."""

    label: str
    x: float


class Panels(_Data, frozen=True, tag="panels", tag_field="kind"):
    """Time series in stacked panels with one shared axis."""

    id: str
    title: str
    caption: str
    panels: list[Panel]
    x_label: str = "time"
    x_unit: str = "s"
    bands: list[Band] = []
    marks: list[Mark] = []


class MapGrid(_Data, frozen=True, tag="map", tag_field="kind"):
    """A table of numbers over two axes: ``values[row][column]``, row per y, column per x.

    ``centre`` is the neutral value of a diverging colour scale, None for an amount.
    ``weight`` (same shape) is the evidence behind each cell, in ``weight_unit``.
    """

    id: str
    title: str
    caption: str
    x_label: str
    x_unit: str
    x: list[float]
    y_label: str
    y_unit: str
    y: list[float]
    value_label: str
    unit: str
    values: list[list[float | None]]
    centre: float | None = None
    weight: list[list[float | None]] | None = None
    weight_unit: str = "s"
    digits: int = 1


class Curve(_Data, frozen=True, tag="curve", tag_field="kind"):
    """Lines over any axis, each with its band where given."""

    id: str
    title: str
    caption: str
    x_label: str
    x_unit: str
    y_label: str
    unit: str
    lines: list[Line]
    marks: list[Mark] = []


class Points(_Data, frozen=True, tag="points", tag_field="kind"):
    """A scatter of at most 300 points; ``lines`` are drawn over it."""

    id: str
    title: str
    caption: str
    x_label: str
    x_unit: str
    y_label: str
    unit: str
    x: list[float]
    y: list[float]
    lines: list[Line] = []


class Bars(_Data, frozen=True, tag="bars", tag_field="kind"):
    """Amounts by name, with intervals where given."""

    id: str
    title: str
    caption: str
    value_label: str
    unit: str
    labels: list[str]
    values: list[float | None]
    low: list[float | None] | None = None
    high: list[float | None] | None = None


class Column(_Data, frozen=True):
    """Heading of a table's column; unit "" for text."""

    title: str
    unit: str = ""
    digits: int = 1


class TableFigure(_Data, frozen=True, tag="table", tag_field="kind"):
    """Rows to read; a cell is text, a number in its column's unit, or None."""

    id: str
    title: str
    caption: str
    columns: list[Column]
    rows: list[list[str | float | None]]


Figure = Panels | MapGrid | Curve | Points | Bars | TableFigure


class Result(_Data, frozen=True):
    """What one analysis gives back. The runner adds id, version and question.

    ``status`` is "found", "clear" or "not_judged" (the runner alone says "failed"). ``why``
    answers the analysis' question in one sentence; for not_judged it says what is missing.
    ``digest`` is plain JSON: what ``judge`` and later sessions compare with; keep it small.
    """

    status: Status
    why: str
    findings: list[Finding] = []
    metrics: dict[str, Metric] = {}
    figures: list[Figure] = []
    limits_of_detection: dict[str, LimitOfDetection] = {}
    digest: dict[str, Any] = {}
    next_log: list[NextLog] = []
    proven_range: list[ProvenCell] = []
    fuel_table: list[FuelPoint] = []
    diagnosis: list[DiagnosisItem] = []
    verdict: Verdict | None = None


def not_judged(why: str) -> Result:
    """The result of an analysis that cannot say anything about this log."""
    return Result(status="not_judged", why=why)


def rounded(value: float, digits: int = 6) -> float:
    """Round to significant digits, so that files hold what a number means (and -0.0 is 0.0)."""
    return float(f"{value:.{digits}g}") + 0.0


def line(
    label: str,
    x: ArrayLike,
    y: ArrayLike,
    *,
    low: ArrayLike | None = None,
    high: ArrayLike | None = None,
    points: int = DEFAULT_POINTS,
    step: bool = False,
) -> Line:
    """Make a Line from arrays (n,): thinned by minimum and maximum, rounded to 5 digits.

    With a band nothing is thinned (bands belong to short curves) and NaN become None.
    """
    placed = np.isfinite(np.asarray(x, float))  # what has no place cannot be shown
    xs, ys = np.asarray(x, float)[placed], np.asarray(y, float)[placed]
    banded = low is not None and high is not None
    if not banded:
        xs, ys = minimum_maximum(xs, ys, points)
    bands = [_numbers(np.asarray(v, float)[placed]) if banded else None for v in (low, high)]
    return Line(label=label, x=[rounded(v, 7) for v in xs.tolist()], y=_numbers(ys),
                low=bands[0], high=bands[1], step=step)  # fmt: skip


def scatter(x: ArrayLike, y: ArrayLike, digits: int = 4) -> tuple[list[float], list[float]]:
    """Places of Points from arrays (n,): only those that have both, rounded."""
    pairs = np.array([x, y], dtype=np.float64)
    xs, ys = pairs[:, np.isfinite(pairs).all(axis=0)].tolist()
    return [rounded(v, digits) for v in xs], [rounded(v, digits) for v in ys]


def grid(values: ArrayLike, digits: int = 5) -> list[list[float | None]]:
    """Turn a 2-D array into rows of numbers, NaN as None."""
    return [_numbers(row, digits) for row in np.asarray(values, dtype=np.float64)]


def _numbers(values: np.ndarray[Any, Any], digits: int = 5) -> list[float | None]:
    return [rounded(float(v), digits) if np.isfinite(v) else None for v in values]


def worst(severities: Sequence[Severity]) -> Severity:
    """Return the most severe of the given severities, "info" for none."""
    return max(severities, key=SEVERITIES.index, default="info")


def evidence(**quantities: tuple[float, str]) -> dict[str, Quantity]:
    """Build evidence from ``name=(value, unit)``, rounded to 5 significant digits."""
    return {
        name: Quantity(value=rounded(float(value), 5), unit=unit)
        for name, (value, unit) in quantities.items()
        if np.isfinite(value)
    }


def metric(value: float, unit: str, low: float | None = None, high: float | None = None) -> Metric:
    """Build a Metric rounded to 6 significant digits; a bound that is not finite becomes None."""

    def bound(number: float | None) -> float | None:
        return None if number is None or not np.isfinite(number) else rounded(float(number))

    return Metric(value=rounded(float(value)), unit=unit, low=bound(low), high=bound(high))


def finite_metrics(metrics: Mapping[str, Metric]) -> dict[str, Metric]:
    """Leave out metrics without a finite value: absent, never NaN."""
    return {name: m for name, m in metrics.items() if np.isfinite(m.value)}
