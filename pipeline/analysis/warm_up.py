"""Warm-up: how the engine heats, where the thermostat opens, where the coolant settles."""

from collections.abc import Sequence

import msgspec
import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from pipeline.analysis._cooling_words import warm_up_answer
from pipeline.analysis._own_plateau import own_plateaus
from pipeline.analysis._warm_up_findings import warm_up_findings
from pipeline.facts.cooling_trace import SMOOTH_S, CoolingTrace
from pipeline.meta import Earlier, Meta, Own
from pipeline.results import (
    Curve,
    LimitOfDetection,
    Mark,
    Metric,
    Result,
    line,
    metric,
    not_judged,
)
from pipeline.session import View
from pipeline.signals import dips
from pipeline.signals.knee import heating_knee
from pipeline.signals.sampling import quantisation_step

META = Meta(
    question="Does the engine warm up as it should, and does the thermostat open and close?",
    version=1,
    kinds=("slow_warm_up", "thermostat_stuck_open"),
    references=(
        "Heating of a lumped mass, first law of thermodynamics; losses after Newton's law of "
        "cooling.",
        "Thermostat temperatures and plateaus: common practice, no source.",
    ),
    needs=("coolant_temperature",),
    facts=("states", "cooling_trace"),
    shortest_s=60.0,
    step=2,
)

#: degC: a start below this is a cold one; only such a start shows a warm-up.
COLD_C = 40.0
#: degC between which thermostats begin to open (71 to 98 as sold, 4 K off at most: common
#: practice, no source), and the warmest start that still shows the climb to it.
OPENINGS_C, LATEST_BEGIN_C = (64.0, 102.0), 70.0
#: K and s: a dip deeper and shorter than this is air or noise at the sensor, not the water.
DIP_K, DIP_S = 2.0, 31
#: K: an opening less certain is not told; and the error left when all its estimates agree
#: (sensor's lag and curve, the valve's own slowness).
LARGEST_ERROR_K, LEAST_ERROR_K = 2.0, 0.6
#: Share of the time after it in which least heat has to go, and K from the opening at which the
#: water then stands: shut again by its spring or a crack open (common practice, no source). Where
#: it stands elsewhere the bend was another change of heat.
CALM_SHARE, CALM_K = 0.1, (-1.8, 4.0)
#: K within s: no water cools that fast; after such a fall the reading is not the water's.
FALL_K, FALL_S = 18.0, 12
#: s: how far a thermistor in its housing runs behind moving water, taken off the times; 1 to 3 s
#: is common practice, no source.
SENSOR_LAG_S = 1.5
#: s of settled running that make a plateau.
PLATEAU_S = 120.0
#: s at a drive's end that show its plateau; K from their first to last third: still climbing.
END_S, STILL_CLIMBS_K = 300.0, 6.0
#: MJ/kg and kg air per kg fuel: petrol, only to give the figure a scale; it cancels in ratios.
ENERGY_PER_AIR_KJ_G = 43.0 / 14.6
#: s over which water sinks on the road, K in each half of them: more than a heater switched on
#: takes, whose cold water is through in a minute; km/h held all the while; g/s of air per litre
#: that a car at 60 km/h needs; degC below which no thermostat has begun to open (71 is the lowest
#: sold: common practice, no source).
SINKS_S, SINKS_K, ROAD_KMH, LOADED_AIR_G_S_L, SHUT_C = 120.0, 1.0, 30.0, 2.5, 71.0
#: km/h: moving, for a plateau that falls with road speed.
MOVING_KMH = 5.0


