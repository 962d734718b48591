"""What was driven, and how the warm idle stood: figures that later sessions are followed by."""

import numpy as np

from pipeline.analysis._full_throttle import full_throttle_pct
from pipeline.facts.states import States
from pipeline.meta import Meta
from pipeline.results import Column, Metric, Result, TableFigure, metric
from pipeline.session import View
from pipeline.signals import segments
from pipeline.signals.segments import Bools, Floats
from pipeline.wording import lasting

META = Meta(
    question="How far and how hard was it driven, and how did it idle warm?",
    version=1,
    kinds=(),
    references=("Sums and medians over the logged rows; no model.",),
    needs=("engine_speed",),
    uses=("vehicle_speed", "manifold_pressure", "barometric_pressure", "throttle_position",
          "ambient_air_temperature", "coolant_temperature", "injector_pulse_width",
          "idle_air_control"),
    facts=("states",),
    step=5,
)  # fmt: skip

#: s: rows further apart are a hole in the log and add no distance or time.
LONGEST_STEP_S = 2.0
#: degC of coolant from which idle counts as warm.
WARM_C = 70.0
#: s of warm idle that a median needs.
IDLE_S = 5.0
#: A heat cycle, by the contract: start below, then above for this long.
CYCLE_START_C, CYCLE_HOT_C, CYCLE_HOT_S, CYCLE_NEAR_K = 40.0, 80.0, 300.0, 10.0


def analyse(view: View) -> Result:
    """Sums over the drive and medians over warm idle."""
    states: States = view.fact("states")
    time = view.time
    step = np.diff(time, append=time[-1:])
    step = np.where(step <= LONGEST_STEP_S, step, 0.0)
    metrics: dict[str, Metric] = {}
    speed = view.get("vehicle_speed")
    if speed is not None:
        # Trapezoids between readings, so that slow channels lose nothing.
        good = np.isfinite(speed)
        t, v = time[good], speed[good]
        gap = np.diff(t)
        metrics["distance_km"] = metric(
            float(np.sum(0.5 * (v[1:] + v[:-1]) * gap * (gap <= 5.0))) / 3600.0, "km"
        )
    rpm = view.channel("engine_speed")
    metrics["engine_speed_max_rpm"] = metric(float(np.nanmax(rpm)), "rpm")
    if view.has("throttle_position") and states.open_throttle is not None:
        wide = _wide_open(view, states)
        metrics["wide_open_time_s"] = metric(float(np.sum(step[wide])), "s")
    if view.has("manifold_pressure"):
        metrics["boost_time_s"] = metric(float(np.sum(step[states.mask("boost")])), "s")
    for name, out, unit in (
        ("barometric_pressure", "barometric_pressure_kpa", "kPa"),
        ("ambient_air_temperature", "ambient_temperature_c", "degC"),
    ):
        channel = view.get(name)
        if channel is not None:
            metrics[out] = metric(float(np.nanmedian(channel)), unit)
    idle_rows = _warm_idle(view, states)
    if float(np.sum(step[idle_rows])) >= IDLE_S:
        metrics |= _idle(view, idle_rows, time)
    cycle = _heat_cycle(view, states)
    if cycle is not None:
        metrics["heat_cycles"] = metric(float(cycle), "1")
    return Result(
        status="clear",
        why=_answer(metrics, view.duration_s),
        metrics=metrics,
        figures=[_table(states, step)],
    )


def _wide_open(view: View, states: States) -> Bools:
    level = full_throttle_pct(states, view.limits.full_throttle_fraction)
    throttle = view.channel("throttle_position")
    return np.asarray(states.running & (np.nan_to_num(throttle) >= level))


def _warm_idle(view: View, states: States) -> Bools:
    rows = states.mask("idle")
    coolant = view.get("coolant_temperature")
    if coolant is not None:
        held = segments.hold(view.time, coolant, seconds=10.0)
        rows &= np.nan_to_num(held, nan=-99.0) >= WARM_C
    return rows


def _idle(view: View, rows: Bools, time: Floats) -> dict[str, Metric]:
    found = {}
    for name, out, unit in (
        ("engine_speed", "idle_speed_rpm", "rpm"),
        ("manifold_pressure", "idle_manifold_pressure_kpa", "kPa"),
        ("injector_pulse_width", "idle_pulse_width_ms", "ms"),
        ("idle_air_control", "idle_air_control_pct", "%"),
    ):
        channel = view.get(name)
        if channel is None:
            continue
        values, at = channel[rows], time[rows]
        good = np.isfinite(values)
        values, at = values[good], at[good]
        if values.size < 5:
            continue
        found[out] = _median_by_blocks(values, at, unit)
    return found


def _median_by_blocks(values: Floats, at: Floats, unit: str) -> Metric:
    """Median, its interval from the spread between ten-second blocks (idle wanders slowly)."""
    middle = float(np.median(values))
    block = np.floor(at / 10.0)
    means = np.array([float(np.mean(values[block == b])) for b in np.unique(block)])
    if means.size < 3:
        return metric(middle, unit)
    half = 1.96 * float(np.std(means, ddof=1)) / np.sqrt(means.size)
    return metric(middle, unit, middle - half, middle + half)


def _heat_cycle(view: View, states: States) -> bool | None:
    """Whether this session took the engine from cold to hot, as the contract defines a cycle."""
    coolant = view.get("coolant_temperature")
    if coolant is None or not states.start_seen or states.first_running_s is None:
        return None
    good = np.isfinite(coolant)
    if good.sum() < 10:
        return None
    begin = float(coolant[good][np.argmax(view.time[good] >= states.first_running_s)])
    ambient = view.get("ambient_air_temperature")
    near = ambient is not None and abs(begin - float(np.nanmedian(ambient))) <= CYCLE_NEAR_K
    hot = segments.hold(view.time, coolant, seconds=10.0) >= CYCLE_HOT_C
    step = np.diff(view.time, append=view.time[-1:])
    long = float(np.sum(step[hot & (step <= LONGEST_STEP_S)])) >= CYCLE_HOT_S
    return (begin < CYCLE_START_C or near) and long


def _answer(metrics: dict[str, Metric], duration_s: float) -> str:
    parts = [lasting(duration_s)]
    if "distance_km" in metrics:
        parts.append(f"{metrics['distance_km'].value:.1f} km")
    fastest = metrics["engine_speed_max_rpm"].value
    parts.append(f"up to {fastest:.0f} rpm" if fastest > 0.0 else "the engine stood still")
    if "idle_speed_rpm" in metrics:
        parts.append(f"warm idle at {metrics['idle_speed_rpm'].value:.0f} rpm")
    return ", ".join(parts)


def _table(states: States, step: Floats) -> TableFigure:
    rows: list[list[str | float | None]] = [
        [name.replace("_", " "), lasting(float(np.sum(step[states.mask(name)])))]
        for name in states.labels
        if states.mask(name).any()
    ]
    return TableFigure(
        id="states",
        title="Time in each state",
        caption="How long the engine was in each state.",
        columns=[Column(title="state"), Column(title="together")],
        rows=rows,
    )
