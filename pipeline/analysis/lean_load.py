"""Mixture under load: lean, rich, and targets that are leaner than wise."""

import math
from dataclasses import dataclass

import numpy as np

from pipeline.analysis._mixture_words import (
    lean_load_finding,
    rich_load_finding,
    sure_of,
    target_finding,
)
from pipeline.facts.full_throttle_runs import FullThrottleRuns
from pipeline.facts.load_hiccups import LEAST_EVENTS, Hiccups
from pipeline.facts.mixture_course import MixtureCourse
from pipeline.facts.mixture_inputs import MixtureInputs
from pipeline.limits import Limits
from pipeline.meta import Meta
from pipeline.results import (
    Finding,
    LimitOfDetection,
    Metric,
    Points,
    Quantity,
    Result,
    Severity,
    line,
    metric,
    scatter,
)
from pipeline.session import View
from pipeline.signals import segments
from pipeline.signals.segments import Bools, Floats
from pipeline.signals.smoothing import row_seconds
from pipeline.vehicle import Vehicle

META = Meta(
    question="Is the mixture right under load, and is its target wise?",
    version=1,
    kinds=("lean_under_load", "rich_under_load", "lean_target"),
    references=(
        "Thresholds of lambda under load: common practice, no source.",
        "Delay and lag of the reading: SAE 970613 (by name); see the fact exhaust_delay.",
    ),
    needs=("engine_speed",),
    needs_any=(("lambda", "lambda_2"),),
    uses=("barometric_pressure",),
    facts=("mixture_inputs", "mixture_course"),
    optional_facts=("load_hiccups", "full_throttle_runs"),
    shortest_s=30.0,
    step=0,
)

#: rpm below which a loaded engine is pulling away, not running under load.
LEAST_RPM = 1000.0
#: Findings of one kind that stay apart; further episodes are merged into the last.
MOST = 4
#: An episode shorter than this, s, has to exceed the limit by the noise of one reading, at most by
#: this share of the limit: an engine a little leaner than wanted for minutes would else be told of
#: sooner or later, by noise alone.
BRIEF_S, BRIEF_SHARE = 0.6, 0.15
#: s before and after, in the engine's own time, over which a mixture has to stay lean where firings
#: fail under load: longer than bursts of them and what they leave in the pipe.
MISSED_S = 0.6
#: Hiccups in a second of full throttle that leave no time between them.
MANY_PER_S = 0.5
#: degC below which a controller may still enrich for the cold (common practice: 60-80 degC).
ENRICHED_BELOW_C = 70.0
#: s between episodes that still are one.
MERGE_S = 4.0
#: Fuels the wise targets are stated for.
PETROL = ("petrol", "e10")


@dataclass(frozen=True)
class Episode:
    """One stretch: s, and rows (indices into the course)."""

    start: float
    end: float
    rows: slice


