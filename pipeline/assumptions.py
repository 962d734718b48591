"""What the log itself settles about the vehicle where the vehicle file is silent."""

from collections.abc import Mapping
from typing import Any

import msgspec
import numpy as np
from numpy.typing import NDArray

from pipeline.vehicle import Vehicle

#: A manifold pressure this far above the highest barometer there is on a road (reference:
#: record high 108.4 kPa) for a whole second of rows shows forced induction beyond doubt.
BOOSTED_KPA = 112.0
#: Share of rows above it that count: single spikes prove nothing.
BOOSTED_SHARE = 0.001


def settle(
    vehicle: Vehicle, channels: Mapping[str, NDArray[np.float64]]
) -> tuple[Vehicle, dict[str, tuple[Any, str]]]:
    """Fill what the vehicle file left open from the log.

    Returns the vehicle with ``engine.load_sensing`` and ``engine.forced_induction`` settled, and
    every assumed value by dotted name with its origin: vehicle.toml, log or default.
    """
    engine = vehicle.engine
    assumed = {name: (value, source) for name, value, source in vehicle.assumed()}
    if engine.load_sensing is None:
        meter = "mass_air_flow" in channels and "manifold_pressure" not in channels
        sensing = "air_meter" if meter else "speed_density"
        engine = msgspec.structs.replace(engine, load_sensing=sensing)
        assumed["engine.load_sensing"] = (sensing, "log" if meter else "default")
    if engine.forced_induction is None:
        pressure = channels.get("manifold_pressure")
        high = pressure is not None and np.mean(pressure > BOOSTED_KPA) > BOOSTED_SHARE
        engine = msgspec.structs.replace(engine, forced_induction=bool(high))
        assumed["engine.forced_induction"] = (bool(high), "log" if high else "default")
    return msgspec.structs.replace(vehicle, engine=engine), assumed


def settled_as(vehicle: Vehicle, values: Mapping[str, Any]) -> Vehicle:
    """Give the vehicle the settled values that a session's header holds (plain, by name)."""
    return msgspec.structs.replace(
        vehicle,
        engine=msgspec.structs.replace(
            vehicle.engine,
            load_sensing=values["engine.load_sensing"],
            forced_induction=values["engine.forced_induction"],
        ),
    )
