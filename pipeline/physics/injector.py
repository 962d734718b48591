"""Injectors: duty, flow over pressure, mass per pulse.

Source: orifice flow (Bernoulli): flow grows with the root of the pressure difference. Duty and
cycle time by definition: one cycle of a four-stroke engine takes 120 / rpm seconds.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]


def cycle_time_ms(speed_rpm: ArrayLike) -> FloatArray:
    """Time of one four-stroke cycle (two turns), ms."""
    return np.asarray(120_000.0 / np.asarray(speed_rpm, dtype=np.float64))


def duty_pct(
    *, pulse_width_ms: ArrayLike, speed_rpm: ArrayLike, shots_per_cycle: int = 1
) -> FloatArray:
    """Duty (%) of an injector that opens ``shots_per_cycle`` times in two turns."""
    pulse = np.asarray(pulse_width_ms, dtype=np.float64) * shots_per_cycle
    return np.asarray(100.0 * pulse / cycle_time_ms(speed_rpm))


def flow_factor(*, difference_kpa: ArrayLike, rated_kpa: float) -> FloatArray:
    """Flow over rated flow at a pressure difference (kPa): root of the ratio; 0 below 0."""
    ratio = np.maximum(np.asarray(difference_kpa, dtype=np.float64), 0.0) / rated_kpa
    return np.asarray(np.sqrt(ratio))


def flow_g_s(*, flow_cc_min: ArrayLike, density_kg_m3: float) -> FloatArray:
    """Mass flow (g/s) of a static flow given in cm3/min."""
    return np.asarray(np.asarray(flow_cc_min, dtype=np.float64) / 60.0 * density_kg_m3 / 1000.0)


def mass_per_pulse_mg(
    *,
    pulse_width_ms: ArrayLike,
    dead_time_ms: ArrayLike,
    flow_cc_min: ArrayLike,
    density_kg_m3: float,
) -> FloatArray:
    """Fuel per pulse (mg): static mass flow times the pulse less its dead time, never below 0."""
    pulse = np.asarray(pulse_width_ms, dtype=np.float64)
    net = np.maximum(pulse - np.asarray(dead_time_ms), 0.0)
    return np.asarray(flow_g_s(flow_cc_min=flow_cc_min, density_kg_m3=density_kg_m3) * net)


def unreferenced_factor(
    *, manifold_kpa: ArrayLike, barometer_kpa: ArrayLike, rail_gauge_kpa: float
) -> FloatArray:
    """Flow of an injector on an unreferenced regulator over the flow on a referenced one.

    The rail then stays ``rail_gauge_kpa`` above the barometer instead of above the manifold:
    root((rail + barometer - manifold) / rail). 1 at the barometer, less in boost.
    """
    boost = np.asarray(manifold_kpa, dtype=np.float64) - np.asarray(barometer_kpa)
    return flow_factor(difference_kpa=rail_gauge_kpa - boost, rated_kpa=rail_gauge_kpa)


def dead_time_ms(
    *, volts: ArrayLike, table_volts: ArrayLike, table_ms: ArrayLike
) -> FloatArray:  # held at the ends of the table
    """Dead time (ms) at a supply voltage, linear between the table's points."""
    return np.asarray(
        np.interp(
            np.asarray(volts, dtype=np.float64), np.asarray(table_volts), np.asarray(table_ms)
        )
    )
