"""The table of full-throttle runs: the first thing a tuner reads."""

from dataclasses import dataclass

import numpy as np

from pipeline.facts.exhaust_delay import ExhaustDelay
from pipeline.facts.full_throttle_runs import FullThrottleRun, FullThrottleRuns
from pipeline.meta import Meta
from pipeline.results import Column, Metric, Result, TableFigure, metric, not_judged, rounded
from pipeline.session import View
from pipeline.signals import segments, smoothing
from pipeline.signals.segments import Floats

META = Meta(
    question="What did each full-throttle run look like?",
    version=1,
    kinds=(),
    references=("Lambda is moved back by the exhaust's delay where that is known.",),
    needs=("engine_speed",),
    needs_any=(("throttle_position", "manifold_pressure"),),
    uses=("lambda", "spark_advance", "knock_retard", "intake_air_temperature", "injector_duty",
          "injector_pulse_width", "fuel_pressure", "battery_voltage", "vehicle_speed"),
    facts=("full_throttle_runs", "atmosphere"),
    optional_facts=("gears", "exhaust_delay"),
    step=4,
)  # fmt: skip

#: The fixed span of speeds that is timed, as shares of the rev limit, in steps of 100 rpm: most
#: runs cross it, so that runs and sessions compare.
SPAN = (0.46, 0.77)
#: kPa below the session's peak in which spark_at_peak_pressure_deg is taken.
PEAK_BAND_KPA = 3.0
#: Rows of the table at most.
MOST_RUNS = 20
#: s of lambda's delay assumed where it is not known: usual at full load.
LAMBDA_DELAY_S = 0.12


@dataclass(frozen=True)
class Span:
    """Engine speeds between which runs are timed."""

    low: float
    high: float


def analyse(view: View) -> Result:
    """List the runs with their extremes."""
    full: FullThrottleRuns = view.fact("full_throttle_runs")
    if not full.runs:
        return not_judged("no full-throttle run of a second or longer in this log")
    limit = view.vehicle.engine.rev_limit_rpm
    span = Span(round(SPAN[0] * limit, -2), round(SPAN[1] * limit, -2))
    rows = [_row(view, full, run, span) for run in full.runs[:MOST_RUNS]]
    columns = _columns(span)
    keep = [k for k in range(len(columns)) if k < 4 or any(r[k] is not None for r in rows)]
    table = TableFigure(
        id="full-throttle-runs", title="Full-throttle runs",
        caption=f"One row per run. The seconds from {span.low:.0f} to {span.high:.0f} rpm "
        "compare between runs in the same gear on the same road; barometer, heat and slope "
        "move them. Least and most are over the run, lambda moved back by the exhaust's delay. "
        "Columns that were not logged are left out."
        + (f" The first {MOST_RUNS} of {len(full.runs)} are shown."
           if len(full.runs) > MOST_RUNS else ""),
        columns=[columns[k] for k in keep], rows=[[r[k] for k in keep] for r in rows],
    )  # fmt: skip
    seconds = sum(r.end_s - r.start_s for r in full.runs)
    return Result(
        status="clear",
        why=f"{len(full.runs)} full-throttle runs, {seconds:.0f} s in all, up to "
        f"{max(r.rpm_end for r in full.runs):.0f} rpm",
        metrics=_spark_at_peak(view, full),
        figures=[table],
        digest={"span_rpm": [span.low, span.high], "runs": [_digest(r, k) for r, k in
                                                          zip(full.runs, rows, strict=False)]},
    )  # fmt: skip


def _columns(span: Span) -> list[Column]:
    return [
        Column(title="start", unit="s", digits=0),
        Column(title="gear"),
        Column(title="from", unit="rpm", digits=0),
        Column(title="to", unit="rpm", digits=0),
        Column(title=f"{span.low:.0f}-{span.high:.0f} rpm in", unit="s", digits=2),
        Column(title="barometer", unit="kPa", digits=1),
        Column(title="peak pressure", unit="kPa", digits=0),
        Column(title="at", unit="rpm", digits=0),
        Column(title="pressure at the end", unit="kPa", digits=0),
        Column(title="leanest lambda", unit="lambda", digits=2),
        Column(title="mean lambda", unit="lambda", digits=2),
        Column(title="least spark", unit="deg", digits=1),
        Column(title="knock pulled", unit="deg", digits=1),
        Column(title="intake at first", unit="degC", digits=0),
        Column(title="intake at last", unit="degC", digits=0),
        Column(title="most injector duty", unit="%", digits=0),
        Column(title="least fuel pressure", unit="kPa", digits=0),
        Column(title="least supply", unit="V", digits=1),
    ]


