"""Intake air: how much hotter than outside, hot in boost, and what the intercooler is worth."""

import numpy as np

from pipeline.facts._believed import believed
from pipeline.facts.boost_runs import BoostRuns
from pipeline.meta import Meta
from pipeline.physics import compressor
from pipeline.physics.air import KELVIN
from pipeline.results import (
    Cause,
    Check,
    Curve,
    Figure,
    Finding,
    LimitOfDetection,
    Metric,
    NextLog,
    Quantity,
    Result,
    evidence,
    line,
    metric,
    not_judged,
    rounded,
)
from pipeline.session import View
from pipeline.signals import segments
from pipeline.signals.segments import Bools, Floats
from pipeline.signals.smoothing import moving_mean, row_seconds
from pipeline.wording import clock

META = Meta(
    question="Does the charge stay cool, and does the intercooler do its work?",
    version=2,
    kinds=("hot_intake",),
    references=(
        "Isentropic compression with an efficiency, heat-exchanger effectiveness: textbook.",
        f"Compressor efficiency {compressor.COMPRESSOR_EFFICIENCY} +- "
        f"{compressor.COMPRESSOR_EFFICIENCY_BAND} (95 %): common practice, no source.",
    ),
    needs=("intake_air_temperature", "engine_speed"),
    uses=("ambient_air_temperature", "manifold_pressure", "vehicle_speed"),
    facts=("states", "atmosphere"),
    optional_facts=("boost_runs", "sensor_validity"),
    step=2,
)  # fmt: skip

#: km/h above which the intake gets fresh air and its rise over ambient means something.
FRESH_KMH = 40.0
#: Pressure ratio below which a compressor heats too little to judge a cooler by.
LEAST_RATIO = 1.25
#: s of a run after spooling before the intake sensor has followed the charge.
SENSOR_S = 1.5
#: s of such running in all from which a cooler is judged: the sensor follows the charge by seconds,
#: and a lone run that ends sooner reads too warm or too cool by up to a tenth of the effectiveness.
LEAST_FOLLOWED_S = 1.0
#: s by which a stretch may seem shorter than it was: each end lies between two rows, and
#: boost from a mean pressure rises a little late and falls a little early.
EDGE_S = 0.08
#: s of outside readings that are averaged: they come in steps, and the air does not change so fast.
OUTSIDE_S = 30.0
#: K that ambient and intake sensors may disagree by (95 %), after both are warm.
SENSOR_ERROR_K = 3.0
#: Intake above ambient before the first firing that speaks of a hot restart, K.
SOAKED_K = 10.0


def analyse(view: View) -> Result:
    """Judge charge temperature in boost and the intercooler."""
    time = view.time
    intake = _held(view, "intake_air_temperature")
    if intake is None:
        return not_judged("the intake air temperature has no value that can be believed")
    ambient = _held(view, "ambient_air_temperature")
    states = view.fact("states")
    driven = _driven_before(view, states.moving, states.running)
    boost = states.mask("boost") & driven
    pressure = view.get("manifold_pressure")
    metrics = _over_ambient(view, intake, ambient, driven)
    outside = _outside(ambient, driven)
    effect = _effectiveness(view, intake, outside)
    if effect is not None:
        metrics["intercooler_effectiveness"] = effect
    findings = [] if pressure is None else _hot(view, intake, ambient, boost, outside, effect)
    seconds = float(np.sum(row_seconds(time)[boost])) if boost.any() else 0.0
    shows = seconds >= view.limits.hot_intake_s
    next_log = []
    if ambient is None:
        next_log.append(
            NextLog(text="Log the outside air temperature",
                    why="the intake's rise over it and the intercooler are judged from it")
        )  # fmt: skip
    if not shows and not metrics:
        return not_judged("no boost after the first minute of driving, and no outside "
                          "temperature to compare with")  # fmt: skip
    return Result(
        status="found" if findings else ("clear" if shows else "not_judged"),
        why=_why(intake, boost, metrics, findings, seconds),
        findings=findings,
        metrics=metrics,
        figures=_figures(view, intake, ambient),
        limits_of_detection={
            "hot_intake": LimitOfDetection(
                could_show=shows,
                smallest=Quantity(value=view.limits.hot_intake_c, unit="degC"),
                over_s=rounded(seconds, 4),
            )
        },
        digest={"effectiveness": effect.value if effect is not None else None},
        next_log=next_log,
    )


