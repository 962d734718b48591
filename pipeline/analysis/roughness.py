"""Is it running on all cylinders? Missing firings in idle and steady driving, and their limits."""

from collections.abc import Mapping, Sequence
from typing import Any

import msgspec
import numpy as np

from pipeline.analysis._rough_signs import blind_words, corroboration, could_words
from pipeline.analysis._rough_single import single_dip, words
from pipeline.facts.misfire_stretches import MisfireStretches
from pipeline.facts.steady_stretches import BAND_RATIO, SteadyStretches
from pipeline.meta import Earlier, Meta, Own
from pipeline.results import (
    Bars,
    Cause,
    Check,
    Curve,
    Finding,
    LimitOfDetection,
    Metric,
    NextLog,
    Quantity,
    Result,
    Severity,
    evidence,
    line,
    metric,
    rounded,
)
from pipeline.session import View
from pipeline.signals.idle_quality import IdleQuality, idle_quality
from pipeline.signals.matched_filter import LEVELS
from pipeline.signals.misfire import ClassResult
from pipeline.signals.misfire_decision import Detection

META = Meta(
    question="Is it running on all cylinders?",
    version=3,
    kinds=("rough_running",),
    needs=("engine_speed",),
    uses=("lambda", "exhaust_gas_temperature", "manifold_pressure", "coolant_temperature"),
    facts=("steady_stretches", "misfire_stretches"),
    shortest_s=20.0,
    step=2,
    references=(
        "Order tracking on uneven samples: Lomb 1976, Scargle 1982",
        "Production misfire monitors compare segment times per firing; 13 CCR 1968.2(e)(3)",
        "Gaussian mixtures and likelihood ratios on crank speed: ASME ICEF2001-125",
    ),
)

#: Quiet sessions after which the vehicle is its own judge.
QUIET_SESSIONS = 3
#: The irregularity at idle has to exceed the vehicle's own by this factor and this many of the
#: robust deviations of its earlier sessions (of the logarithm), at like temperature.
OWN_FACTOR = 1.8
OWN_SIGMA = 4.0
#: The logarithm of irregularity varies by at least this much from session to session.
OWN_SPREAD = 0.12
#: K: idle is compared with sessions whose idle coolant was within this.
LIKE_TEMPERATURE_K = 15.0
#: Confidence that it happened in the engine: by the margin of the test. Of findings in as many
#: disturbed healthy logs as faulty ones (8-50 Hz, 3-8 cylinders) 100, 100 and 96 % were right
#: (n 1395, 242, 280), in held-back drives 98 %.
CONFIDENCE_STRONG, CONFIDENCE_CLEAR, CONFIDENCE_NEAR = 0.98, 0.96, 0.92
POWER = 0.95


def analyse(view: View) -> Result:
    """Report rough running, the figures of the idle, and what could have shown."""
    steady: SteadyStretches = view.fact("steady_stretches")
    found: MisfireStretches = view.fact("misfire_stretches")
    detection = found.detection
    quality = _quality(view, steady)
    metrics = _metrics(quality)
    limit = _limit(detection, view.limits.false_alarm_per_session)
    digest = _digest(view, steady, detection, quality)
    findings = [_finding(view, found)] if detection.found else []
    could = could_words(detection.smallest_share)
    could += blind_words(detection, view.vehicle.engine.cylinders)
    if detection.suspected:
        findings = [single_dip(detection, view.duration_s)]
        why = f"{words(detection)}. {could}"
    elif findings:
        why = f"no: about {_percent(detection.share)} of one cylinder's firings are missing"
    elif detection.hidden_in is not None:
        why = (
            f"the firings scatter by {_percent(detection.hidden_in)} of their work (3 to 10 % in a "
            "quiet engine); logged at this rate, a wild cam and a cylinder that misses every "
            "other time look alike"
        )
    else:
        why = (
            f"as far as this log shows: nothing missing in {detection.seconds:.0f} s of idle and "
            f"steady driving ({detection.cycles:.0f} engine cycles). {could}"
        )
    next_log = []
    if limit.smallest is None or limit.smallest.value > 5.0:
        next_log.append(NextLog(
            text="warm idle for 2 min and a steady 2 min at about 2500 rpm, pedal still, engine "
                 "speed logged at 20 Hz or more",
            why="a longer and steadier stretch shows rarer misses",
        ))  # fmt: skip
    return Result(
        status="found" if findings else "clear" if detection.hidden_in is None else "not_judged",
        why=why, findings=findings, metrics=metrics,
        figures=_figures(detection), limits_of_detection={"rough_running": limit},
        digest=digest, next_log=next_log,
    )  # fmt: skip


