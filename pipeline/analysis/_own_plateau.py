"""The temperature a vehicle's coolant usually settles at, from sessions that can say it."""

from collections.abc import Sequence

from pipeline.meta import Earlier, Own

#: Kinds of a plateau that is none of a sound thermostat.
NOT_SOUND = ("thermostat_stuck_open", "overheating", "coolant_loss_suspected")


def own_plateaus(own: Own, history: Sequence[Earlier]) -> list[float]:
    """Plateaus, degC, of earlier sessions since the cooling was last worked on.

    A new thermostat opens at a temperature of its own, and a plateau under the limit of one stuck
    open is no temperature the engine should settle at: an engine measured by it would be called
    hot where it is merely warm again.
    """
    since = max((e.when for e in own.logbook if "cooling" in e.touched), default="")
    return [
        e.metrics["coolant_plateau_c"].value
        for e in history
        if e.start_time >= since
        and "coolant_plateau_c" in e.metrics
        and e.metrics["coolant_plateau_c"].value >= own.vehicle.limits.thermostat_low_c
        and not any(f.kind in NOT_SOUND for f in e.findings)
    ]
