"""Mixture below load: idle, cruise, trims, transients; what can be said without a wideband."""

import numpy as np

from pipeline.analysis._full_throttle import full_throttle_pct
from pipeline.analysis._mixture_words import running_finding, sure_of, transient_finding
from pipeline.analysis._trims import total_trim, trim_limit
from pipeline.facts.exhaust_delay import ExhaustDelay
from pipeline.facts.mixture_course import MixtureCourse
from pipeline.facts.mixture_inputs import MixtureInputs
from pipeline.facts.states import States
from pipeline.meta import Meta
from pipeline.results import (
    Bars,
    Figure,
    Finding,
    LimitOfDetection,
    Metric,
    Result,
    metric,
    not_judged,
)
from pipeline.session import View
from pipeline.signals import segments
from pipeline.signals.segments import Bools, Floats
from pipeline.signals.smoothing import moving_mean, row_seconds

META = Meta(
    question="Is the mixture right at idle, at cruise and through throttle steps?",
    version=1,
    kinds=("lean_running", "rich_running", "trim_limit", "transient_mixture"),
    references=(
        "Thresholds of lambda error and trims: common practice, no source.",
        "Stoichiometric switching of a narrowband sensor: Heywood, Internal Combustion Engine "
        "Fundamentals (from memory).",
    ),
    needs=("engine_speed",),
    needs_any=(
        ("lambda", "lambda_2", "narrowband_voltage", "fuel_trim_short", "fuel_trim_long"),
    ),
    uses=("vehicle_speed",),
    facts=("states",),
    optional_facts=("mixture_inputs", "mixture_course", "exhaust_delay"),
    shortest_s=30.0,
    step=4,
)  # fmt: skip

#: degC of coolant and s after the start from which a mixture counts as warm.
WARM_C, WARM_S = 70.0, 60.0
#: What may move within STEADY_S of a steady engine.
STEADY_S, STEADY_KPA, STEADY_RPM = 2.0, 8.0, 250.0
#: s over which error and trims are averaged before they are judged: a closed loop swings.
MEAN_S = 2.0
#: s between stretches that are still one.
MERGE_S = 5.0
#: rpm below which a step is pulling away; s a transient has to last; events that make a habit.
STEP_RPM, TRANSIENT_S, HABIT = 1000.0, 0.15, 5
#: s before a step and after what belongs to it in which the mixture has to be right.
BESIDE_S = 0.8
#: V round which a narrowband switches.
SWITCH_V = 0.45
#: What plug flow, one lag and a log's own grid leave out of a delay, as standard deviation: on
#: cars simulated by others, whose pipes run at other temperatures, the fit missed by 20 to 30 %
#: of the truth even where it was given the true mixture in the engine.
DELAY_MODEL_MS, DELAY_MODEL_SHARE = 8.0, 0.2
#: Conditions of the delay's metric, by the contract.
DELAY_C, DELAY_KMH = 60.0, 10.0


def analyse(view: View) -> Result:
    """Zones, running mixture, trims and transients; or what a narrowband alone can tell."""
    states: States = view.fact("states")
    course: MixtureCourse | None = view.fact("mixture_course")
    inputs: MixtureInputs | None = view.fact("mixture_inputs")
    findings: list[Finding] = []
    metrics: dict[str, Metric] = {}
    total = total_trim(view, states)
    if total is not None:
        metrics |= total[1]
        findings += trim_limit(view, states, inputs)
    if course is None or inputs is None:
        return _without_wideband(view, states, findings, metrics)
    warm = course.usable & (course.since_start_s > WARM_S) & np.isfinite(course.error)
    if np.isfinite(course.coolant).any():
        warm &= course.coolant > WARM_C
    steady = warm & (_moved(course.at_s, course.pressure) < STEADY_KPA)
    steady &= _moved(course.at_s, course.rpm) < STEADY_RPM
    findings += _running(view, inputs, course, steady)
    findings += _transients(view, course)
    metrics |= _zones(view, states, inputs, course, warm, steady)
    metrics |= _delay(view, inputs)
    cut = _overrun(view, inputs)
    if cut is not None:
        metrics["overrun_lambda"] = metric(cut, "1")
    seconds = float(np.sum(row_seconds(course.at_s)[steady]))
    could = seconds >= 2 * view.limits.mixture_running_s
    return Result(
        status="found" if findings else "clear",
        why=_answer(seconds, metrics, findings),
        findings=findings,
        metrics=metrics,
        figures=_figure(metrics),
        limits_of_detection={
            "lean_running": LimitOfDetection(could_show=could, over_s=seconds),
            "rich_running": LimitOfDetection(could_show=could, over_s=seconds),
            "trim_limit": LimitOfDetection(could_show=total is not None, over_s=view.duration_s),
            "transient_mixture": LimitOfDetection(
                could_show=bool((course.stepped & course.usable).sum() > 20), over_s=seconds
            ),
        },
    )