def _percent(share: float) -> str:
    value = 100.0 * share
    return f"{value:.0f} %" if value >= 3 else f"{value:.1f} %"


def _quality(view: View, steady: SteadyStretches) -> IdleQuality | None:
    pick = steady.band == 0
    rows = steady.rows[pick]
    if rows.size < 40:
        return None
    return idle_quality(view.time[rows], view.channel("engine_speed")[rows], steady.starts[pick])


def _metrics(quality: IdleQuality | None) -> dict[str, Metric]:
    if quality is None:
        return {}
    out = {
        "idle_roughness_pct": metric(quality.roughness_pct, "%", *quality.roughness_interval),
    }
    if quality.half_order_rpm is not None:
        out["half_order_amplitude_rpm"] = metric(
            quality.half_order_rpm, "rpm", *quality.half_order_interval
        )
    return out


def _limit(detection: Detection, false_alarm: float) -> LimitOfDetection:
    share = detection.smallest_share
    return LimitOfDetection(
        could_show=share is not None,
        smallest=None if share is None else Quantity(value=rounded(100.0 * share, 3), unit="%"),
        power=None if share is None else POWER,
        false_alarm=None if share is None else false_alarm,
        over_s=rounded(detection.seconds, 4),
    )


def _digest(
    view: View, steady: SteadyStretches, detection: Detection, quality: IdleQuality | None
) -> dict[str, Any]:
    out: dict[str, Any] = {"found": detection.found, "bands": {}}
    for part in detection.classes:
        noise = part.noise_rpm / np.sqrt(part.interval_s) / part.speed_rpm
        out["bands"][band_key(part)] = rounded(100.0 * float(noise), 4)
    if quality is not None:
        out["idle_roughness_pct"] = rounded(quality.roughness_pct, 4)
        rows = steady.rows[steady.band == 0]
        coolant = view.get("coolant_temperature")
        if coolant is not None and np.isfinite(coolant[rows]).any():
            out["coolant_c"] = rounded(float(np.nanmedian(coolant[rows])), 3)
        out["idle_s"] = rounded(steady.seconds(view.time, idle=True), 4)
        out["rate_hz"] = rounded(steady.effective_hz, 3)
    return out


def band_key(part: ClassResult) -> str:
    """Name of a class that is the same in every session: idle, or its band of speed."""
    if part.idle:
        return "idle"
    level = round(np.log(part.speed_rpm / 1000.0) / np.log(BAND_RATIO))
    low, high = (1000.0 * BAND_RATIO ** (level + k) for k in (-0.5, 0.5))
    return f"{round(low, -2):.0f}-{round(high, -2):.0f} rpm"


def _finding(view: View, found: MisfireStretches) -> Finding:
    detection = found.detection
    share = detection.share
    severity: Severity = "act" if share >= view.limits.rough_act_share else "watch"
    ratio = detection.p / max(view.limits.false_alarm_per_session, 1e-9)
    confidence = (
        CONFIDENCE_STRONG if ratio < 1e-4 else CONFIDENCE_CLEAR if ratio < 1e-2
        else CONFIDENCE_NEAR
    )  # fmt: skip
    facts = evidence(
        share_of_one_cylinder=(100.0 * share, "%"),
        share_low=(100.0 * detection.low, "%"),
        share_high=(100.0 * detection.high, "%"),
        chance_of_false_alarm=(100.0 * detection.p, "%"),
        watched=(detection.seconds, "s"),
    )
    says = []
    if detection.by_line:
        best = min((c for c in detection.classes if c.line_cells), key=lambda c: c.line_p)
        facts |= evidence(half_order_over_floor=(best.line_ratio, "1"))
        # A band of driving has its speed in its name.
        at = best.name if "rpm" in best.name else f"{best.name} at {best.speed_rpm:.0f} rpm"
        says.append(
            f"The speed repeats itself once in two turns ({best.line_ratio:.1f} times the noise "
            f"around it, {at}), as when one cylinder is weak or dead"
        )
    if detection.by_skew:
        part = min(detection.classes, key=lambda c: c.skew_p)
        facts |= evidence(skewness=(part.skew, "1"))
        says.append(
            f"The speed falls suddenly more than it rises ({part.name}), as when firings fail "
            "often but not always"
        )
    if detection.by_pulse and not (detection.by_line and share > 0.2):
        pulses = [c for c in detection.classes if c.pulse_rpm > 0]
        size = float(np.median([c.pulse_rpm for c in pulses])) if pulses else 0.0
        facts |= evidence(dips=(float(detection.count), "1"), dip_size=(size, "rpm"))
        says.append(
            f"{detection.count} sudden falls of about {size:.0f} rpm with a recovery were seen, "
            "rises of that size hardly: single firings that failed"
        )
    more, shift = corroboration(view, found, view.fact("steady_stretches"))
    says += more
    confidence = float(np.clip(confidence + shift, 0.05, 0.99))
    says.append(
        f"That is about {_percent(share)} of one cylinder's firings (95 % interval "
        f"{_percent(detection.low)} to {_percent(detection.high)}). Which cylinder a speed at "
        "this rate cannot tell"
    )
    starts = [a for a, _, _ in found.stretches]
    ends = [b for _, b, _ in found.stretches]
    dead = share >= 0.5
    return Finding(
        kind="rough_running", severity=severity, confidence=rounded(confidence, 2),
        start_s=rounded(max(0.0, min(starts)), 6),
        end_s=rounded(min(view.duration_s, max(ends)), 6),
        title="One cylinder hardly fires" if dead else "The engine misses firings now and then",
        detail=". ".join(says) + ".",
        step=2, blocks=["lean_under_load", "lean_running", "rich_running", "trim_limit"],
        channels=["engine_speed"], evidence=facts,
        likely_causes=_causes(dead), next_checks=_checks(dead),
    )  # fmt: skip


