"""From zones to the knock_risk finding: what is at risk, how sure, how it is said."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from pipeline.facts.knock_margin import Zone
from pipeline.limits import Limits
from pipeline.physics.knock_scale import Scale
from pipeline.results import Cause, Check, Finding, Severity, evidence

#: deg of base timing error allowed for, two standard deviations: pick-up and pulley marks.
TIMING_BAND_DEG = 2.0
#: Probability that the margin is gone below which the model keeps silent: its band is wide, and
#: at 0.5 one healthy engine in eight would be accused (of 84 simulated; at 0.6 one in twenty).
LEAST_PROBABILITY = 0.6
#: The same beside a knock channel that works and heard nothing in the session.
QUIET_PROBABILITY = 0.75
#: Probability of a margin gone below which a change alone is not told: a heat-soaked start or a
#: hot day takes degrees from a wide margin without harm.
NEAR_PROBABILITY = 0.25
#: s of a zone in which a working knock channel heard nothing, before it overrules the model.
QUIET_S = 0.5
#: deg of modelled margin below which a zone in which knock was heard is a risk by both.
AGREES_DEG = 3.0
#: Not known of the car, yet the same in all its sessions: a change is seen without it.
COMMON = frozenset({"base timing", "engine.bore_mm", "engine.stroke_mm",
                    "engine.displacement_l"})  # fmt: skip
#: Margin that the least of a tuned car's usual running truly has, and one standard deviation, deg:
#: tuners leave a few degrees (common practice, no source). Asked only beside a margin that the
#: model calls gone, in a zone where the same car had more before; no channel need have listened.
USUAL_DEG, USUAL_SIGMA_DEG = 5.0, 4.0
#: Odds that an engine which is driven has lost its margin, before the model is asked: tuners leave
#: a few degrees, and most succeed (common practice, no source): one in six has not.
BASE_ODDS = 0.2
#: Power of the model's own odds. The band holds 95 % of all engines (5.3 deg, one sigma); between
#: simulated cars, whose delay scale and burn duration no log shows, the worst zone's margin is off
#: by 3.6 deg: (5.3 / 3.6)^2. With 1 the model's word was right more often than stated.
ODDS_POWER = 2.0
#: What spark in boost beside best torque says, which the knock integral does not know. Nobody tunes
#: past it: there is nothing to win. The model's own best torque is off by some 3 deg (burn 15 %
#: longer or shorter), and sound tables lie a few degrees before it: from EVEN_DEG after it on, too
#: much spark is the likelier reason, by a factor e each WIDTH_DEG. Where octane and base timing are
#: known, as they have to be for more than ``info``, and heat is in the model, spark is four in
#: five of what takes a margin (a choice, no source): a low spark leaves a fifth of the odds.
#: Believed 10 to 1 at most.
EVEN_DEG, WIDTH_DEG = 3.0, 2.0
SPARK_CAUSES = 0.8
MOST_ODDS = 10.0
#: Confidence from which the model's word alone is more than ``info``: likelier right than wrong.
LIKELY = 0.5
#: Most that a model alone is believed.
MODEL_CONFIDENCE = 0.85
#: Readings that the margin is modelled from, as far as they are in the log.
MODELLED_FROM = ("spark_advance", "manifold_pressure", "intake_air_temperature")


#: Share of a drop that has to be spark for it to be told whatever the model makes of the margin
#: that is left: heat comes and goes with the day, spark was put in.
SPARK_SHARE = 0.67
#: Change of ln(integral) that a drop has to come to where it is not spark: 3 deg where the integral
#: rises with spark as it does in boost (0.045 a deg). Far from the limit it hardly does, and a few
#: kPa or K are degrees.
LEAST_LOG_DROP = 0.135


@dataclass(frozen=True)
class Drop:
    """Margin below the least known to be quiet in a zone, and spark above what ran there, deg."""

    margin_deg: float = 0.0
    spark_deg: float = 0.0


@dataclass(frozen=True)
class Risk:
    """Zones at risk, the worst of them with its margin and band, and what supports it.

    relative_deg: most below quiet running where that is enough to be told, else 0.
    gone: the margin itself is lost or heard to be; else only less of it than before.
    usual_deg: most below what the car ran there before, whether a channel listened or not.
    beyond_deg: most spark after the model's best torque in boost, NaN where there was none.
    """

    zones: tuple[Zone, ...]
    worst: Zone
    margin_deg: float
    half_deg: float
    probability: float
    heard: bool
    relative_deg: float
    gone: bool
    usual_deg: float
    beyond_deg: float = float("nan")

    @property
    def seconds(self) -> float:
        """Seconds spent in the zones at risk."""
        return sum(z.seconds for z in self.zones)


def half_band(zone: Zone, scale: Scale) -> float:
    """Half width of the 95 % band of a zone's margin, deg, scale and base timing included."""
    by_scale = 1.96 * scale.sigma / zone.slope
    return float(np.sqrt(zone.band_deg**2 + by_scale**2 + TIMING_BAND_DEG**2))