def analyse(view: View) -> Result:
    """Find stretches under load that are lean, rich or aimed too lean."""
    course: MixtureCourse = view.fact("mixture_course")
    inputs: MixtureInputs = view.fact("mixture_inputs")
    limits = view.limits
    loaded = (course.pressure >= inputs.load_from_kpa) & (course.rpm > LEAST_RPM)
    able = loaded & course.usable
    judged = able & course.settled
    seconds = np.where(judged, row_seconds(course.at_s), 0.0)
    findings: list[Finding] = []
    metrics: dict[str, Metric] = {}
    known = np.isfinite(course.target)
    lean = known & (_lasting(view, course) > limits.lean_load_pct / 100.0)
    # What follows a step and returns by itself is a transient; what stays began where it began.
    episodes = _episodes(course, judged & lean, limits.lean_load_s, able & course.calm & lean,
                         _beyond_noise(course, judged, limits))  # fmt: skip
    findings += [_lean(view, course, e, n, judged & lean) for e, n in _bounded(episodes)]
    # a reading at its rich end does not say how rich, but that it is at least so rich
    able = (course.usable | course.at_rich_end) & course.settled
    asked = known & ~_enriched(course, inputs)
    rich = asked & (course.error < -limits.rich_load_pct / 100.0)
    rich |= course.lambda_engine < limits.rich_load_lambda
    rich &= able & loaded
    for episode, count in _bounded(_episodes(course, rich, limits.rich_load_s)):
        excess = np.where(known, -course.error, -course.lambda_engine)
        about = _about(course, episode, count, rich, excess)
        findings.append(rich_load_finding(about, count))
    # What the engine is told needs no reading that can be believed.
    wise = _wise(view.vehicle, course.pressure)
    # A target that only just touches the line is the line's own rounding.
    aimed = loaded & known & course.calm & (course.target > wise + 0.004)
    aimed &= _is_petrol(view.vehicle)
    for episode, count in _bounded(_episodes(course, aimed, limits.lean_load_s)):
        about = _about(course, episode, count, aimed, course.target - wise)
        most = _wise(view.vehicle, np.array([about["kpa"]]))[0]
        findings.append(target_finding(about, float(most), count))
    over = float(seconds.sum())
    if known.any():
        total = sum(e.end - e.start for e in episodes)
        metrics["lean_load_time_s"] = metric(total, "s")
    boost = course.usable & (course.pressure > inputs.barometer_kpa + 2.0)
    leanest = _held_maximum(course, boost, limits.lean_load_s)
    if leanest is not None:
        metrics["lambda_leanest_boost"] = metric(leanest, "1")
    return Result(
        status="found" if findings else "clear",
        why=_answer(over, course, judged, metrics, findings),
        findings=findings,
        metrics=metrics,
        figures=[_figure(course, judged)] if judged.sum() >= 20 else [],
        limits_of_detection={
            "lean_under_load": LimitOfDetection(
                could_show=over >= 1.0 and bool(known.any()),
                smallest=Quantity(value=limits.lean_load_pct, unit="%"),
                over_s=round(over, 1),
            ),
            "rich_under_load": LimitOfDetection(
                could_show=over >= 2.0,
                smallest=Quantity(value=limits.rich_load_pct, unit="%"),
                over_s=round(over, 1),
            ),
            "lean_target": LimitOfDetection(
                could_show=bool((known & loaded).any()) and _is_petrol(view.vehicle),
                over_s=round(over, 1),
            ),
        },
    )


def _enriched(course: MixtureCourse, inputs: MixtureInputs) -> Bools:
    """Moments (k,) of a cold engine whose target is the vehicle file's table.

    The table knows nothing of the coolant, while every controller enriches a cold engine: by how
    much it was asked to is not known. A target in the log is what was asked for, warm or cold.
    """
    if inputs.target_source != "vehicle":
        return np.zeros(course.at_s.size, dtype=bool)
    return ~(course.coolant > ENRICHED_BELOW_C) & np.isfinite(course.coolant)


def _lasting(view: View, course: MixtureCourse) -> Floats:
    """Error (n,) with what firings that fail under load add to it taken off.

    Where misses were found, full throttle counts as lean only as far as all of MISSED_S around is:
    the oxygen of a failed firing comes and goes, fuel that runs short stays away for longer. Where
    they are many the reading never comes to rest and says nothing of the fuel (NaN).
    """
    found: Hiccups | None = view.fact("load_hiccups")
    runs: FullThrottleRuns | None = view.fact("full_throttle_runs")
    if found is None or runs is None or found.times.size < LEAST_EVENTS:
        return course.error
    at = course.at_s
    filled = np.where(np.isfinite(course.error), course.error, np.inf)
    low, _ = segments.window_extremes(
        filled, np.searchsorted(at, at - MISSED_S), np.searchsorted(at, at + MISSED_S, side="right")
    )
    pulling = segments.spread(
        at.size,
        np.searchsorted(at, [run.start_s for run in runs.runs]),
        np.searchsorted(at, [run.end_s + MISSED_S for run in runs.runs]),
    )
    if found.times.size > MANY_PER_S * found.seconds:
        low = np.full(at.size, np.nan)
    return np.where(pulling, np.where(np.isfinite(low), low, np.nan), course.error)