def _held(view: View, name: str) -> Floats | None:
    values = view.get(name)
    if values is None:
        return None
    values = believed(view, name, values)
    return segments.hold(view.time, values, seconds=10.0) if np.isfinite(values).any() else None


def _driven_before(view: View, moving: Bools, running: Bools) -> Bools:
    """Rows after the car was driven for ``hot_intake_after_s`` in this session."""
    step = row_seconds(view.time)
    going = moving & running if view.has("vehicle_speed") else running
    driven: Bools = np.cumsum(np.where(going, step, 0.0)) >= view.limits.hot_intake_after_s
    return driven & running


def _outside(ambient: Floats | None, driven: Bools) -> float | None:
    """The outside temperature, degC: the median while driving (a parked sensor is warm)."""
    if ambient is None or not np.isfinite(ambient[driven]).any():
        return None
    return float(np.nanmedian(ambient[driven]))


def _over_ambient(
    view: View, intake: Floats, ambient: Floats | None, driven: Bools
) -> dict[str, Metric]:
    """Median rise over outside air, after a minute of driving, above 40 km/h where logged."""
    speed = view.get("vehicle_speed")
    if ambient is None:
        return {}
    use = driven & np.isfinite(ambient) & np.isfinite(intake)
    if speed is not None:
        use &= segments.hold(view.time, speed, seconds=2.0) >= FRESH_KMH
    if np.count_nonzero(use) < 20:
        return {}
    rise = (intake - ambient)[use]
    low, high = np.quantile(rise, (0.025, 0.975))
    return {"intake_over_ambient_c": metric(float(np.median(rise)), "K", low, high)}


def _effectiveness(view: View, intake: Floats, outside: float | None) -> Metric | None:
    """Intercooler effectiveness from the end of runs in boost, with its 95 % interval."""
    runs: BoostRuns | None = view.fact("boost_runs")
    if runs is None or outside is None:
        return None
    ends, ratios = [], []
    followed = 0.0
    for r in runs.runs:
        rows = np.arange(r.run.start, r.run.end)
        t = view.time[rows]
        use = (t >= r.spooled_at_s + SENSOR_S) & np.isfinite(intake[rows])
        if not np.isfinite(r.spooled_at_s) or use.sum() < 5:
            continue
        last = rows[use][-max(3, int(0.35 * use.sum())) :]
        charge = float(np.mean(runs.smooth_kpa[last]))
        ratio = (charge + compressor.CHARGE_PIPE_LOSS_KPA) / r.barometer_kpa
        if ratio >= LEAST_RATIO:
            ends.append(float(np.mean(intake[last])))
            ratios.append(ratio)
            followed += float(t[-1]) - r.spooled_at_s - SENSOR_S
    if followed < LEAST_FOLLOWED_S:
        return None
    inlet = outside + KELVIN
    out, ratio_ = np.array(ends) + KELVIN, np.array(ratios)

    def of(efficiency: float, shift: float = 0.0) -> float:
        hot = compressor.outlet_temperature_k(
            inlet_k=inlet, pressure_ratio=ratio_, efficiency=efficiency
        )
        return float(
            np.median(compressor.effectiveness(hot_in=hot, hot_out=out + shift, ambient=inlet))
        )

    middle = of(compressor.COMPRESSOR_EFFICIENCY)
    parts = [
        of(compressor.COMPRESSOR_EFFICIENCY + compressor.COMPRESSOR_EFFICIENCY_BAND) - middle,
        of(compressor.COMPRESSOR_EFFICIENCY, SENSOR_ERROR_K) - middle,
    ]
    half = float(np.hypot(parts[0], parts[1]))
    return metric(middle, "1", middle - half, middle + half)