def assess(
    zones: Sequence[Zone],
    scale: Scale,
    drops: Mapping[tuple[float, float], Drop],
    usual: Mapping[tuple[float, float], float],
    *,
    limits: Limits,
    alive: bool,
    beyond: float = float("nan"),
) -> Risk | None:
    """Zones whose margin is gone, or far below what was known to be quiet there.

    drops: against running known to be quiet. usual: deg below what the car ran there before,
    known to be quiet or not; it supports a margin that is gone and is none by itself. beyond:
    most deg of spark after best torque in boost, which does the same, NaN where not known.
    """
    found: list[tuple[float, float, Zone, bool]] = []
    lost = False
    silent = alive and not any(z.knock_s > 0.0 for z in zones)
    least = QUIET_PROBABILITY if silent else LEAST_PROBABILITY
    for z in zones:
        margin = z.margin_deg + scale.mean / z.slope
        half = half_band(z, scale)
        gone = float(ndtr(-margin / (half / 1.96)))
        if margin < 0.0 and usual.get((z.rpm, z.kpa), 0.0) >= limits.knock_margin_drop_deg:
            gone = max(gone, _gone_by_usual(margin, half / 1.96, usual[z.rpm, z.kpa]))
        if not silent:  # where a channel listens, what it heard says more than any table
            gone = _with_best_torque(gone, beyond)
        heard = z.knock_s > 0.0
        if alive and z.quiet_s >= QUIET_S and not heard:
            continue  # the engine itself says it did not knock there
        drop = drops.get((z.rpm, z.kpa), Drop())
        plain = gone >= NEAR_PROBABILITY and drop.margin_deg * z.slope >= LEAST_LOG_DROP
        relative = drop.margin_deg >= limits.knock_margin_drop_deg and (
            plain or drop.spark_deg >= SPARK_SHARE * drop.margin_deg
        )
        if heard and margin < AGREES_DEG:
            found.append((max(gone, 0.9), margin, z, True))
            lost = True
        elif margin < 0.0 and gone >= least:
            found.append((gone, margin, z, False))
            lost = True
        elif relative:
            # 2 deg: what cells, heat and mixture leave open between two sessions.
            found.append((float(ndtr(drop.margin_deg / 2.0 - 1.0)), margin, z, False))
            lost |= gone >= NEAR_PROBABILITY
    if not found:
        return None
    best = max(found, key=lambda item: (item[3], item[0], -item[1]))
    below = max(drops.get((item[2].rpm, item[2].kpa), Drop()).margin_deg for item in found)
    return Risk(
        zones=tuple(item[2] for item in found), worst=best[2], margin_deg=best[1],
        half_deg=half_band(best[2], scale), probability=best[0],
        heard=any(item[3] for item in found),
        relative_deg=below if below >= limits.knock_margin_drop_deg else 0.0, gone=lost,
        usual_deg=max(usual.get((item[2].rpm, item[2].kpa), 0.0) for item in found),
        beyond_deg=beyond,
    )  # fmt: skip


def _gone_by_usual(margin: float, sigma: float, below: float) -> float:
    """Probability that the margin is gone, from the model and from what the car had before, deg."""
    weights = sigma**-2, USUAL_SIGMA_DEG**-2
    mean = (weights[0] * margin + weights[1] * (USUAL_DEG - below)) / sum(weights)
    return float(ndtr(-mean * np.sqrt(sum(weights))))


def _with_best_torque(gone: float, beyond: float) -> float:
    """Probability that the margin is gone, when the most spark lies ``beyond`` best torque, deg."""
    if not np.isfinite(beyond):
        return gone
    high = float(np.exp(min((beyond - EVEN_DEG) / WIDTH_DEG, 10.0)))
    ratio = min(1.0 - SPARK_CAUSES + SPARK_CAUSES * high, MOST_ODDS)
    # The odds are raised to a power where the finding's confidence is made of them.
    odds: float = gone / max(1.0 - gone, 1e-9) * ratio ** (1.0 / ODDS_POWER)
    return odds / (1.0 + odds)


def _weighed(risk: Risk, assumed: Sequence[str]) -> tuple[Severity, float]:
    """Severity, and how sure: what was heard counts, a model alone is believed so far."""
    sure = risk.probability
    if risk.heard:
        return "act", float(min(sure, 0.95))
    if risk.relative_deg <= 0.0:
        odds = BASE_ODDS * (sure / max(1.0 - sure, 1e-9)) ** ODDS_POWER
        sure = odds / (1.0 + odds)
    reaches = risk.margin_deg + risk.half_deg > 0.0
    unknown = set(assumed) - COMMON if risk.relative_deg > 0.0 else set(assumed)
    severity: Severity = "watch" if sure >= LIKELY and not (reaches and unknown) else "info"
    return severity, float(min(sure, MODEL_CONFIDENCE))