def analyse(view: View) -> Result:
    """Times, knee and plateau of this session; faults against fixed limits."""
    trace: CoolingTrace = view.fact("cooling_trace")
    coolant, running = trace.coolant, trace.running & np.isfinite(trace.coolant)
    if running.sum() < 30:
        return not_judged("the engine ran for less than half a minute with a coolant reading")
    metrics: dict[str, Metric] = {}
    if not _fell(trace):  # a sensor that stood dry reads less than the water it no longer meets
        metrics["coolant_max_c"] = metric(float(np.max(coolant[running])), "degC")
    first = trace.first_s
    begin = float(coolant[np.argmax(trace.seconds >= (first or 0.0))])
    if first is not None:
        metrics["start_temperature_c"] = metric(begin, "degC")
    digest: dict[str, float] = {"start_c": begin}
    for level in (60.0, 80.0):
        if first is not None and begin < level - 1.0:
            metrics |= _time_to(trace, level, first + SENSOR_LAG_S)
    opening = _opening(trace, begin)
    if opening is not None:
        metrics["thermostat_opening_c"] = metric(
            opening[0], "degC", opening[0] - 1.96 * opening[1], opening[0] + 1.96 * opening[1]
        )
    plateau = _plateau(trace)
    if plateau is not None:
        metrics["coolant_plateau_c"] = metric(*plateau[:1], "degC", *plateau[1:])
    litres = view.vehicle.engine.displacement_l
    energy = _energy_per_kelvin(trace, begin, litres, view.limits.warm_c)
    if energy is not None:
        digest["kj_per_k_l"], digest["reached"] = energy
    ending = _ending(trace)
    if ending is not None:
        digest["end_c"], digest["end_speed_slope"] = ending
    sank = _sank(trace, litres)
    if sank is not None:
        digest["sank_from_c"], digest["sank_k"] = sank
    digest["moving_s"] = float(np.sum(running & (trace.speed > MOVING_KMH)))
    digest["ran_s"] = float(running.sum())
    cold_start = first is not None and begin < COLD_C
    digest["cold_start"] = float(cold_start)
    limits = _limits(digest, view.limits.thermostat_moving_s)
    findings = warm_up_findings(digest, view, usual_kj=None, own_plateau=None)
    return Result(
        status="found" if findings else "clear",
        why=warm_up_answer(metrics, begin, findings),
        findings=findings,
        metrics=metrics,
        figures=[_figure(trace, metrics)],
        limits_of_detection=limits,
        digest=digest,
    )


def judge(own: Own, history: Sequence[Earlier]) -> Result:
    """Compare with the vehicle's own plateau and the energy it usually takes to warm up."""
    digest = own.result.digest
    if own.result.status == "not_judged" or len(history) < 1:
        return own.result
    plateaus = own_plateaus(own, history)
    energies = [
        e.digest["kj_per_k_l"]
        for e in history
        if e.digest.get("reached") and "kj_per_k_l" in e.digest
    ]
    findings = warm_up_findings(
        digest,
        own,
        usual_kj=float(np.median(energies)) if len(energies) >= 2 else None,
        own_plateau=float(np.median(plateaus)) if len(plateaus) >= 2 else None,
    )
    return msgspec.structs.replace(
        own.result,
        findings=findings,
        status="found" if findings else "clear",
        why=own.result.why
        if findings == own.result.findings
        else warm_up_answer(own.result.metrics, digest["start_c"], findings),
    )


def _time_to(trace: CoolingTrace, level: float, since: float) -> dict[str, Metric]:
    """Seconds from ``since`` to a level; the interval is where within half a digit it was reached.

    Water that comes within half a digit of the level and sinks again by a digit may have reached
    it or not: only the next, clear passing counts.
    """
    raw = trace.raw[np.isfinite(trace.raw)]
    half = 0.5 * quantisation_step(raw)
    until = _reached(trace, level + half)
    if until is None:
        return {}
    before = np.flatnonzero((trace.seconds < until) & (trace.coolant < level - 2.0 * half))
    start = float(trace.seconds[before[-1]]) if before.size else -np.inf
    found = [_reached(trace, at, start) for at in (level, level - half)]
    name, at, low = f"time_to_{level:.0f}c_s", found[0] or until, found[1] or until
    low, high = low - since - SENSOR_LAG_S, until - since + SENSOR_LAG_S
    return {name: metric(at - since, "s", low, high)}