def _episodes(
    course: MixtureCourse, mask: Bools, least_s: float, led_by: Bools | None = None,
    brief_enough: Floats | None = None,
) -> list[Episode]:  # fmt: skip
    """Stretches of the mask of at least ``least_s``; close ones are one.

    led_by: rows that, without a break before a stretch, are its beginning. brief_enough (k,): of a
    stretch shorter than BRIEF_S the median of these, NaN left out, has to be above 0.
    """
    time = course.at_s
    bridged = segments.fill_gaps(mask, time, seconds=2.5 * course.interval_s)
    lead = bridged if led_by is None else (
        bridged | segments.fill_gaps(led_by | mask, time, seconds=2.5 * course.interval_s)
    )  # fmt: skip
    break_before = segments.last_true(~lead)
    found: list[Episode] = []
    for a, b in zip(*segments.runs(bridged), strict=True):
        end = float(time[b - 1]) + course.interval_s
        lasted = end - float(time[a])
        if lasted < least_s or mask[a:b].sum() < 3:
            continue
        if brief_enough is not None and lasted < BRIEF_S and np.nanmedian(brief_enough[a:b]) <= 0.0:
            continue
        a = break_before[a] + 1
        if found and float(time[a]) - found[-1].end < MERGE_S:
            found[-1] = Episode(found[-1].start, end, slice(found[-1].rows.start, int(b)))
        else:
            found.append(Episode(float(time[a]), end, slice(int(a), int(b))))
    return found


def _beyond_noise(course: MixtureCourse, judged: Bools, limits: Limits) -> Floats:
    """By how much the error exceeds the limit and the noise of one reading (k,); NaN: not judged.

    Noise from neighbouring readings (median of their distance, normal consistent).
    """
    pair = judged[1:] & judged[:-1]
    limit = limits.lean_load_pct / 100.0
    noise = 0.0
    if np.count_nonzero(pair) >= 20:
        step = np.abs(np.diff(course.reading)[pair] / course.reading[1:][pair])
        noise = 1.4826 * float(np.median(step)) / math.sqrt(2.0)
    beyond: Floats = np.where(
        judged, course.error - limit - min(noise, BRIEF_SHARE * limit), np.nan
    )
    return beyond


def _bounded(episodes: list[Episode]) -> list[tuple[Episode, int]]:
    """At most MOST episodes, each with how many it stands for; the last takes the rest."""
    if len(episodes) <= MOST:
        return [(e, 1) for e in episodes]
    head, rest = episodes[: MOST - 1], episodes[MOST - 1 :]
    last = Episode(rest[0].start, rest[-1].end, slice(rest[0].rows.start, rest[-1].rows.stop))
    return [*((e, 1) for e in head), (last, len(rest))]


def _about(
    course: MixtureCourse, episode: Episode, count: int, use: Bools, excess: Floats
) -> dict[str, float]:
    """Figures of an episode at its worst moment by ``excess`` (k,), of the rows in ``use`` (k,).

    An episode that stands for ``count`` of them lasted as long as its rows, not from first to last.
    """
    rows = np.flatnonzero(use[episode.rows]) + episode.rows.start
    index = rows[np.argmax(np.nan_to_num(excess[rows], nan=-np.inf))]
    error = course.error[rows][np.isfinite(course.error[rows])]
    return {
        "start": episode.start,
        "end": episode.end,
        "lasted": float(row_seconds(course.at_s)[rows].sum())
        if count > 1
        else episode.end - episode.start,
        "error": 100.0 * float(np.nan_to_num(course.error[index])),
        "median": 100.0 * float(np.median(error)) if error.size else 0.0,
        "lambda": float(course.lambda_engine[index]),
        "target": float(course.target[index]),
        "rpm": float(course.rpm[index]),
        "kpa": float(course.pressure[index]),
        "top_kpa": float(np.nanmax(course.pressure[rows])),
    }


