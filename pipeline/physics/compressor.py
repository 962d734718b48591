"""Compressor and intercooler from ideal-gas relations.

Source: isentropic compression with an efficiency; heat-exchanger effectiveness. Standard
textbook relations (Heywood ch. 6, from memory). Ratio of specific heats of air 1.4.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

AIR_HEAT_RATIO = 1.4
AIR_HEAT_CAPACITY_J_KG_K = 1005.0

#: Efficiency of a road car's turbocharger compressor, and how far it may be off either way
#: (two standard deviations): maps' islands peak at 0.72-0.78, a pull crosses 0.60-0.75. Common
#: practice.
COMPRESSOR_EFFICIENCY = 0.68
COMPRESSOR_EFFICIENCY_BAND = 0.08

#: Pressure lost between compressor and manifold at full flow, kPa: common practice 3-10.
CHARGE_PIPE_LOSS_KPA = 5.0


def outlet_temperature_k(
    *, inlet_k: ArrayLike, pressure_ratio: ArrayLike, efficiency: ArrayLike
) -> FloatArray:
    """Temperature after a compressor (K); shapes broadcast.

    T2 = T1 + T1 (PR^((g-1)/g) - 1) / efficiency, with g the ratio of specific heats.
    """
    t1 = np.asarray(inlet_k, dtype=np.float64)
    exponent = (AIR_HEAT_RATIO - 1.0) / AIR_HEAT_RATIO
    rise = np.asarray(pressure_ratio, dtype=np.float64) ** exponent - 1.0
    return np.asarray(t1 + t1 * rise / np.asarray(efficiency))


def power_w(*, air_flow_kg_s: ArrayLike, inlet_k: ArrayLike, outlet_k: ArrayLike) -> FloatArray:
    """Power a compressor takes (W): m cp (T2 - T1)."""
    rise = np.asarray(outlet_k, dtype=np.float64) - np.asarray(inlet_k)
    return np.asarray(np.asarray(air_flow_kg_s) * AIR_HEAT_CAPACITY_J_KG_K * rise)


def effectiveness(
    *, hot_in: ArrayLike, hot_out: ArrayLike, ambient: ArrayLike
) -> FloatArray:  # temperatures in any one scale
    """Effectiveness of an intercooler: share of the possible temperature drop it achieves.

    (in - out) / (in - ambient); above 1 or with ``hot_out`` below ambient a sensor is wrong.
    """
    inlet = np.asarray(hot_in, dtype=np.float64)
    return np.asarray((inlet - np.asarray(hot_out)) / (inlet - np.asarray(ambient)))


def intercooler_outlet(
    *, hot_in: ArrayLike, ambient: ArrayLike, effectiveness: ArrayLike
) -> FloatArray:
    """Temperature after an intercooler, in the scale of the inputs."""
    inlet = np.asarray(hot_in, dtype=np.float64)
    return np.asarray(inlet - np.asarray(effectiveness) * (inlet - np.asarray(ambient)))


def density_ratio(
    *, pressure_ratio: ArrayLike, ambient_k: ArrayLike, charge_k: ArrayLike
) -> FloatArray:
    """Charge density over ambient density: pressure ratio times temperature ratio."""
    ratio = np.asarray(ambient_k, dtype=np.float64) / np.asarray(charge_k)
    return np.asarray(np.asarray(pressure_ratio) * ratio)
