"""What a warm-up is found to be: slow for the fuel it took, or held back by an open thermostat."""

from math import nan

from pipeline.limits import Limits
from pipeline.meta import Own
from pipeline.results import Cause, Check, Finding, evidence
from pipeline.session import View

#: kJ of fuel energy per K and litre that simulated and published warm-ups stay under; the factor
#: of [limits] comes on top. Wide, since it has to hold for any engine.
USUAL_KJ_PER_K_L = 190.0
#: K per 10 km/h by which the water cools with road speed where a radiator is always in use, and
#: K below the limit from which no sensor's tolerance explains it: either makes it a little surer.
COOLED_BY_SPEED, FAR_BELOW_K = -0.3, 5.0

STUCK_OPEN = "thermostat stuck open or missing"
READS_COLD = "coolant sensor reads too cold"


def warm_up_findings(
    digest: dict[str, float],
    about: View | Own,
    *,
    usual_kj: float | None,
    own_plateau: float | None,
) -> list[Finding]:
    """Findings from a session's figures, against the vehicle's own where they are known.

    digest: what the analysis left of the session. usual_kj: per K and litre, and own_plateau in
    degC: what this vehicle's earlier sessions show, None where they do not.
    """
    limits = about.vehicle.limits
    found = [
        _stuck_open(digest, limits, about.duration_s, own_plateau),
        _slow(digest, limits, about.duration_s, usual_kj),
    ]
    return [finding for finding in found if finding is not None]


def _hose_check(until: str) -> Check:
    return Check(
        text=f"From cold, feel the upper radiator hose: it has to stay cool {until}",
        tool="hand, clear of belts and fan",
        engine="idle",
        minutes=10,
        decides=[STUCK_OPEN],
    )


def _stuck_open(
    digest: dict[str, float], limits: Limits, duration_s: float, own_plateau: float | None
) -> Finding | None:
    """Water too cold at the end of a drive, or that sank before any thermostat opens."""
    end, sank = digest.get("end_c"), digest.get("sank_from_c")
    low = limits.thermostat_low_c
    if own_plateau is not None:
        low = max(low, own_plateau - limits.thermostat_drop_k)
    cold = end is not None and end < low
    if not (cold or sank is not None) or digest["moving_s"] < limits.thermostat_moving_s:
        return None
    slope = digest.get("end_speed_slope", 0.0)
    own = f"; it usually settles at {own_plateau:.0f} °C" if own_plateau is not None else ""
    if end is not None and cold:
        sure = 0.95 + 0.01 * (slope < COOLED_BY_SPEED) + 0.01 * (end < low - FAR_BELOW_K)
        what = f"the coolant stood at {end:.0f} °C over the last five minutes{own}"
    else:
        sure, slope = 0.95, nan
        what = (
            f"the coolant sank from {sank:.0f} °C by {digest['sank_k']:.0f} K at a steady load"
            f", before any thermostat opens{own}"
        )
    return Finding(
        kind="thermostat_stuck_open",
        severity="watch",
        confidence=sure,
        start_s=0.0,
        end_s=duration_s,
        title="The coolant stays too cold on the road",
        detail=f"After {digest['moving_s'] / 60:.0f} min in motion {what}. A thermostat "
        "that does not close lets the radiator cool it all the time"
        + (", more at higher road speed, as seen here." if slope < COOLED_BY_SPEED else "."),
        step=2,
        channels=["coolant_temperature"],
        evidence=evidence(
            coolant_at_the_end=(end if end is not None and cold else nan, "degC"),
            sank_from=(nan if sank is None else sank, "degC"),
            expected_at_least=(low, "degC"),
            change_per_10_km_h=(slope, "K"),
            time_in_motion=(digest["moving_s"], "s"),
        ),
        likely_causes=[
            Cause(cause=STUCK_OPEN, probability=0.8),
            Cause(cause=READS_COLD, probability=0.12),
        ],
        next_checks=[
            _hose_check("until the gauge is near its usual place"),
            Check(
                text="Compare the sensor with a second thermometer at the housing",
                tool="infrared or contact thermometer",
                engine="idle",
                minutes=5,
                decides=[READS_COLD],
            ),
        ],
    )


def _slow(
    digest: dict[str, float], limits: Limits, duration_s: float, usual_kj: float | None
) -> Finding | None:
    """More fuel burned per kelvin than is usual for the vehicle, else for any engine."""
    spent = digest.get("kj_per_k_l")
    usual = usual_kj if usual_kj is not None else USUAL_KJ_PER_K_L
    if not digest["cold_start"] or spent is None or spent <= usual * limits.slow_warm_up_factor:
        return None
    times = spent / usual
    whose = "this vehicle usually" if usual_kj is not None else "an engine of its size"
    known = 0.07 if usual_kj is not None else 0.0
    return Finding(
        kind="slow_warm_up",
        severity="watch",
        confidence=min(0.97, 0.88 + 0.2 * (times - limits.slow_warm_up_factor) + known),
        start_s=0.0,
        end_s=duration_s,
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
            Cause(cause=STUCK_OPEN, probability=0.7),
            Cause(cause="very cold weather or a long idle", probability=0.2),
        ],
        next_checks=[_hose_check("while the engine warms")],
    )  # fmt: skip