def _lean(view: View, course: MixtureCourse, episode: Episode, count: int, lean: Bools) -> Finding:
    """``lean`` (k,): rows that are. An episode that stands for several holds any others, too."""
    limits = view.limits
    rows = episode.rows
    use = lean[rows]
    error = np.where(use, course.error[rows], -1.0)
    kpa = np.where(use, course.pressure[rows], 0.0)
    lam = np.where(use, course.lambda_engine[rows], 0.0)
    step = row_seconds(course.at_s[rows])

    def lasted(mask: Bools) -> float:
        return float(step[mask].sum())

    deep = lasted((kpa >= limits.lean_stop_kpa) & (error >= limits.lean_stop_pct / 100.0))
    bare = lasted((kpa >= limits.lean_stop_kpa) & (lam > limits.lean_stop_lambda))
    high = lasted((kpa >= limits.lean_act_kpa) & (error > limits.lean_load_pct / 100.0))
    much = lasted(error >= limits.lean_act_pct / 100.0)
    severity: Severity = "watch"
    if high >= limits.lean_load_s or much >= limits.lean_load_s:
        severity = "act"
    if deep >= limits.lean_load_s or bare >= limits.lean_stop_s:
        severity = "stop"
    about = _about(course, episode, count, lean, course.error)
    noise = float(np.std(np.diff(course.lambda_engine[rows]))) * 100.0 if use.sum() > 5 else 1.0
    over = (about["median"] - limits.lean_load_pct) / max(noise, 0.5)
    return lean_load_finding(about, severity, sure_of(over), count)


def _is_petrol(vehicle: Vehicle) -> bool:
    return vehicle.fuel.kind in PETROL


def _wise(vehicle: Vehicle, kpa: Floats) -> Floats:
    """Leanest target thought wise at each pressure, inf below the first one stated."""
    limits = vehicle.limits
    wise = np.interp(kpa, limits.lean_target_kpa, limits.lean_target_lambda)
    return np.where(kpa >= limits.lean_target_kpa[0], wise, np.inf)


def _held_maximum(course: MixtureCourse, mask: Bools, seconds: float) -> float | None:
    """Largest lambda that held for ``seconds`` within the mask."""
    best: float | None = None
    for a, b in zip(*segments.runs(mask), strict=True):
        time, lam = course.at_s[a:b], course.lambda_engine[a:b]
        if time[-1] - time[0] < seconds:
            continue
        begin = np.searchsorted(time, time - seconds, side="left")
        low, _ = segments.window_extremes(lam, begin, np.arange(1, lam.size + 1))
        full = time - time[0] >= seconds
        top = float(low[full].max())
        best = top if best is None else max(best, top)
    return best


def _answer(
    over: float, course: MixtureCourse, judged: Bools, metrics: dict[str, Metric],
    findings: list[Finding],
) -> str:  # fmt: skip
    if over < 0.3:
        return "there was no settled running under load to judge"
    known = judged & np.isfinite(course.error)
    text = f"{over:.0f} s under load"
    if known.any():
        middle = 100.0 * float(np.median(course.error[known]))
        text += f", typically {abs(middle):.1f} % {'lean' if middle > 0 else 'rich'} of target"
    if "lambda_leanest_boost" in metrics:
        text += f", leanest in boost lambda {metrics['lambda_leanest_boost'].value:.2f}"
    return text + ("; " + findings[0].title.lower() if findings else "")


def _figure(course: MixtureCourse, judged: Bools) -> Points:
    rows = np.flatnonzero(judged & np.isfinite(course.pressure))
    picked = rows[np.linspace(0, rows.size - 1, min(rows.size, 300)).astype(int)]
    order = np.argsort(course.pressure[rows])
    lines = []
    if np.isfinite(course.target[rows]).any():
        part = np.array_split(rows[order], 12)
        kpa = [float(np.mean(course.pressure[p])) for p in part if p.size]
        lines.append(
            line("target", kpa, [float(np.median(course.target[p])) for p in part if p.size])
        )
    x, y = scatter(course.pressure[picked], course.lambda_engine[picked])
    return Points(
        id="lambda-load",
        title="Lambda under load",
        caption="Each point is a settled moment under load, in the engine's own time; the line is "
        "the target. Points above the line are leaner than wanted.",
        x_label="manifold pressure",
        x_unit="kPa",
        y_label="lambda",
        unit="lambda",
        x=x,
        y=y,
        lines=lines,
    )
