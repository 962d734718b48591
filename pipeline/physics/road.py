"""Road load: what it takes to move a car, and power from acceleration.

Source: the usual sum of rolling, air, grade and inertia forces (Gillespie, Fundamentals of
Vehicle Dynamics, ch. 4, from memory).
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

STANDARD_GRAVITY_M_S2 = 9.80665
KMH_PER_M_S = 3.6


def force_n(
    *,
    speed_m_s: ArrayLike,
    acceleration_m_s2: ArrayLike,
    mass_kg: ArrayLike,
    rolling_resistance: ArrayLike,
    drag_area_m2: ArrayLike,
    air_density_kg_m3: ArrayLike,
    grade: ArrayLike = 0.0,
) -> FloatArray:
    """Force at the tyres (N): rolling, air, grade and the car's mass; shapes broadcast.

    grade is rise over run. Rotating masses are not added.
    """
    angle = np.arctan(np.asarray(grade, dtype=np.float64))
    mass = np.asarray(mass_kg, dtype=np.float64)
    weight = mass * STANDARD_GRAVITY_M_S2
    speed = np.asarray(speed_m_s, dtype=np.float64)
    drag = 0.5 * np.asarray(air_density_kg_m3) * np.asarray(drag_area_m2) * speed * speed
    return np.asarray(
        weight * np.asarray(rolling_resistance) * np.cos(angle)
        + drag
        + weight * np.sin(angle)
        + mass * np.asarray(acceleration_m_s2)
    )


def power_w(
    *,
    speed_m_s: ArrayLike,
    acceleration_m_s2: ArrayLike,
    mass_kg: ArrayLike,
    rolling_resistance: ArrayLike,
    drag_area_m2: ArrayLike,
    air_density_kg_m3: ArrayLike,
    grade: ArrayLike = 0.0,
) -> FloatArray:
    """Power at the tyres (W): force times speed; see :func:`force_n`."""
    force = force_n(
        speed_m_s=speed_m_s,
        acceleration_m_s2=acceleration_m_s2,
        mass_kg=mass_kg,
        rolling_resistance=rolling_resistance,
        drag_area_m2=drag_area_m2,
        air_density_kg_m3=air_density_kg_m3,
        grade=grade,
    )
    return np.asarray(force * np.asarray(speed_m_s, dtype=np.float64))


def speed_m_s(
    *, engine_rpm: ArrayLike, gear: float, final_drive: float, tyre_radius_m: float
) -> FloatArray:
    """Road speed (m/s) of an engine speed in a gear, without slip."""
    turns = np.asarray(engine_rpm, dtype=np.float64) / 60.0 / (gear * final_drive)
    return np.asarray(turns * 2.0 * np.pi * tyre_radius_m)


def distance_m(*, time_s: ArrayLike, speed_kmh: ArrayLike) -> float:
    """Distance (m) by the trapezium rule from times (n,) and speeds (n,); NaN rows left out."""
    t = np.asarray(time_s, dtype=np.float64)
    v = np.asarray(speed_kmh, dtype=np.float64) / KMH_PER_M_S
    good = np.isfinite(v) & np.isfinite(t)
    return float(np.trapezoid(v[good], t[good]))


def engine_power_w(*, torque_n_m: ArrayLike, speed_rpm: ArrayLike) -> FloatArray:
    """Power (W) of a torque (N m) at an engine speed (rpm): 2 pi n T."""
    omega = np.asarray(speed_rpm, dtype=np.float64) * (2.0 * np.pi / 60.0)
    return np.asarray(np.asarray(torque_n_m) * omega)


def mean_effective_pressure_pa(*, torque_n_m: ArrayLike, displacement_m3: float) -> FloatArray:
    """Brake mean effective pressure (Pa) of a four-stroke engine: 4 pi T / V."""
    return np.asarray(4.0 * np.pi * np.asarray(torque_n_m, dtype=np.float64) / displacement_m3)
