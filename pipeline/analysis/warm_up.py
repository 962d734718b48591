"""Warm-up: how the engine heats, where the thermostat opens, where the coolant settles."""

from collections.abc import Sequence

import msgspec
import numpy as np

from pipeline.analysis._cooling_words import warm_up_answer
from pipeline.facts.cooling_trace import SMOOTH_S, CoolingTrace
from pipeline.meta import Earlier, Meta, Own
from pipeline.results import (
    Cause,
    Check,
    Curve,
    Finding,
    LimitOfDetection,
    Mark,
    Metric,
    Result,
    evidence,
    line,
    metric,
    not_judged,
)
from pipeline.session import View
from pipeline.signals import dips
from pipeline.signals.knee import heating_knee

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
#: kJ of fuel energy per K and litre that simulated and published warm-ups stay under; the factor
#: of [limits] comes on top. Wide, since it has to hold for any engine.
USUAL_KJ_PER_K_L = 190.0
#: MJ/kg and kg air per kg fuel: petrol, only to give the figure a scale; it cancels in ratios.
ENERGY_PER_AIR_KJ_G = 43.0 / 14.6
#: km/h: moving, for a plateau that falls with road speed.
MOVING_KMH = 5.0
#: g/s per litre: below this an idling engine may never get warm, which says nothing.
IDLE_AIR_G_S_L = 3.0


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
        at = _reached(trace, level)
        if first is not None and at is not None and begin < level - 1.0:
            metrics[f"time_to_{level:.0f}c_s"] = metric(at - first - SENSOR_LAG_S, "s")
    opening = _opening(trace, begin)
    if opening is not None:
        metrics["thermostat_opening_c"] = metric(
            opening[0], "degC", opening[0] - 1.96 * opening[1], opening[0] + 1.96 * opening[1]
        )
    plateau = _plateau(trace)
    if plateau is not None:
        metrics["coolant_plateau_c"] = metric(*plateau[:1], "degC", *plateau[1:])
        digest["plateau_c"] = plateau[0]
    litres = view.vehicle.engine.displacement_l
    energy = _energy_per_kelvin(trace, begin, litres, view.limits.warm_c)
    if energy is not None:
        digest["kj_per_k_l"], digest["reached"] = energy
    ending = _ending(trace)
    if ending is not None:
        digest["end_c"], digest["end_speed_slope"] = ending
    digest["moving_s"] = float(np.sum(running & (trace.speed > MOVING_KMH)))
    digest["ran_s"] = float(running.sum())
    cold_start = first is not None and begin < COLD_C
    digest["cold_start"] = float(cold_start)
    limits = _limits(digest, view.limits.thermostat_moving_s)
    findings = _findings(digest, view, usual_kj=None, own_plateau=None)
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
    plateaus = [e.digest["plateau_c"] for e in history if "plateau_c" in e.digest]
    energies = [
        e.digest["kj_per_k_l"]
        for e in history
        if e.digest.get("reached") and "kj_per_k_l" in e.digest
    ]
    findings = _findings(
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


def _reached(trace: CoolingTrace, level: float) -> float | None:
    """Second at which the smoothed reading first stands at a level, between samples."""
    above = np.flatnonzero(trace.running & (trace.coolant >= level))
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


def _findings(
    digest: dict[str, float],
    about: View | Own,
    *,
    usual_kj: float | None,
    own_plateau: float | None,
) -> list[Finding]:
    limits = about.vehicle.limits
    found = []
    whole = (0.0, about.duration_s)
    end = digest.get("end_c")
    low = limits.thermostat_low_c
    if own_plateau is not None:
        low = max(low, own_plateau - limits.thermostat_drop_k)
    if end is not None and digest["moving_s"] >= limits.thermostat_moving_s and end < low:
        slope = digest["end_speed_slope"]
        sure = 0.94 + 0.02 * (slope < -0.3) + 0.02 * (end < low - 5.0)
        own = f"; it usually settles at {own_plateau:.0f} °C" if own_plateau is not None else ""
        found.append(
            Finding(
                kind="thermostat_stuck_open",
                severity="watch",
                confidence=sure,
                start_s=whole[0],
                end_s=whole[1],
                title="The coolant stays too cold on the road",
                detail=f"After {digest['moving_s'] / 60:.0f} min in motion the coolant stood at "
                f"{end:.0f} °C over the last five minutes{own}. A thermostat that does not close "
                "lets the radiator cool it all the time"
                + (", more at higher road speed, as seen here." if slope < -0.3 else "."),
                step=2,
                channels=["coolant_temperature"],
                evidence=evidence(
                    coolant_at_the_end=(end, "degC"),
                    expected_at_least=(low, "degC"),
                    change_per_10_km_h=(slope, "K"),
                    time_in_motion=(digest["moving_s"], "s"),
                ),
                likely_causes=[
                    Cause(cause="thermostat stuck open or missing", probability=0.8),
                    Cause(cause="coolant sensor reads too cold", probability=0.12),
                ],
                next_checks=[
                    Check(
                        text="From cold, feel the upper radiator hose: it has to stay cool until "
                        "the gauge is near its usual place",
                        tool="hand, clear of belts and fan",
                        engine="idle",
                        minutes=10,
                        decides=["thermostat stuck open or missing"],
                    ),
                    Check(
                        text="Compare the sensor with a second thermometer at the housing",
                        tool="infrared or contact thermometer",
                        engine="idle",
                        minutes=5,
                        decides=["coolant sensor reads too cold"],
                    ),
                ],
            )
        )
    spent = digest.get("kj_per_k_l")
    usual = usual_kj if usual_kj is not None else USUAL_KJ_PER_K_L
    if digest["cold_start"] and spent is not None and spent > usual * limits.slow_warm_up_factor:
        times = spent / usual
        whose = "this vehicle usually" if usual_kj is not None else "an engine of its size"
        found.append(
            Finding(
                kind="slow_warm_up",
                severity="watch",
                confidence=min(0.97, 0.88 + 0.2 * (times - limits.slow_warm_up_factor)
                               + (0.07 if usual_kj is not None else 0.0)),
                start_s=whole[0],
                end_s=whole[1],
                title="The engine takes long to get warm",
                detail=f"Per kelvin of warming it burned {times:.1f} times the fuel {whose} burns"
                + (
                    f" on its way to {limits.warm_c:g} °C."
                    if digest["reached"]
                    else f" and had not reached {limits.warm_c:g} °C when the log ended."
                ),
                step=2,
                channels=["coolant_temperature"],
                evidence=evidence(times_the_usual_fuel=(times, "1"),
                                  start_temperature=(digest["start_c"], "degC")),
                likely_causes=[
                    Cause(cause="thermostat stuck open or missing", probability=0.7),
                    Cause(cause="very cold weather or a long idle", probability=0.2),
                ],
                next_checks=[
                    Check(
                        text="From cold, feel the upper radiator hose: it has to stay cool while "
                        "the engine warms",
                        tool="hand, clear of belts and fan",
                        engine="idle",
                        minutes=10,
                        decides=["thermostat stuck open or missing"],
                    )
                ],
            )
        )  # fmt: skip
    return found


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