def _moved(time: Floats, values: Floats) -> Floats:
    """Largest change within the last STEADY_S; 0 where the channel is unknown."""
    moved = segments.largest_change(time, values, seconds=STEADY_S)
    if np.isfinite(values).any():
        moved[time - time[0] < STEADY_S] = np.inf
    return moved


def _running(
    view: View, inputs: MixtureInputs, course: MixtureCourse, steady: Bools
) -> list[Finding]:
    """Error and trims together, below load, averaged over the loop's swing."""
    limits = view.limits
    below = steady & ~(course.pressure >= inputs.load_from_kpa)
    both = np.where(course.usable & np.isfinite(course.error), course.error + course.trim, np.nan)
    mean = 100.0 * moving_mean(course.at_s, both, seconds=MEAN_S)
    step = row_seconds(course.at_s)
    found = []
    for kind, sign in (("lean_running", 1.0), ("rich_running", -1.0)):
        for level, severity in ((limits.mixture_running_pct, "watch"),
                                (limits.mixture_running_info_pct, "info")):  # fmt: skip
            rows = below & (sign * mean >= level)
            longest = _longest(course.at_s, rows, step)
            if longest is None or longest[2] < limits.mixture_running_s:
                continue
            span = rows.copy()
            span[: longest[0]] = False
            span[longest[1] :] = False
            figures = {
                "start": float(course.at_s[rows][0]),
                "end": float(course.at_s[rows][-1]),
                "seconds": float(step[rows].sum()),
                "both": float(np.median(mean[span])),
                "error": 100.0 * float(np.median(course.error[span])),
                "trim": 100.0 * float(np.median(course.trim[span])),
                "rpm": float(np.median(course.rpm[span])),
                "kpa": float(np.median(course.pressure[span])),
            }
            over = abs(figures["both"]) - level
            grade = "watch" if severity == "watch" else "info"
            found.append(running_finding(kind, grade, sure_of(over), figures))  # type: ignore[arg-type]
            break
    return found


def _longest(time: Floats, rows: Bools, step: Floats) -> tuple[int, int, float] | None:
    """Stretch (start, end) with the most seconds; holes up to MERGE_S do not end one."""
    best: tuple[int, int, float] | None = None
    for a, b in zip(*segments.runs(segments.fill_gaps(rows, time, seconds=MERGE_S)), strict=True):
        seconds = float(step[a:b][rows[a:b]].sum())
        if best is None or seconds > best[2]:
            best = (int(a), int(b), seconds)
    return best