def _causes(dead: bool) -> list[Cause]:
    """Shares of the causes; common practice, no source."""
    pairs = (
        (("spark plug, lead or coil of one cylinder", 0.45), ("injector or its plug", 0.28),
         ("low compression in one cylinder", 0.15), ("mixture of one cylinder", 0.05))
        if dead else
        (("spark plug, lead or coil of one cylinder", 0.42), ("injector or its plug", 0.18),
         ("mixture too lean or too rich at idle", 0.17), ("intake leak at one cylinder", 0.10),
         ("low compression in one cylinder", 0.06))
    )  # fmt: skip
    return [Cause(cause=name, probability=p) for name, p in pairs]


def _checks(dead: bool) -> list[Check]:
    spark = "spark plug, lead or coil of one cylinder"
    injector = "injector or its plug"
    compression = "low compression in one cylinder"
    return [
        Check(text="Look at and listen to every plug, lead and connector of coils and injectors; "
                   "wiggle each at idle", tool="eyes and hands", engine="idle", minutes=5,
              decides=[spark, injector]),
        Check(text="Unplug one injector at a time: the cylinder whose unplugging changes nothing "
                   "is the one", tool="hands", engine="idle", minutes=10,
              decides=[spark, injector, compression] if dead else [spark, injector]),
        Check(text="Take the plugs out and compare them: wet is spark, dry and clean is fuel, "
                   "gap against the data", tool="plug spanner, feeler gauge", engine="off_hot",
              minutes=25, decides=[spark, injector]),
        Check(text="Swap coil, lead and plug with the neighbour's and log again",
              tool="spanner", engine="off_hot", minutes=20, decides=[spark]),
        Check(text="Measure compression of all cylinders, throttle open; leak-down on the low one",
              tool="compression gauge", engine="off_hot", minutes=45, decides=[compression]),
    ]  # fmt: skip


def _figures(detection: Detection) -> list[Any]:
    tested = [c for c in detection.classes if c.line_cells]
    figures: list[Any] = []
    if tested:
        figures.append(Bars(
            id="half_order_share", title="Half-order line against one dead cylinder",
            caption="Each bar is how strong the line at half the crank's order is, as a share of "
                    "the line one dead cylinder would draw. Healthy engines stay below 13-21 %, "
                    "the more cylinders the higher; the scale is known to a factor of two.",
            value_label="share of one dead cylinder", unit="%",
            labels=[c.name for c in tested],
            values=[rounded(100.0 * min(1.5, c.line_share), 3) for c in tested],
        ))  # fmt: skip
    falls, rises, chance = _counts(detection.classes)
    figures.append(Curve(
        id="falls_and_rises", title="Sudden falls and rises of the speed",
        caption="How many sudden falls and rises of the speed exceed a height, counted in standard "
                "deviations of this log's own noise. Missing firings make falls only: where the "
                "falls stand clear above rises and chance, firings are missing.",
        x_label="height of the fall or rise, standard deviations", x_unit="1",
        y_label="how many", unit="1",
        lines=[line("falls", LEVELS, falls), line("rises", LEVELS, rises),
               line("by chance", LEVELS, chance)],
    ))  # fmt: skip
    return figures


