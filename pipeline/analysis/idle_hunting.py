"""Does the idle hunt, and who leads: the air control, the mixture control, or the fuel cut?"""

from dataclasses import dataclass

import numpy as np

from pipeline.facts.misfire_stretches import MisfireStretches
from pipeline.facts.states import States
from pipeline.meta import Meta
from pipeline.results import (
    Band,
    Cause,
    Check,
    Finding,
    LimitOfDetection,
    Panel,
    Panels,
    Quantity,
    Result,
    evidence,
    line,
    not_judged,
    rounded,
)
from pipeline.session import View
from pipeline.signals import segments
from pipeline.signals.hunting import Swing, relation, swings
from pipeline.signals.sampling import held_rows
from pipeline.signals.segments import Floats

META = Meta(
    question="Does the idle speed hunt?",
    version=3,
    kinds=("idle_hunting",),
    needs=("engine_speed",),
    uses=("idle_air_control", "lambda", "fuel_trim_short", "injector_pulse_width", "vehicle_speed"),
    facts=("states",),
    optional_facts=("misfire_stretches",),
    shortest_s=15.0,
    step=4,
    references=("Three kinds of idle hunting by what leads: common practice, no source",),
)

#: s of idle needed before its steadiness can be judged: three of the slowest swings would be 30 s,
#: most hunting is faster.
LEAST_IDLE_S = 8.0
#: Hz of new readings: a swing at the middle of the band (0.5 Hz) needs four a period.
LEAST_HZ = 2.0
#: s after the first firing: the flare and its decay are no hunting.
START_S = 6.0
#: Share of an episode without fuel from which the fuel cut is what swings.
CUT_SHARE = 0.04
#: Coherence with the speed from which a channel is said to swing with it.
COHERENT = 0.6
#: % of air control: a swing this wide drives the speed whatever else it sets off.
AIR_SWING_PCT = 3.0
#: Amplitude of lambda from which mixture alone moves the speed: 4 % changes torque by some
#: percent. Common practice, no source.
LAMBDA_SWING = 0.04
#: Fall of a swing's middle, over its height, from which the car slows down in gear: simulated
#: coasts through the gears fell by 1.3 heights, idles that swung by less than 0.4.
COASTING = 0.6
#: Where firings are missing at this share of a cylinder, swings have to last for so many periods:
#: the misses themselves make the speed wander, and wander keeps no pace for long.
ROUGH_SHARE, ROUGH_PERIODS = 0.1, 6.0
#: Confidence of many periods and of few, and within so much of the limit, where it depends on how
#: the middle and the top of a swing are told from noise: half of such findings were right by the
#: simulator's own count. Few swings close to the limit are info: held back, none of them was right.
CONFIDENCE, CONFIDENCE_FEW, CONFIDENCE_NEAR, NEAR_LIMIT = 0.95, 0.85, 0.6, 1.3
#: The smaller side counts for itself, too: held back, swings of 46 to 56 rpm with 37 to 40 to one
#: side were none, all with 44 and more were.
FEW_PERIODS, NEAR_SIDE = 4.0, 1.05
#: From so many periods on in which air, mixture or fuel cut swings with the speed, a smaller side a
#: little below the limit is the error of its measure: no sound idle keeps that up.
MANY_PERIODS = 10.0
#: Few periods that are less than this share of the only idle that swung are a control that rings
#: after a load or the way down to idle, once each: it settles by itself, hunting goes on.
SETTLES_SHARE = 0.5


@dataclass(frozen=True)
class Kind:
    """One of the three kinds: what leads, causes with probabilities, words."""

    name: str
    says: str
    causes: tuple[tuple[str, float], ...]


AIR = Kind("air", "The air control swings with the speed: it works against itself",
           (("idle air control gains too high", 0.6), ("idle valve sticks", 0.2),
            ("intake leak", 0.1)))  # fmt: skip
MIXTURE = Kind("mixture", "The mixture swings with the speed: the closed loop is too quick for "
               "its delay", (("closed-loop gains too high at idle", 0.6),
                             ("exhaust leak before the sensor", 0.15),
                             ("lambda sensor slow or far away", 0.15)))  # fmt: skip
CUT = Kind("cut", "Fuel is cut and restored in turn: the engine has more idle air than its speed "
           "allows", (("too much idle air (stop screw, leak)", 0.6),
                      ("fuel cut set too close to idle speed", 0.25)))  # fmt: skip
UNKNOWN = Kind("unknown", "What leads cannot be told from the channels logged",
               (("idle air control gains too high", 0.35),
                ("closed-loop gains too high at idle", 0.2),
                ("too much idle air (stop screw, leak)", 0.2)))  # fmt: skip