def _reached(trace: CoolingTrace, level: float, start: float = -np.inf) -> float | None:
    """Second after ``start`` at which the smoothed reading first stands at a level, in between."""
    above = np.flatnonzero(trace.running & (trace.coolant >= level) & (trace.seconds > start))
    if above.size == 0 or above[0] == 0:
        return None
    i = int(above[0])
    a, b = float(trace.coolant[i - 1]), float(trace.coolant[i])
    share = (level - a) / (b - a) if np.isfinite(a) and b > a else 1.0
    return float(trace.seconds[i - 1] + min(max(share, 0.0), 1.0))


def _opening(trace: CoolingTrace, begin: float) -> tuple[float, float] | None:
    """Coolant at the valve's first lift and its standard error, None where the curve is silent."""
    use = trace.running & np.isfinite(trace.coolant) & np.isfinite(trace.raw)
    if not trace.air_known or begin > LATEST_BEGIN_C or use.sum() < 120:
        return None
    first = int(np.argmax(use))
    use = use[first:]
    if _fell(trace):
        return None  # water that leaves takes its heat along: the balance no longer holds
    raw = np.where(use, trace.raw[first:], np.nanmin(trace.raw[first:][use]))
    depth = dips.filled(raw, DIP_S) - raw
    # The reading is averaged over a few seconds, so a dip reaches that far beyond itself.
    dip = np.convolve(depth > DIP_K, np.ones(int(SMOOTH_S)), "same") > 0.5
    good = use & ~dip
    if good.sum() < 60:
        return None
    level = np.interp(
        trace.seconds[first:], trace.seconds[first:][good], trace.coolant[first:][good]
    )
    knee = heating_knee(
        level=level,
        good=good,
        power=np.nan_to_num(trace.air[first:]),
        lowest=OPENINGS_C[0],
        highest=OPENINGS_C[1],
    )
    if knee is None or knee.error > LARGEST_ERROR_K:
        return None
    later = level[int(np.argmax(level > knee.level)) :]
    above = float(np.quantile(later, CALM_SHARE)) - knee.level
    if not CALM_K[0] <= above <= CALM_K[1]:
        return None  # no valve that opens there holds the water here
    return knee.level, float(np.hypot(knee.error, LEAST_ERROR_K))