def _transients(view: View, course: MixtureCourse) -> list[Finding]:
    limits = view.limits
    most = limits.transient_pct / 100.0
    near = course.usable & course.stepped & (course.rpm > STEP_RPM) & (course.since_start_s > 30.0)
    off = near & (np.abs(course.error) > most)
    starts, ends = segments.runs(course.stepped)
    at = course.at_s
    events = []
    for a, b in zip(*segments.runs(off), strict=True):
        if b - a < 2 or at[b - 1] - at[a] + course.interval_s < TRANSIENT_S:
            continue
        step = int(np.searchsorted(starts, a, side="right")) - 1
        # What was as far off before the step, or stays so after it, is the table's error.
        before = _level(course, float(at[starts[step]]) - BESIDE_S, float(at[starts[step]]))
        past = float(at[ends[step] - 1])
        after = _level(course, past, past + BESIDE_S) if b == ends[step] else 0.0
        side = np.sign(float(np.mean(course.error[a:b])))
        if side * before <= most and side * after <= most:
            events.append((int(a), int(b), step))
    if not events:
        return []
    worst = max((course.error[a:b] for a, b, _ in events), key=lambda e: float(np.max(np.abs(e))))
    peak = float(worst[np.argmax(np.abs(worst))])
    minutes = max(float(np.sum(row_seconds(at)[course.usable])) / 60.0, 0.5)
    rate = len(events) / minutes
    often = rate > limits.transient_frequent_per_min and len(events) >= HABIT
    lean = np.mean([float(np.mean(course.error[a:b])) > 0 for a, b, _ in events])
    return [
        transient_finding(
            "watch" if often else "info",
            {
                "start": float(at[events[0][0]]),
                "end": float(at[events[-1][1] - 1]),
                "count": float(len(events)),
                "after": float(len({step for *_, step in events})),
                "steps": float(starts.size),
                "per_min": rate,
                "worst": 100.0 * peak,
                "lean_pct": 100.0 * float(lean),
            },
        )
    ]


def _level(course: MixtureCourse, start: float, end: float) -> float:
    """Median error of what can be used from ``start`` on and before ``end``, s; 0 without any."""
    rows = slice(*np.searchsorted(course.at_s, [start, end]))
    error = course.error[rows][course.usable[rows]]
    error = error[np.isfinite(error)]
    return float(np.median(error)) if error.size else 0.0


def _zones(
    view: View,
    states: States,
    inputs: MixtureInputs,
    course: MixtureCourse,
    warm: Bools,
    steady: Bools,
) -> dict[str, Metric]:
    here = np.clip(np.searchsorted(view.time, course.at_s, side="right") - 1, 0, view.time.size - 1)
    wide = full_throttle_pct(states, view.limits.full_throttle_fraction)
    calm = warm & course.settled
    zones = {
        "lambda_error_pct": steady,
        "lambda_error_idle_pct": steady & states.mask("idle")[here],
        "lambda_error_cruise_pct": steady & states.mask("cruise")[here],
        "lambda_error_wide_open_pct": calm & (course.throttle >= wide),
        "lambda_error_boost_pct": calm & (course.pressure > inputs.barometer_kpa + 2.0),
    }
    found = {}
    for name, rows in zones.items():
        value = _median(course.at_s, 100.0 * course.error, rows)
        if value is not None:
            found[name] = metric(value[0], "%", value[1], value[2])
    idle = _median(course.at_s, course.lambda_engine, zones["lambda_error_idle_pct"])
    if idle is not None:
        found["idle_lambda"] = metric(idle[0], "1", idle[1], idle[2])
    return found


def _median(time: Floats, values: Floats, rows: Bools) -> tuple[float, float, float] | None:
    """Median with its interval from the spread between blocks of five seconds."""
    use = rows & np.isfinite(values)
    if use.sum() < 20:
        return None
    middle = float(np.median(values[use]))
    _, block, count = np.unique(np.floor(time[use] / 5.0), return_inverse=True, return_counts=True)
    means = np.bincount(block, weights=values[use]) / count
    if means.size < 3:
        half = 1.96 * float(np.std(values[use]))
    else:
        half = 1.96 * float(np.std(means, ddof=1)) / np.sqrt(means.size)
    return middle, middle - half, middle + half


def _delay(view: View, inputs: MixtureInputs) -> dict[str, Metric]:
    delay: ExhaustDelay | None = view.fact("exhaust_delay")
    if delay is None:
        return {}
    rows = inputs.fuelled.copy()
    if np.isfinite(inputs.coolant_c).any():
        rows &= np.nan_to_num(inputs.coolant_c, nan=-99.0) > DELAY_C
    speed = view.get("vehicle_speed")
    if speed is not None:
        rows &= np.nan_to_num(segments.hold(view.time, speed, seconds=5.0)) > DELAY_KMH
    if rows.sum() < 20:
        return {}
    middle = 1000.0 * float(np.median(delay.delay_s[rows]))
    flow = float(np.median(delay.exhaust_flow_l_s[rows]))
    fitted = 1000.0 * delay.standard_deviation(max(flow, 0.1))
    spread = float(np.hypot(fitted, DELAY_MODEL_MS + DELAY_MODEL_SHARE * middle))
    return {
        "exhaust_delay_ms": metric(middle, "ms", middle - 1.96 * spread, middle + 1.96 * spread)
    }