def analyse(view: View) -> Result:
    """Look for swings in every stretch of idle."""
    states: States = view.fact("states")
    limits = view.limits
    rows = _idle_rows(view, states)
    time, speed = view.time[rows], view.channel("engine_speed")[rows]
    if time.size < 20:
        return not_judged("no idle in this log")
    usual = float(np.median(np.diff(view.time)))
    rate = 1.0 / max(usual, 1e-6)
    rate /= held_rows(speed)
    if rate < LEAST_HZ:
        return not_judged(
            f"engine speed is renewed {rate:.1f} times a second; swings need {LEAST_HZ:.0f} and "
            "more"
        )
    top = min(limits.hunting_high_hz, rate / 3.0)
    breaks = np.flatnonzero(np.diff(time) > max(1.0, 5.0 * usual)) + 1
    found: list[Swing] = []
    idles: list[float] = []
    total = 0.0
    least, periods = limits.hunting_rpm, limits.hunting_periods
    if _rough(view):
        periods = max(periods, ROUGH_PERIODS)
    for part in np.split(np.arange(time.size), breaks):
        if part.size < 10 or time[part[-1]] - time[part[0]] < LEAST_IDLE_S:
            continue
        total += float(time[part[-1]] - time[part[0]])
        own = swings(time[part], speed[part], least_rpm=least, low_hz=limits.hunting_low_hz,
                     high_hz=top, least_periods=periods)  # fmt: skip
        if not view.has("vehicle_speed"):
            own = [s for s in own if not _coasting(time[part], speed[part], s)]
        found += own
        idles += [float(time[part[-1]] - time[part[0]])] * len(own)
    if total == 0.0:
        return not_judged(f"no idle of {LEAST_IDLE_S:.0f} s or more in this log")
    limit = LimitOfDetection(
        could_show=True, smallest=Quantity(value=rounded(least, 3), unit="rpm"),
        over_s=rounded(total, 4),
    )  # fmt: skip
    mean = float(np.median(speed))
    if not found:
        return Result(
            status="clear",
            why=f"no swings of more than {least:.0f} rpm either way in {total:.0f} s of idle at "
                f"about {mean:.0f} rpm",
            limits_of_detection={"idle_hunting": limit},
        )  # fmt: skip
    worst = max(found, key=lambda s: s.periods * s.amplitude_rpm)
    finding = _finding(view, states, found, worst, _settles(found, idles[0]))
    return Result(
        status="found",
        why=f"the idle swings by {worst.amplitude_rpm:.0f} rpm either way, once in "
            f"{1.0 / worst.frequency_hz:.1f} s",
        findings=[finding], limits_of_detection={"idle_hunting": limit},
        figures=[_figure(view, found, worst)],
    )  # fmt: skip


def _coasting(time: Floats, speed: Floats, swing: Swing) -> bool:
    """Whether the swing's middle falls by more than its height: a car that slows down in gear.

    With no vehicle speed rest is only assumed; shifting down while coasting draws a saw-tooth, too,
    but each tooth stands lower. A hunting idle keeps its middle.
    """
    rows = (time >= swing.start_s) & (time <= swing.end_s)
    slope = float(np.polyfit(time[rows] - swing.start_s, speed[rows], 1)[0])
    return -slope * (swing.end_s - swing.start_s) > 2.0 * swing.amplitude_rpm * COASTING


def _settles(found: list[Swing], idle_s: float) -> bool:
    """Whether all that was found is one short swing in an idle (of idle_s) that is quiet else."""
    if len(found) > 1 or found[0].periods >= FEW_PERIODS:
        return False
    return found[0].end_s - found[0].start_s < SETTLES_SHARE * idle_s


def _rough(view: View) -> bool:
    misfire: MisfireStretches | None = view.fact("misfire_stretches")
    if misfire is None or not misfire.detection.found:
        return False
    return misfire.detection.share > ROUGH_SHARE


def _idle_rows(view: View, states: States) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    """Rows at rest with the pedal released, past the start; fuel cuts included."""
    idle = states.running & states.at_rest & states.pedal_released & ~states.dropout
    idle &= np.isfinite(view.channel("engine_speed"))
    for start in states.starts:
        if start.running_s is not None:
            idle &= ~((view.time >= start.running_s) & (view.time < start.running_s + START_S))
    idle &= states.rpm < 2.5 * max(states.idle_rpm, view.vehicle.engine.idle_rpm)
    begin, end = segments.runs(idle)
    out = []
    for a, b in zip(begin, end, strict=True):
        # The way down to idle after driving is no swing.
        first = int(np.searchsorted(view.time, view.time[a] + 2.0))
        if first < b - 4:
            out.append(np.arange(first, b - 1))
    return np.concatenate(out) if out else np.zeros(0, dtype=np.int64)


