"""Where the engine missed firings: what steady running shows, and the stretches it was in."""

from dataclasses import dataclass

import numpy as np

from pipeline.facts.steady_stretches import SteadyStretches
from pipeline.meta import FactMeta
from pipeline.session import NotAvailableError, View
from pipeline.signals import segments
from pipeline.signals.misfire import ClassResult, examine
from pipeline.signals.misfire_decision import Detection, decide
from pipeline.signals.misfire_rows import ClassInput
from pipeline.signals.segments import Floats

META = FactMeta(
    summary="missing firings in steady running: stretches, strength, and what could have shown",
    version=7,
    needs=("engine_speed",),
    uses=("manifold_pressure",),
    facts=("steady_stretches",),
)

#: kg m2 of a two-litre engine with its flywheel, growing with displacement. Common practice: the
#: reference figures for such engines run from 0.15 to 0.30, and no log holds it.
INERTIA_KG_M2 = 0.18
#: kPa: mean pressure of the work of one firing at idle (friction and pumping), and its growth
#: with manifold pressure while driving. Common practice, no source.
IDLE_MEAN_PRESSURE_KPA = 150.0
DRIVING_SLOPE, DRIVING_OFFSET_KPA = 10.0, -150.0
#: kPa assumed in the manifold while driving where it was not logged.
DRIVING_PRESSURE_KPA = 50.0
#: s: misses closer together than this belong to one stretch.
JOIN_S = 10.0
#: s around a single miss that its speed and its unburnt charge may disturb.
AROUND_S = 0.7


@dataclass(frozen=True)
class MisfireStretches:
    """Misfire in steady running.

    stretches: (start_s, end_s, strength), strength the share of one cylinder's firings that fail;
    empty where nothing was found. detection: all that was measured.
    """

    stretches: tuple[tuple[float, float, float], ...]
    detection: Detection


def expected_drop_rpm(
    *, displacement_l: float, cylinders: int, speed_rpm: float, mean_pressure_kpa: float
) -> float:
    """Fall of engine speed from one missing firing, rpm: E / (J w).

    E is the indicated work of one cylinder: its volume times the mean pressure. Source: energy
    balance of a rotating inertia; J by INERTIA_KG_M2.
    """
    work_j = displacement_l / cylinders * mean_pressure_kpa
    inertia = INERTIA_KG_M2 * max(displacement_l / 2.0, 0.3) ** 0.8
    speed = speed_rpm * np.pi / 30.0
    return float(work_j / (inertia * speed) * 30.0 / np.pi)


def compute(view: View) -> MisfireStretches:
    """Look for missing firings in all classes of steady running."""
    steady: SteadyStretches = view.fact("steady_stretches")
    if steady.refusal:
        raise NotAvailableError(steady.refusal)
    engine = view.vehicle.engine
    speed = view.channel("engine_speed")
    pressure = view.get("manifold_pressure")
    held = None if pressure is None else segments.hold(view.time, pressure, seconds=2.0)
    results: list[ClassResult] = []
    members: list[Floats] = []
    for band in np.unique(steady.band):
        pick = steady.band == band
        rows = steady.rows[pick]
        starts = steady.starts[pick].copy()
        rpm = speed[rows]
        kpa = DRIVING_PRESSURE_KPA
        if held is not None and np.isfinite(held[rows]).any():
            kpa = float(np.nanmedian(held[rows]))
        mean = IDLE_MEAN_PRESSURE_KPA if band == 0 else max(
            100.0, DRIVING_SLOPE * kpa + DRIVING_OFFSET_KPA)  # fmt: skip
        middle = float(np.median(rpm))
        name = "idle" if band == 0 else f"driving at about {round(middle, -2):.0f} rpm"
        drop = expected_drop_rpm(displacement_l=engine.displacement_l, cylinders=engine.cylinders,
                                 speed_rpm=middle, mean_pressure_kpa=mean)  # fmt: skip
        part = ClassInput(name, bool(band == 0), view.time[rows], rpm, starts, drop)
        found = examine(part, cylinders=engine.cylinders)
        if found is not None:
            results.append(found)
            members.append(view.time[rows])
    if not results:
        raise NotAvailableError("no idle or steady driving long enough to judge")
    detection = decide(results, false_alarm=view.limits.false_alarm_per_session)  # fmt: skip
    return MisfireStretches(_stretches(detection, members), detection)


def _stretches(
    detection: Detection, members: list[Floats]
) -> tuple[tuple[float, float, float], ...]:
    """Merge single misses and whole classes with a line into stretches of time."""
    if not detection.found:
        return ()
    out: list[tuple[float, float, float]] = []
    share = detection.share
    if detection.by_line or detection.by_skew:
        for part, time in zip(detection.classes, members, strict=True):
            line = part.line_p < 0.01 and part.line_share > 0.1
            lopsided = part.skew_p < 0.01 and part.skew_share > 0.03
            if line or lopsided:
                breaks = np.flatnonzero(np.diff(time) > JOIN_S)
                begin = np.concatenate([[0], breaks + 1])
                end = np.concatenate([breaks, [time.size - 1]])
                out += [(float(time[a]), float(time[b]), min(1.0, share))
                        for a, b in zip(begin, end, strict=True)]  # fmt: skip
        return tuple(sorted(out)) or ((float(members[0][0]), float(members[0][-1]), share),)
    breaks = np.flatnonzero(np.diff(detection.times) > JOIN_S)
    begin = np.concatenate([[0], breaks + 1])
    end = np.concatenate([breaks, [detection.times.size - 1]])
    return tuple(
        (float(detection.times[a]) - AROUND_S, float(detection.times[b]) + AROUND_S, share)
        for a, b in zip(begin, end, strict=True)
    )