def _hot(
    view: View,
    intake: Floats,
    ambient: Floats | None,
    boost: Bools,
    outside: float | None,
    effect: Metric | None,
) -> list[Finding]:
    limits = view.limits
    hot = intake >= limits.hot_intake_c
    if ambient is not None:
        calm = moving_mean(view.time, ambient, seconds=OUTSIDE_S)
        hot |= intake - calm >= limits.hot_intake_over_ambient_k
    # A short lift between two runs does not cool the charge pipe.
    joined = segments.fill_gaps(hot & boost, view.time, seconds=1.0)
    held = segments.long_runs(joined, view.time, seconds=limits.hot_intake_s - EDGE_S)
    starts, ends = segments.runs(held)
    if not starts.size:
        return []
    rows = np.flatnonzero(held)
    top = rows[int(np.nanargmax(intake[rows]))]
    most = float(intake[top])
    rise = most - outside if outside is not None else float("nan")
    cooler = "intercooler too small, blocked or without air"
    soak = "intake or sensor heat-soaked by the engine bay"
    hot_compressor = "compressor off its map: more pressure than it is good for"
    weak = effect is not None and effect.value < 0.5
    detail = (
        f"In boost the intake air reached {most:.0f} °C"
        + (f", {rise:.0f} K above the outside air" if np.isfinite(rise) else "")
        + f", at {clock(view.time[top])}; {starts.size} stretch"
        + ("es" if starts.size > 1 else "")
        + f" of {limits.hot_intake_s:.0f} s and longer. Hot charge is thin and knocks sooner."
    )
    if effect is not None:
        detail += (
            f" The intercooler takes out about {100 * effect.value:.0f} % of the compressor's "
            "heat that it could."
        )
    return [
        Finding(
            kind="hot_intake", severity="watch",
            confidence=0.9 if np.isfinite(rise) else 0.8,
            start_s=float(view.time[starts[0]]), end_s=float(view.time[ends[-1] - 1]),
            title="Hot intake air in boost", detail=detail, step=2,
            channels=["intake_air_temperature"],
            evidence=evidence(intake=(most, "degC"), above_outside=(rise, "K"),
                              lasted=(float(row_seconds(view.time)[held].sum()), "s")),
            likely_causes=[
                Cause(cause=cooler, probability=0.55 if weak else 0.4),
                Cause(cause=soak, probability=0.2),
                Cause(cause=hot_compressor, probability=0.15),
            ],
            next_checks=[
                Check(text="Look whether air can reach the intercooler and leave it: ducts, "
                      "fins, plates before it", tool="none", engine="off_cold", minutes=5,
                      decides=[cooler]),
                Check(text="Hold a second thermometer in the charge pipe beside the sensor while "
                      "idling hot and after 2 min of driving", tool="thermometer",
                      engine="idle", minutes=15, decides=[soak]),
            ],
        )
    ]  # fmt: skip


def _why(
    intake: Floats,
    boost: Bools,
    metrics: dict[str, Metric],
    findings: list[Finding],
    seconds: float,
) -> str:
    parts = []
    if boost.any() and np.isfinite(intake[boost]).any():
        parts.append(f"{np.nanmax(intake[boost]):.0f} °C at most in {seconds:.0f} s of boost")
    over = metrics.get("intake_over_ambient_c")
    if over is not None:
        parts.append(f"{over.value:.0f} K over the outside air while driving")
    effect = metrics.get("intercooler_effectiveness")
    if effect is not None and effect.low is not None and effect.high is not None:
        parts.append(f"intercooler effectiveness {effect.value:.2f} "
                     f"({effect.low:.2f} to {effect.high:.2f})")  # fmt: skip
    head = "Hot charge" if findings else "Intake air"
    return f"{head}: {'; '.join(parts)}" if parts else "No boost after the first minute of driving"


def _figures(view: View, intake: Floats, ambient: Floats | None) -> list[Figure]:
    runs: BoostRuns | None = view.fact("boost_runs")
    if runs is None or not runs.runs:
        return []
    lines = []
    for r in sorted(runs.runs, key=lambda r: r.run.start_s - r.run.end_s)[:6]:
        rows = slice(r.run.start, r.run.end)
        lines.append(line(clock(r.run.start_s), view.time[rows] - r.run.start_s,
                          intake[rows], points=80))  # fmt: skip
    rest = "" if ambient is None else " Compare the ends with the outside temperature."
    return [
        Curve(
            id="intake-in-runs", title="Intake air during the full-throttle runs",
            caption="Each line is one run, named by its start. A line that climbs through the "
            "run is the compressor's heat passing the intercooler; one that starts high was "
            "soaked before." + rest,
            x_label="time in the run", x_unit="s", y_label="intake air", unit="degC", lines=lines,
        )
    ]  # fmt: skip