def classify(view: View, states: States, swing: Swing) -> tuple[Kind, dict[str, tuple[float, str]]]:
    """Which of the three kinds it is, with the figures that say so."""
    rows = np.flatnonzero((view.time >= swing.start_s) & (view.time <= swing.end_s))
    time, speed = view.time[rows], segments.hold(view.time, view.channel("engine_speed"),
                                                 seconds=1.0)[rows]  # fmt: skip
    facts: dict[str, tuple[float, str]] = {}
    cut = float(states.fuel_cut[rows].mean())
    pulse = view.get("injector_pulse_width")
    if pulse is not None and np.isfinite(pulse[rows]).any():
        cut = float((pulse[rows][np.isfinite(pulse[rows])] < 0.05).mean())
    facts["without_fuel"] = (100.0 * cut, "%")

    def seen(name: str) -> tuple[float, float, float] | None:
        values = view.get(name)
        if values is None:
            return None
        held: Floats = segments.hold(view.time, values, seconds=1.0)[rows]
        if np.isfinite(held).mean() < 0.7:
            return None
        return relation(time, held, speed, swing.frequency_hz)

    lam, trim, air = seen("lambda"), seen("fuel_trim_short"), seen("idle_air_control")
    if lam is not None:
        facts["lambda_swing"] = (lam[2], "lambda")
    if trim is not None:
        facts["trim_swing"] = (trim[2], "%")
    if air is not None:
        facts["air_control_swing"] = (air[2], "%")
        facts["air_control_leads_by"] = (air[1], "deg")
    if air is not None and air[0] > COHERENT and air[2] > AIR_SWING_PCT:
        return AIR, facts
    if cut > CUT_SHARE:
        return CUT, facts
    mixture = lam is not None and lam[0] > COHERENT and lam[2] > LAMBDA_SWING
    mixture |= trim is not None and trim[0] > COHERENT and trim[2] > 100.0 * LAMBDA_SWING
    if mixture:
        return MIXTURE, facts
    if air is not None and air[0] > COHERENT:
        return AIR, facts
    return UNKNOWN, facts


def _finding(
    view: View, states: States, found: list[Swing], worst: Swing, settles: bool
) -> Finding:
    kind, facts = classify(view, states, worst)
    total = sum(s.end_s - s.start_s for s in found)
    causes = [Cause(cause=name, probability=p) for name, p in kind.causes]
    names = [c.cause for c in causes]
    confidence = CONFIDENCE if worst.periods >= 5 or len(found) > 1 else CONFIDENCE_FEW
    near = worst.amplitude_rpm < NEAR_LIMIT * view.limits.hunting_rpm
    if near or worst.smaller_rpm < NEAR_SIDE * view.limits.hunting_rpm:
        confidence = CONFIDENCE_NEAR
    few = confidence == CONFIDENCE_NEAR and max(s.periods for s in found) < FEW_PERIODS
    leads = kind is not UNKNOWN and worst.periods >= MANY_PERIODS
    low = worst.smaller_rpm < view.limits.hunting_rpm and not leads
    doubtful = few or settles or low
    after = " It settled by itself: a load or the way down to idle rang out." if settles else ""
    return Finding(
        kind="idle_hunting", severity="info" if doubtful else "watch", confidence=confidence,
        start_s=rounded(min(s.start_s for s in found), 6),
        end_s=rounded(max(s.end_s for s in found), 6),
        title="The idle speed swings up and down",
        detail=f"Engine speed at idle swings by about {worst.amplitude_rpm:.0f} rpm either way, "
               f"once in {1.0 / worst.frequency_hz:.1f} s, for {total:.0f} s in "
               f"{len(found)} {'stretch' if len(found) == 1 else 'stretches'}. {kind.says}."
               f"{after}",
        step=4, channels=["engine_speed"],
        evidence=evidence(swing=(worst.amplitude_rpm, "rpm"),
                          frequency=(worst.frequency_hz, "Hz"), periods=(worst.periods, "1"),
                          **facts),
        likely_causes=causes,
        next_checks=[
            Check(text="Hold the idle air control at a fixed opening: does the speed settle?",
                  tool="controller's settings", engine="idle", minutes=5, decides=names[:1]),
            Check(text="Switch the closed mixture loop off at idle: does the speed settle?",
                  tool="controller's settings", engine="idle", minutes=5, decides=names),
            Check(text="Look for air that bypasses the throttle: stop screw, hoses, valve",
                  tool="eyes, soapy water", engine="idle", minutes=15, decides=names[-1:]),
        ],
    )  # fmt: skip


def _figure(view: View, found: list[Swing], worst: Swing) -> Panels:
    begin, end = worst.start_s - 3.0, min(worst.end_s, worst.start_s + 30.0) + 3.0
    rows = (view.time >= begin) & (view.time <= end)
    panels = [
        Panel(
            title="engine speed",
            unit="rpm",
            lines=[line("speed", view.time[rows], view.channel("engine_speed")[rows])],
        )
    ]
    for name, unit in (("idle_air_control", "%"), ("lambda", "1")):
        values = view.get(name)
        if values is not None:
            title = name.replace("_", " ")
            panels.append(Panel(title=title, unit=unit,
                                lines=[line(title, view.time[rows], values[rows])]))  # fmt: skip
    return Panels(
        id="idle_swings", title="The idle as it swings",
        caption="Speed at idle with what may lead it. What moves before the speed is what drives "
                "the swing.",
        panels=panels,
        bands=[Band(label="hunting", start=s.start_s, end=s.end_s) for s in found
               if s.start_s < end and s.end_s > begin],
    )  # fmt: skip