def _counts(classes: Sequence[ClassResult]) -> tuple[list[float], list[float], list[float]]:
    falls = [float(sum((c.pulses.fall_heights > u).sum() for c in classes)) for u in LEVELS]
    rises = [float(sum((c.pulses.rise_heights > u).sum() for c in classes)) for u in LEVELS]
    chance = [
        float(sum(c.pulses.expected[i] for c in classes)) for i in range(len(LEVELS))
    ]  # fmt: skip
    return falls, rises, chance


def judge(own: Own, history: Sequence[Earlier]) -> Result:
    """Compare the irregularity at idle with the vehicle's own quiet sessions."""
    result = own.result
    mine = result.digest.get("idle_roughness_pct")
    if mine is None or result.digest["found"]:
        return result
    like = [e.digest for e in history if _is_like(e, result.digest)]
    if len(like) < QUIET_SESSIONS:
        return result
    logs = np.log([max(float(d["idle_roughness_pct"]), 1e-3) for d in like])
    centre = float(np.median(logs))
    spread = max(OWN_SPREAD, 1.4826 * float(np.median(np.abs(logs - centre))))
    rise = float(np.log(max(float(mine), 1e-3))) - centre
    why = result.why + (
        f" Idle is {np.exp(rise):.2f} times as uneven as in {len(like)} earlier quiet sessions."
    )
    why += _band_words(result.digest, like)
    if rise < np.log(OWN_FACTOR) or rise < OWN_SIGMA * spread:
        return msgspec.structs.replace(result, why=why)
    finding = Finding(
        kind="rough_running", severity="watch", confidence=0.8, start_s=0.0,
        end_s=rounded(own.duration_s, 6),
        title="Idle is rougher than this car's own",
        detail=f"Engine speed at idle varies by {float(mine):.2f} % about its own course, "
               f"{np.exp(rise):.1f} times the middle of {len(like)} earlier quiet sessions at like "
               "temperature. No pattern of one cylinder stands out, so it may be the mixture, an "
               "intake leak or misses spread over all cylinders.",
        step=2, blocks=["lean_running", "rich_running"], channels=["engine_speed"],
        evidence=evidence(idle_roughness=(float(mine), "%"),
                          own_usual=(float(np.exp(centre)), "%"), sessions=(len(like), "1")),
        likely_causes=[Cause(cause="mixture too lean or too rich at idle", probability=0.35),
                       Cause(cause="intake leak", probability=0.25),
                       Cause(cause="weak spark", probability=0.2)],
        next_checks=[Check(text="Look for loose hoses and listen for hissing at idle",
                           tool="ears, soapy water", engine="idle", minutes=10,
                           decides=["intake leak"]),
                     Check(text="Take the plugs out and compare them", tool="plug spanner",
                           engine="off_hot", minutes=25,
                           decides=["weak spark", "mixture too lean or too rich at idle"])],
    )  # fmt: skip
    return msgspec.structs.replace(result, status="found", why=why,
                                   findings=[finding, *result.findings])  # fmt: skip


def _band_words(mine: Mapping[str, Any], like: Sequence[Mapping[str, Any]]) -> str:
    """Set the noise while driving against the vehicle's own, band by band; words only.

    Road, gear and load move it as well, so that no verdict rests on it.
    """
    words = []
    for name, value in mine.get("bands", {}).items():
        own = [float(d["bands"][name]) for d in like if name in d.get("bands", {})]
        if name == "idle" or len(own) < QUIET_SESSIONS:
            continue
        words.append(f"{float(value) / max(float(np.median(own)), 1e-6):.2f} times at {name}")
    if not words:
        return ""
    return " While driving its unevenness, against its own, is " + ", ".join(words) + "."


def _is_like(earlier: Earlier, mine: Mapping[str, Any]) -> bool:
    """An earlier session to compare with: quiet, same version, like temperature, rate and idle."""
    digest = earlier.digest
    if earlier.version != META.version or "idle_roughness_pct" not in digest:
        return False
    if digest.get("found") or float(digest.get("idle_s", 0.0)) < 15.0:
        return False
    if any(f.kind in ("rough_running", "idle_hunting") and f.severity != "info"
           for f in earlier.findings):  # fmt: skip
        return False
    a, b = digest.get("coolant_c"), mine.get("coolant_c")
    if a is not None and b is not None and abs(float(a) - float(b)) > LIKE_TEMPERATURE_K:
        return False
    rates = float(digest.get("rate_hz", 0.0)), float(mine.get("rate_hz", 0.0))
    return 0.7 < rates[0] / max(rates[1], 1e-9) < 1.4