def _overrun(view: View, inputs: MixtureInputs) -> float | None:
    """Median reading in the last third of fuel cuts longer than 2 s."""
    picked = []
    for a, b in zip(*segments.runs(inputs.cut), strict=True):
        if view.time[b - 1] - view.time[a] >= 2.0:
            part = inputs.reading[a + 2 * (b - a) // 3 : b]
            picked.append(part[np.isfinite(part)])
    values = np.concatenate(picked) if picked else np.array([])
    return float(np.median(values)) if values.size >= 3 else None


def _without_wideband(
    view: View, states: States, findings: list[Finding], metrics: dict[str, Metric]
) -> Result:
    """What trims and a narrowband can tell: on which side of stoichiometric, never how far."""
    parts = []
    narrow = view.get("narrowband_voltage")
    rows = states.running & ~states.fuel_cut
    if narrow is not None and (rows & np.isfinite(narrow)).sum() >= 50:
        rich = float(np.mean(narrow[rows & np.isfinite(narrow)] > SWITCH_V))
        side = "about half the time rich" if 0.3 < rich < 0.7 else (
            "mostly rich" if rich >= 0.7 else "mostly lean")  # fmt: skip
        parts.append(f"the narrowband read {side} of stoichiometric")
    if "fuel_trim_total_pct" in metrics:
        value = metrics["fuel_trim_total_pct"].value
        word = "adds fuel" if value > 1 else "takes fuel away" if value < -1 else "hardly corrects"
        parts.append(f"the closed loop {word}")
    if not parts:
        return not_judged("no reading of the mixture has a value while the engine ran")
    return Result(
        status="found" if findings else "clear",
        why=" and ".join(parts) + "; without a wideband no percentage can be given, and nothing "
        "about the mixture under load",
        findings=findings,
        metrics=metrics,
        limits_of_detection={
            "trim_limit": LimitOfDetection(
                could_show="fuel_trim_total_pct" in metrics, over_s=view.duration_s
            ),
            "lean_running": LimitOfDetection(could_show=False),
            "rich_running": LimitOfDetection(could_show=False),
        },
    )


def _answer(seconds: float, metrics: dict[str, Metric], findings: list[Finding]) -> str:
    if "lambda_error_pct" not in metrics:
        return "too little warm, steady running to judge the mixture" + (
            "; " + findings[0].title.lower() if findings else ""
        )
    value = metrics["lambda_error_pct"].value
    text = f"{abs(value):.1f} % {'lean' if value > 0 else 'rich'} of target over {seconds:.0f} s"
    if "fuel_trim_total_pct" in metrics:
        text += f", trims at {metrics['fuel_trim_total_pct'].value:+.1f} %"
    return text + ("; " + findings[0].title.lower() if findings else "")


def _figure(metrics: dict[str, Metric]) -> list[Figure]:
    """The error by zone, as bars; none where no zone was driven long enough to have one."""
    names = [n for n in metrics if n.startswith("lambda_error_") and n != "lambda_error_pct"]
    if not names:
        return []
    bars = Bars(
        id="mixture-zones",
        title="Lambda error by zone",
        caption="Median of measured against wanted lambda, warm, in the engine's own time; plus "
        "is lean. The bar's ends are its 95 % interval.",
        value_label="lambda error",
        unit="%",
        labels=[n.removeprefix("lambda_error_").removesuffix("_pct").replace("_", " ")
                for n in names],
        values=[metrics[n].value for n in names],
        low=[metrics[n].low for n in names],
        high=[metrics[n].high for n in names],
    )  # fmt: skip
    return [bars]