def _row(
    view: View, full: FullThrottleRuns, run: FullThrottleRun, span: Span
) -> list[str | float | None]:
    time, rows = view.time, slice(run.start, run.end)
    gears = view.fact("gears")
    pressure = _values(view, "manifold_pressure", rows)
    smooth = smoothing.median_of_three(pressure) if pressure is not None else None
    peak_at = None
    if smooth is not None and np.isfinite(smooth).any():
        peak_at = full.rpm[run.start + int(np.nanargmax(smooth))]
    air = view.fact("atmosphere")
    # The site's standard pressure says nothing of the day, and would look measured here.
    barometer = None if air.source == "site" else float(np.median(air.barometer_kpa[rows]))
    delay: ExhaustDelay | None = view.fact("exhaust_delay")
    comes = LAMBDA_DELAY_S if delay is None else float(np.median(delay.delay_s[rows]))
    late = slice(
        int(np.searchsorted(time, run.start_s + comes + 0.3)),
        int(np.searchsorted(time, run.end_s + comes)),
    )
    mixture = _values(view, "lambda", late)
    calm = smoothing.median_of_three(mixture) if mixture is not None else None
    intake = _values(view, "intake_air_temperature", rows)
    intake = intake[np.isfinite(intake)] if intake is not None else None
    return [
        _cell(run.start_s), gears.name(run.gear) if gears is not None else "unknown gear",
        _cell(run.rpm_start), _cell(run.rpm_end), _cell(span_seconds(time, full.rpm, run, span)),
        _cell(barometer), _most(smooth), _cell(peak_at), _last(smooth), _most(calm), _mean(mixture),
        _least(_values(view, "spark_advance", rows)), _most(_values(view, "knock_retard", rows)),
        _cell(intake[0]) if intake is not None and intake.size else None,
        _cell(intake[-1]) if intake is not None and intake.size else None,
        _most(_duty(view, full, rows)), _least(_values(view, "fuel_pressure", rows)),
        _least(_values(view, "battery_voltage", rows)),
    ]  # fmt: skip


def span_seconds(time: Floats, rpm: Floats, run: FullThrottleRun, span: Span) -> float:
    """Seconds a run takes through the span, interpolated; NaN where it does not cover it."""
    n, t = rpm[run.start : run.end], time[run.start : run.end]
    if not (n[0] <= span.low and np.nanmax(n) >= span.high):
        return float("nan")
    rising = np.maximum.accumulate(np.nan_to_num(n))
    a, b = np.interp([span.low, span.high], rising, t)
    return float(b - a)


def _spark_at_peak(view: View, full: FullThrottleRuns) -> dict[str, Metric]:
    """Mean spark over full-throttle rows within 3 kPa of their highest manifold pressure."""
    spark, pressure = view.get("spark_advance"), view.get("manifold_pressure")
    if spark is None or pressure is None:
        return {}
    use = np.zeros(view.time.size, dtype=bool)
    for run in full.runs:
        use[run.start : run.end] = True
    use &= np.isfinite(spark) & np.isfinite(pressure)
    if np.count_nonzero(use) < 5:
        return {}
    calm = smoothing.median_of_three(pressure[use])
    near = calm >= calm.max() - PEAK_BAND_KPA
    values = spark[use][near]
    low, high = np.quantile(values, (0.025, 0.975))
    return {"spark_at_peak_pressure_deg": metric(float(values.mean()), "deg", low, high)}


def _duty(view: View, full: FullThrottleRuns, rows: slice) -> Floats | None:
    duty = _values(view, "injector_duty", rows)
    if duty is not None:
        return duty
    pulse = _values(view, "injector_pulse_width", rows)
    if pulse is None:
        return None
    shots = view.vehicle.injector.shots_per_cycle
    return np.asarray(pulse * full.rpm[rows] * shots / 1200.0, dtype=np.float64)


def _values(view: View, name: str, rows: slice) -> Floats | None:
    values = view.get(name)
    if values is None or not np.isfinite(values[rows]).any():
        return None
    return segments.hold(view.time, values, seconds=1.0)[rows]


def _cell(value: float | None) -> float | None:
    return None if value is None or not np.isfinite(value) else rounded(float(value), 4)


def _most(values: Floats | None) -> float | None:
    return None if values is None else _cell(np.nanmax(values, initial=-np.inf))


def _least(values: Floats | None) -> float | None:
    return None if values is None else _cell(np.nanmin(values, initial=np.inf))


def _mean(values: Floats | None) -> float | None:
    return None if values is None else _cell(smoothing.mean_or_nan(values))


def _last(values: Floats | None) -> float | None:
    return None if values is None else _cell(smoothing.mean_or_nan(values[-5:]))


def _digest(run: FullThrottleRun, row: list[str | float | None]) -> dict[str, float | None]:
    number = [v if isinstance(v, float) else None for v in row]
    return {
        "ratio": rounded(run.ratio, 4) if np.isfinite(run.ratio) else None,
        "span_s": number[4], "peak_kpa": number[6], "leanest": number[9], "spark": number[11],
    }  # fmt: skip
