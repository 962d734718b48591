"""Cooling: too hot, losing water, air in it. The rise after a stop is healthy and left out."""

from collections.abc import Sequence

import msgspec
import numpy as np

from pipeline.analysis._coolant_falls import (
    DEAD_READING_C,
    Dip,
    collapses,
    falls_away,
    intake_steps_too,
    pulling,
    sudden_steps,
    voltage_steps,
)
from pipeline.analysis._cooling_words import air_finding, loss_finding, overheating_finding
from pipeline.analysis._own_plateau import own_plateaus
from pipeline.facts.cooling_trace import CoolingTrace
from pipeline.meta import Earlier, Meta, Own
from pipeline.results import (
    Finding,
    LimitOfDetection,
    Result,
    Severity,
    not_judged,
)
from pipeline.session import View
from pipeline.signals import segments
from pipeline.signals.segments import Bools, Floats
from pipeline.wording import none_or

META = Meta(
    question="Does the cooling keep up, and is the water where it belongs?",
    version=1,
    kinds=("overheating", "coolant_loss_suspected", "air_in_coolant"),
    references=(
        "Limits of coolant temperature: common practice, no source.",
        "A sensor that stands in steam or a passing bubble reads low: common practice, no source.",
    ),
    needs=("coolant_temperature",),
    uses=("battery_voltage", "intake_air_temperature"),
    facts=("states", "cooling_trace"),
    shortest_s=60.0,
    step=2,
)

#: s after the engine began to run: the heat soaked in at the stop shows here and is healthy.
SOAK_S = 60.0
#: s above the act or stop limit (one sample proves nothing); s of the window a dip is seen in.
SUSTAINED_S, DIP_WINDOW_S = 5.0, 41
#: degC from which the usual swing is taken, blocks it needs, share of quieter blocks, most in K
#: (an open drive shows a sound thermostat swinging 4 K every half minute).
SWING_FROM_C, SWING_BLOCKS, SWING_SHARE, LARGEST_SWING_K = 65.0, 5, 0.35, 3.0
#: Earlier sessions that make the vehicle's own plateau known, by the contract.
OWN_SESSIONS = 3
#: s within which a reading of 95 degC and more has to have been seen before a sudden fall.
HOT_BEFORE_S = 180.0
#: Sudden steps that are more than one cold slug from the radiator as the thermostat first opens.
LEAST_STEPS = 3
#: s within which two signs are of one fall.
SAME_S = 6.0


def analyse(view: View) -> Result:
    """Look for heat, sudden falls and dips while the engine runs."""
    trace: CoolingTrace = view.fact("cooling_trace")
    live = trace.running & np.isfinite(trace.coolant)
    if live.sum() < 60:
        return not_judged("the engine ran for less than a minute with a coolant reading")
    settled = live & _since_running(trace, SOAK_S)
    findings = _heat(view, trace, settled)
    falls = _dips(view, trace, live)
    loss = _loss(view, falls, trace, settled)
    findings += loss
    if not loss:
        findings += _air(view, falls, _usual_swing(trace, live), trace, settled)
    hot = float(np.max(trace.coolant[live]))
    ran = float(live.sum())
    return Result(
        status="found" if findings else "clear",
        why=f"{hot:.0f} °C at most while running, "
        f"{none_or(len(falls), 'sudden dip')} of the reading"
        + ("; " + findings[0].title.lower() if findings else ""),
        findings=findings,
        limits_of_detection={
            "overheating": LimitOfDetection(could_show=bool(settled.sum() >= 120), over_s=ran),
            "coolant_loss_suspected": LimitOfDetection(
                could_show=bool(hot >= view.limits.coolant_loss_c), over_s=ran
            ),
            "air_in_coolant": LimitOfDetection(could_show=bool(hot >= 75.0), over_s=ran),
        },
        digest={"episodes": _over_by_level(trace, settled)},
    )