def _told(risk: Risk, scale: Scale, assumed: Sequence[str]) -> str:
    """What the model sees, against what it was held, and what it does not know."""
    worst = risk.worst
    longer = "" if len(risk.zones) == 1 else f" and in {len(risk.zones) - 1} more zones"
    detail = (
        f"Around {worst.rpm:.0f} rpm and {worst.kpa:.0f} kPa{longer} the model's margin to knock "
        f"is {risk.margin_deg:.0f} deg ({risk.margin_deg - risk.half_deg:.0f} to "
        f"{risk.margin_deg + risk.half_deg:.0f} deg), for {risk.seconds:.1f} s in all."
    )
    if risk.relative_deg > 0.0:
        detail += (
            f" That is {risk.relative_deg:.0f} deg less than this car ran there while its knock "
            "channel was quiet."
        )
    elif risk.usual_deg >= 1.0:
        detail += (
            f" In earlier sessions this car had {risk.usual_deg:.0f} deg more there; whether it "
            "was quiet then no channel says."
        )
    if risk.beyond_deg >= EVEN_DEG:
        detail += (
            f" Spark in boost reaches {risk.beyond_deg:.0f} deg past what the model takes for best "
            "torque: that buys no power."
        )
    detail += (
        " The controller heard knock there too." if risk.heard
        else " This is a model, not a microphone: it ranks zones and follows changes."
    )  # fmt: skip
    if assumed:
        names = ", ".join(a.split(".")[-1].removesuffix("_mm").replace("_", " ") for a in assumed)
        detail += f" Not known of this car: {names}."
    if scale.learned:
        detail += " Its scale was set by this car's own running."
    return detail


def finding(risk: Risk, scale: Scale, assumed: Sequence[str]) -> Finding:
    """The finding of a session, all its zones in one."""
    worst = risk.worst
    severity, sure = _weighed(risk, assumed)
    spark, fuel = "spark too far advanced for this pressure", "octane too low for this spark"
    heat, base = "charge too hot", "base timing off, so that real spark is more than shown"
    return Finding(
        kind="knock_risk", severity=severity,
        confidence=sure,
        start_s=min(z.start_s for z in risk.zones), end_s=max(z.end_s for z in risk.zones),
        title="Knock heard and expected there" if risk.heard
        else "Little or no margin to knock" if risk.gone
        else "Less margin to knock than in this car's quiet running",
        detail=_told(risk, scale, assumed), step=0 if risk.heard else 4, blocks=[],
        channels=list(MODELLED_FROM),
        evidence=evidence(margin=(risk.margin_deg, "deg"), either_way=(risk.half_deg, "deg"),
                          engine_speed=(worst.rpm, "rpm"), pressure=(worst.kpa, "kPa"),
                          time_there=(risk.seconds, "s"), below_quiet=(
                              risk.relative_deg if risk.relative_deg > 0 else float("nan"), "deg")),
        likely_causes=[Cause(cause=spark, probability=0.4), Cause(cause=fuel, probability=0.2),
                       Cause(cause=base, probability=0.15), Cause(cause=heat, probability=0.1)],
        next_checks=[
            Check(text="Check the base timing with a light at two speeds and note it in the "
                  "logbook", tool="timing light", engine="idle", minutes=15, decides=[base]),
            Check(text="Let a passenger listen to a knock sensor on the block in that zone, where "
                  "a pull is legal: with 2 deg less spark, then with as it is",
                  tool="knock amplifier with ear phones", engine="driving", minutes=30,
                  decides=[spark]),
            Check(text="Note the fuel's octane number at the next fill", tool="logbook",
                  engine="off_cold", minutes=2, decides=[fuel]),
        ],
    )  # fmt: skip


def why(zones: Sequence[Zone], scale: Scale, findings: Sequence[Finding], *, alive: bool) -> str:
    """One sentence with numbers; never that all is well."""
    if findings:
        # The finding's own zone: by what it lost it may be another than the least of all.
        told = findings[0].evidence
        at, either = told["margin"].value, told["either_way"].value
        return (
            f"{findings[0].title}: the model's margin is {at:.0f} deg ({at - either:.0f} to "
            f"{at + either:.0f} deg) around {told['engine_speed'].value:.0f} rpm and "
            f"{told['pressure'].value:.0f} kPa"
        )
    worst = min(zones, key=lambda z: z.margin_deg + scale.mean / z.slope)
    margin = worst.margin_deg + scale.mean / worst.slope
    half = half_band(worst, scale)
    text = (
        f"the model's least margin is {margin:.0f} deg ({margin - half:.0f} to "
        f"{margin + half:.0f} deg), around {worst.rpm:.0f} rpm and {worst.kpa:.0f} kPa"
    )
    if margin < 0.0 and alive and worst.quiet_s >= QUIET_S:
        return f"Not confirmed: {text}, but the knock channel was quiet there"
    if margin < 0.0:
        return f"Too near for the model to tell: {text}"
    return f"Nothing stands out: {text}; a model's margin is no permission"