def _plateau(trace: CoolingTrace) -> tuple[float, float, float] | None:
    """Median after the warm-up is over, with the middle half as its spread's measure."""
    use = trace.running & np.isfinite(trace.coolant)
    level = trace.coolant[use]
    if level.size < PLATEAU_S:
        return None
    top = float(np.quantile(level, 0.9))
    over = np.flatnonzero(level >= top - 3.0)
    rest = level[int(over[0]) :]
    if rest.size < PLATEAU_S or level[-1] - np.median(rest[: max(1, rest.size // 4)]) > 6.0:
        return None
    middle = float(np.median(rest))
    # Successive seconds are not independent: a thermostat's swing lasts a minute or two.
    error = 1.4826 * float(np.median(np.abs(rest - middle))) / np.sqrt(rest.size / 60.0)
    return middle, middle - 1.96 * error, middle + 1.96 * error


def _energy_per_kelvin(
    trace: CoolingTrace, begin: float, litres: float, warm_c: float
) -> tuple[float, float] | None:
    """Fuel energy burned per K and litre on the way to ``warm_c`` (or so far), and if all of it."""
    if trace.first_s is None or not trace.air_known or begin >= COLD_C:
        return None
    at = _reached(trace, warm_c)
    until = at if at is not None else float(trace.seconds[-1])
    # What was burned without a reading warmed nobody knows what.
    span = trace.running & (trace.seconds <= until) & np.isfinite(trace.coolant)
    rise = (warm_c if at is not None else float(np.nanmax(trace.coolant[span]))) - begin
    if span.sum() < 60 or rise < 5.0:
        return None
    grams = float(np.nansum(trace.air[span]))
    return grams * ENERGY_PER_AIR_KJ_G / rise / litres, float(at is not None)


def _ending(trace: CoolingTrace) -> tuple[float, float] | None:
    """Median over the last minutes of running, and K per 10 km/h of its change with speed.

    None after a fall that no water makes: steam or a broken wire says nothing of the thermostat.
    """
    if _fell(trace):
        return None
    rows = np.flatnonzero(trace.running & np.isfinite(trace.coolant))
    if rows.size < END_S:
        return None
    last = rows[-int(END_S) :]
    level, speed = trace.coolant[last], trace.speed[last]
    if np.median(level[-100:]) - np.median(level[:100]) > STILL_CLIMBS_K:
        return None
    told = np.isfinite(speed).all() and np.std(speed) > 3.0
    return float(np.median(level)), 10.0 * float(np.polyfit(speed, level, 1)[0]) if told else 0.0


def _sank(trace: CoolingTrace, litres: float) -> tuple[float, float] | None:
    """Where water that had opened no thermostat began to sink on the road, degC, and by how many K.

    With the radiator shut off a car that is driven makes more heat than its block and its heater
    give away: its water climbs, or stands. Sinking minute after minute it goes through an open
    thermostat. None where no stretch shows that.
    """
    n = int(SINKS_S)
    warm = np.flatnonzero(trace.coolant >= SHUT_C)
    size = int(warm[0]) if warm.size else trace.seconds.size
    if size < n + 1 or _fell(trace):
        return None
    level = np.where(trace.running, trace.coolant, np.nan)[:size]
    begin, half, end = (level[k : size - n + k] for k in (0, n // 2, n))
    air, speed = (sliding_window_view(a[:size], n + 1) for a in (trace.air, trace.speed))
    sinks = (begin - half > SINKS_K) & (half - end > SINKS_K)
    loaded = (air.mean(axis=1) > LOADED_AIR_G_S_L * litres) & (speed.min(axis=1) > ROAD_KMH)
    found = np.flatnonzero(sinks & loaded)
    if not found.size:
        return None
    return float(begin[found[0]]), float(np.max(begin[found]) - np.min(end[found]))


def _fell(trace: CoolingTrace) -> bool:
    """Whether the reading once fell as no water can: steam, or a broken wire."""
    running = np.where(trace.running, trace.raw, np.nan)
    return bool(dips.sudden_falls(running, drop=FALL_K, within=FALL_S).any())


def _limits(digest: dict[str, float], moving_s: float) -> dict[str, LimitOfDetection]:
    return {
        "slow_warm_up": LimitOfDetection(
            could_show=bool(digest["cold_start"]) and "kj_per_k_l" in digest,
            over_s=digest["ran_s"],
        ),
        "thermostat_stuck_open": LimitOfDetection(
            could_show=digest["moving_s"] >= moving_s and "end_c" in digest,
            over_s=digest["moving_s"],
        ),
    }


def _figure(trace: CoolingTrace, metrics: dict[str, Metric]) -> Curve:
    marks = []
    for level in (60, 80):
        name = f"time_to_{level}c_s"
        if name in metrics and trace.first_s is not None:
            marks.append(Mark(label=f"{level} °C", x=trace.first_s + metrics[name].value))
    return Curve(
        id="warm-up",
        title="Coolant over time",
        caption="Smoothed over 5 s. It climbs, bends where the thermostat opens, and settles; "
        "a curve that never bends or sinks at road speed speaks of the thermostat.",
        x_label="time",
        x_unit="s",
        y_label="coolant",
        unit="degC",
        lines=[line("coolant", trace.seconds, trace.coolant)],
        marks=marks,
    )