def judge(own: Own, history: Sequence[Earlier]) -> Result:
    """Judge heat against the vehicle's own plateau once three sessions know it."""
    plateaus = own_plateaus(own, history)
    result = own.result
    if result.status == "not_judged" or len(plateaus) < OWN_SESSIONS:
        return result
    if any(f.kind == "overheating" for f in result.findings):
        return result
    usual = float(np.median(plateaus))
    level = usual + own.vehicle.limits.overheating_rise_k
    held = [e for e in result.digest["episodes"] if e["level"] >= level]
    if not held:
        return result
    worst = max(held, key=lambda e: (e["level"], -e["start"]))
    finding = overheating_finding(
        "watch", 0.75, worst["start"], worst["end"], worst["level"],
        f"that is {worst['level'] - usual:.0f} K over its usual {usual:.0f} °C",
    )  # fmt: skip
    return msgspec.structs.replace(
        result, findings=[*result.findings, finding], status="found",
        why=result.why + "; " + finding.title.lower(),
    )  # fmt: skip


def _since_running(trace: CoolingTrace, seconds: float) -> Bools:
    """Rows that lie this long after the engine last began to run."""
    starts, ends = segments.runs(trace.running)
    mask = np.zeros(trace.running.size, np.bool_)
    for a, b in zip(starts, ends, strict=True):
        # A log that begins with the engine running has its soak behind it, as far as it shows.
        skip = int(seconds) if a > 0 or trace.first_s is not None else 0
        mask[a + skip : b] = True
    return mask


def _over_by_level(trace: CoolingTrace, mask: Bools) -> list[dict[str, float]]:
    """For each whole degree: the first stretch of 30 s and more at or above it, from 85 degC on."""
    found = []
    for level in range(85, 131):
        above = mask & (trace.coolant >= level)
        starts, ends = segments.runs(above)
        long = np.flatnonzero(ends - starts >= 30)
        if long.size == 0:
            break
        a, b = int(starts[long[0]]), int(ends[long[-1]])
        found.append({"level": float(level), "start": float(trace.seconds[a]),
                      "end": float(trace.seconds[b - 1])})  # fmt: skip
    return found


def _heat(view: View, trace: CoolingTrace, mask: Bools) -> list[Finding]:
    limits = view.limits
    level = trace.coolant
    rise = np.r_[np.zeros(5), level[5:] - level[:-5]]
    live = trace.running & np.isfinite(level)
    watch = segments.long_runs(
        mask & (level >= limits.overheating_c), trace.seconds, seconds=limits.overheating_s
    )
    climbing = mask & (level > 100.0) & (rise >= limits.overheating_rate_k_per_5s)
    act = segments.long_runs(
        mask & (level >= limits.overheating_act_c), trace.seconds, seconds=SUSTAINED_S
    ) | segments.long_runs(climbing, trace.seconds, seconds=SUSTAINED_S)
    stop = segments.long_runs(
        live & (level >= limits.overheating_stop_c), trace.seconds, seconds=SUSTAINED_S
    )
    grade: Severity
    for grade, rows, sure in (("stop", stop, 0.97), ("act", act, 0.96), ("watch", watch, 0.95)):
        if rows.any():
            any_heat = np.flatnonzero(watch | act | stop)
            a, b = int(any_heat[0]), int(any_heat[-1])
            top = float(np.nanmax(level[rows]))
            span = float(trace.seconds[a]), float(trace.seconds[b])
            note = "while running, not the rise after a stop"
            return [overheating_finding(grade, sure, *span, top, note)]
    return []


def _depths(trace: CoolingTrace, live: Bools) -> tuple[Floats, Floats, Floats]:
    """Reading, level around it, and how far it lies under that level; one value a second."""
    raw = np.where(live, trace.raw, np.nan)
    half = DIP_WINDOW_S // 2
    padded = np.pad(raw, half, mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, DIP_WINDOW_S)
    # Sorted, the values not there come last: the quantile is a place among the others.
    ordered = np.sort(windows, axis=1)
    place = np.round(0.6 * (np.isfinite(ordered).sum(axis=1) - 1)).astype(np.int64)
    base = ordered[np.arange(raw.size), np.maximum(place, 0)]
    return raw, base, base - raw


