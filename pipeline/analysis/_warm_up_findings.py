"""What a warm-up is found to be: slow for the fuel it took, or held back by an open thermostat."""

from math import nan

from pipeline.meta import Own
from pipeline.results import Cause, Check, Finding, evidence
from pipeline.session import View

#: kJ of fuel energy per K and litre that simulated and published warm-ups stay under; the factor
#: of [limits] comes on top. Wide, since it has to hold for any engine.
USUAL_KJ_PER_K_L = 190.0


def warm_up_findings(
    digest: dict[str, float],
    about: View | Own,
    *,
    usual_kj: float | None,
    own_plateau: float | None,
) -> list[Finding]:
    """Findings from a session's figures, against the vehicle's own where they are known."""
    limits = about.vehicle.limits
    found = []
    whole = (0.0, about.duration_s)
    end = digest.get("end_c")
    low = limits.thermostat_low_c
    if own_plateau is not None:
        low = max(low, own_plateau - limits.thermostat_drop_k)
    sank = digest.get("sank_from_c")
    cold = end is not None and end < low
    if (cold or sank is not None) and digest["moving_s"] >= limits.thermostat_moving_s:
        slope = digest.get("end_speed_slope", 0.0)
        own = f"; it usually settles at {own_plateau:.0f} °C" if own_plateau is not None else ""
        if end is not None and cold:
            sure = 0.95 + 0.01 * (slope < -0.3) + 0.01 * (end < low - 5.0)
            what = f"the coolant stood at {end:.0f} °C over the last five minutes{own}"
        else:
            sure, slope = 0.95, nan
            what = (
                f"the coolant sank from {sank:.0f} °C by {digest['sank_k']:.0f} K at a steady load"
                f", before any thermostat opens{own}"
            )
        found.append(
            Finding(
                kind="thermostat_stuck_open",
                severity="watch",
                confidence=sure,
                start_s=whole[0],
                end_s=whole[1],
                title="The coolant stays too cold on the road",
                detail=f"After {digest['moving_s'] / 60:.0f} min in motion {what}. A thermostat "
                "that does not close lets the radiator cool it all the time"
                + (", more at higher road speed, as seen here." if slope < -0.3 else "."),
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