def _usual_swing(trace: CoolingTrace, live: Bools) -> float:
    """K by which the warm reading dips all the time: a lively thermostat, which is healthy."""
    if trace.raw.size < DIP_WINDOW_S:
        return 0.0
    raw, _, depth = _depths(trace, live)
    depth = np.where(raw >= SWING_FROM_C, depth, np.nan)
    count = depth.size // DIP_WINDOW_S
    blocks = depth[: count * DIP_WINDOW_S].reshape(count, DIP_WINDOW_S)
    deepest = np.max(np.nan_to_num(blocks), axis=1)[np.isfinite(blocks).mean(axis=1) > 0.5]
    if deepest.size < SWING_BLOCKS:
        return 0.0
    # No thermostat swings further than this; what does is what is looked for.
    return min(float(np.quantile(deepest, SWING_SHARE)), LARGEST_SWING_K)


def _dips(view: View, trace: CoolingTrace, live: Bools) -> list[Dip]:
    """Falls of the reading below its surroundings by the step limits, 1 to 20 s long."""
    if trace.raw.size < DIP_WINDOW_S:
        return []
    raw, base, depth = _depths(trace, live)
    starts, ends = segments.runs(np.nan_to_num(depth) >= view.limits.air_step_min_k)
    dips = []
    for a, b in zip(starts, ends, strict=True):
        deep, low = float(np.max(depth[a:b])), float(np.min(raw[a:b]))
        if b - a > 20 or low < DEAD_READING_C:
            continue
        # A steep rise lies under its surroundings, too, but fell from nowhere.
        before = float(np.nanmax(raw[max(a - DIP_WINDOW_S // 2, 0) : a], initial=-np.inf))
        if before < low + view.limits.air_step_min_k:
            continue
        if voltage_steps(view, float(trace.seconds[a]), float(trace.seconds[b - 1])):
            continue
        dips.append(Dip(float(trace.seconds[a]), float(trace.seconds[b - 1]), deep, float(base[a])))
    return dips


def _loss(view: View, dips: list[Dip], trace: CoolingTrace, settled: Bools) -> list[Finding]:
    limits = view.limits
    falls = []
    for dip in dips:
        before = (trace.seconds >= dip.start - HOT_BEFORE_S) & (trace.seconds <= dip.start)
        hottest = float(np.nanmax(np.where(before & trace.running, trace.coolant, -np.inf)))
        quick = dip.depth >= limits.coolant_loss_drop_k
        pulled = pulling(trace, dip)
        if hottest >= limits.coolant_loss_c and quick and pulled:
            falls.append((dip, hottest))
    # What came back within the window is told once, as a dip.
    whole = [*collapses(view, trace), *falls_away(view, trace, settled)]
    for fall in sorted(whole, key=lambda f: f.start):
        if not any(d.start - SAME_S <= fall.start <= d.end + SAME_S for d, _ in falls):
            falls.append((fall, fall.level))
    falls.sort(key=lambda pair: pair[0].start)
    if not falls:
        return []
    return [loss_finding([fall for fall, _ in falls], hottest=falls[0][1])]


def _air(
    view: View, dips: list[Dip], swing: float, trace: CoolingTrace, settled: Bools
) -> list[Finding]:
    limits = view.limits
    least = limits.air_step_min_k + swing
    steps = [d for d in dips if least <= d.depth <= limits.air_step_max_k * 2 and d.level >= 60.0]
    if len(steps) < 2:
        # Deep enough for no swing to hide it, or too quick for any thermostat.
        steps = sudden_steps(view, trace, settled, least=limits.air_step_min_k,
                             most=limits.air_step_max_k)  # fmt: skip
        steps = steps if len(steps) >= LEAST_STEPS else []
    # Where the water has boiled the reading jumps in steam: that is told as overheating.
    boiled = trace.seconds[trace.running & (trace.coolant >= limits.overheating_act_c)]
    steps = [d for d in steps if not boiled.size or d.start < boiled[0]]
    if not steps or intake_steps_too(view, steps):
        return []
    return [air_finding(steps)]
