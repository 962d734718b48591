"""Knock: ignition delay of the end gas, its integral, and the spark at which the integral is 1.

Sources: Douaud and Eyzat, SAE 780080 (delay; constants seen in public secondary sources);
Livengood and Wu, 5th Symposium (International) on Combustion, 1955 (integral); Russ, SAE
960497 (effect of mixture in octane numbers). The cylinder is a single zone (combustion.py) with
an end gas compressed by it.

The integral's absolute value is not to be trusted: with textbook constants it condemns engines
that are quiet. A scale on the delay (public implementations use 1.6) stands for what the model
leaves out, with a factor 1.5 either way. The result ranks operating points and follows changes.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.physics import combustion as cyl
from pipeline.physics.air import GAS_CONSTANT_DRY_AIR, KELVIN

FloatArray = NDArray[np.float64]

#: Douaud and Eyzat: tau = 17.68 ms (ON/100)^3.402 p^-1.7 exp(3800/T), p in atm, T in K.
DELAY_MS = 17.68
OCTANE_EXPONENT = 3.402
PRESSURE_EXPONENT = 1.7
ACTIVATION_K = 3800.0
KPA_PER_ATM = 101.325

#: Scale on the delay and the factor either way that holds 95 % of engines (a choice: the spread
#: of public implementations; updated per vehicle by running that was known to be quiet).
DELAY_SCALE = 1.6
DELAY_SCALE_FACTOR = 1.5

#: Russ, SAE 960497: the octane requirement peaks 5 % rich and falls 2 numbers per unit of
#: air-fuel ratio either side. Held at 10 numbers: beyond lies nothing measured.
MIXTURE_PEAK_LAMBDA = 0.95
MIXTURE_ON_PER_RATIO = 2.0
MIXTURE_RATIO = 14.7
MIXTURE_ON_MAX = 10.0

#: Heat ratios of the cylinder's content, compressing and burned (single zone, from memory of
#: Heywood ch. 4), and of the end gas: falls with temperature.
HEAT_RATIO_UNBURNED = 1.33
HEAT_RATIO_BURNED = 1.25
END_GAS_RATIO_AT_300K = 1.370
END_GAS_RATIO_PER_K = 1.0e-4

#: Closing of the intake valve, deg (50 after bottom dead centre), and the model's window.
VALVE_CLOSING_DEG = -130.0
WINDOW_START_DEG = -70.0
WINDOW_END_DEG = 60.0
#: The integral ends when this share has burned: what knocks later is too little to matter.
BURNED_AT_END = 0.95

#: Burn: whole Wiebe duration at 3000 rpm, its growth with speed, with mixture off the fastest
#: (lambda 0.87) and with residual gas. 10-90 % is half of it: 30 deg (Heywood ch. 9: 20-40).
BURN_DURATION_DEG = 60.0
BURN_SPEED_EXPONENT = 0.25
BURN_BEST_LAMBDA = 0.87
BURN_MIXTURE = 2.0
BURN_RESIDUAL = 1.5
#: Deg after top dead centre by which half has burned at best torque (Heywood, 2nd ed.: 8 to 10).
BEST_TORQUE_HALF_DEG = 9.0

#: Charge: heat from ports and valves at 2000 rpm, K, falling with speed; residual's and walls'
#: temperatures, K; volumetric efficiency where nothing is known. All common practice.
PORT_HEATING_K = 25.0
RESIDUAL_K = 1000.0
WALL_K = 450.0
VOLUMETRIC_EFFICIENCY = 0.92
#: Share of the fuel's heat of evaporation taken from the air before the valve closes.
EVAPORATED_SHARE = 0.6
COMBUSTION_EFFICIENCY = 0.95

#: What the model does not know, as two standard deviations: burn duration, residual share,
#: charge temperature (K), octane number given or not, base timing measured or not (deg).
BURN_BAND = 0.15
RESIDUAL_BAND = 0.02
TEMPERATURE_BAND_K = 10.0

#: Spark beyond which no limit is looked for, deg before top dead centre.
LIMIT_LOW_DEG = -15.0
LIMIT_HIGH_DEG = 58.0
#: Least slope of ln(integral) per degree of spark taken as real: below it the limit is far off.
SLOPE_LEAST = 0.02


@dataclass(frozen=True, kw_only=True)
class FuelHeat:
    """What the cylinder model needs of a fuel: ratio at lambda 1, MJ/kg, kJ/kg evaporation."""

    stoichiometric_ratio: float
    heating_value_mj_kg: float
    evaporation_kj_kg: float


#: Heats of evaporation are handbook values, from memory.
PETROL = FuelHeat(stoichiometric_ratio=14.7, heating_value_mj_kg=43.4, evaporation_kj_kg=350.0)


def ignition_delay_ms(
    *, octane: ArrayLike, pressure_kpa: ArrayLike, temperature_k: ArrayLike
) -> FloatArray:
    """Ignition delay (ms) of the end gas after Douaud and Eyzat; shapes broadcast."""
    atm = np.asarray(pressure_kpa, dtype=np.float64) / KPA_PER_ATM
    kelvin = np.asarray(temperature_k, dtype=np.float64)
    number = np.asarray(octane, dtype=np.float64) / 100.0
    return np.asarray(
        DELAY_MS * number**OCTANE_EXPONENT * atm**-PRESSURE_EXPONENT * np.exp(ACTIVATION_K / kelvin)
    )


def livengood_wu(
    *, time_ms: ArrayLike, pressure_kpa: ArrayLike, temperature_k: ArrayLike, octane: ArrayLike
) -> FloatArray:
    """Running knock integral of dt/tau along the last axis, from 0, by the trapezium rule."""
    rate = 1.0 / ignition_delay_ms(
        octane=octane, pressure_kpa=pressure_kpa, temperature_k=temperature_k
    )
    step = np.diff(np.asarray(time_ms, dtype=np.float64), axis=-1)
    inner = np.cumsum(0.5 * (rate[..., 1:] + rate[..., :-1]) * step, axis=-1)
    return np.concatenate([np.zeros((*inner.shape[:-1], 1)), inner], axis=-1)


def end_gas_temperature_k(
    *, start_k: ArrayLike, pressure_ratio: ArrayLike, heat_ratio: float
) -> FloatArray:
    """End-gas temperature (K) after isentropic compression by a pressure ratio."""
    ratio = np.asarray(pressure_ratio, dtype=np.float64)
    return np.asarray(np.asarray(start_k) * ratio ** ((heat_ratio - 1.0) / heat_ratio))


def mixture_octane(lambda_: ArrayLike) -> FloatArray:
    """Octane numbers that a mixture saves against the worst one (5 % rich), Russ SAE 960497."""
    ratio = MIXTURE_RATIO * np.asarray(lambda_, dtype=np.float64)
    away = np.abs(ratio - MIXTURE_RATIO * MIXTURE_PEAK_LAMBDA)
    return np.minimum(MIXTURE_ON_PER_RATIO * away, MIXTURE_ON_MAX)


def octane_log(*, octane: ArrayLike, change: ArrayLike) -> FloatArray:
    """Natural log of the delay's factor when the octane number changes by ``change``."""
    base = np.asarray(octane, dtype=np.float64)
    return np.asarray(OCTANE_EXPONENT * np.log((base + np.asarray(change)) / base))


@dataclass(frozen=True)
class CycleOutcome:
    """What the cylinder model gives per operating point, each (n,).

    log_integral: ln of the knock integral (scale of the delay applied). peak_kpa: peak cylinder
    pressure. end_gas_k and end_gas_kpa: the end gas where its reaction is quickest.
    half_burned_deg: crank angle at which half has burned, after top dead centre.
    """

    log_integral: FloatArray
    peak_kpa: FloatArray
    end_gas_k: FloatArray
    end_gas_kpa: FloatArray
    half_burned_deg: FloatArray


def run_cycle(
    cylinder: cyl.Cylinder,
    *,
    speed_rpm: FloatArray,
    manifold_kpa: FloatArray,
    intake_k: FloatArray,
    lambda_: FloatArray,
    spark_deg: FloatArray,
    octane: float,
    boosted: bool,
    fuel: FuelHeat = PETROL,
    delay_scale: float = DELAY_SCALE,
    burn_factor: float = 1.0,
    residual_add: float = 0.0,
    step_deg: float = 1.0,
) -> CycleOutcome:
    """Compress, burn and expand one cycle for n operating points at once.

    All arrays (n,). spark_deg is before top dead centre. First law on one zone in steps of
    crank angle: adiabatic change of volume, then heat of burning less heat to the walls at
    constant volume. The end gas follows the pressure isentropically.
    """
    start = trapped(
        cylinder, speed_rpm, manifold_kpa, intake_k, lambda_, boosted, fuel, residual_add
    )
    angles = np.arange(WINDOW_START_DEG, WINDOW_END_DEG + 0.5 * step_deg, step_deg)
    volumes = cyl.volume_m3(cylinder, angles)
    areas = cyl.wall_area_m2(cylinder, angles)
    duration = burn_factor * _burn_duration_deg(speed_rpm, lambda_, start.residual)
    half = duration * cyl.wiebe_angle(0.5) - spark_deg
    end = duration * cyl.wiebe_angle(BURNED_AT_END) - spark_deg
    seconds = step_deg / (6.0 * speed_rpm)
    piston = cyl.WOSCHNI_COMPRESSION * cyl.mean_piston_speed_m_s(cylinder, speed_rpm)
    # Woschni's combustion term: C2 Vd T/(p V) at valve closing, which is C2 Vd / (m R).
    burn_term = cyl.WOSCHNI_COMBUSTION_M_S_K * cylinder.swept_m3 / start.mass_r * 1000.0
    wall = 3.26 * cylinder.bore_m**-0.2 * seconds * 1e-3  # kJ where areas are m2

    pressure, motored = start.pressure_kpa, start.pressure_kpa
    log_pressure = np.log(pressure)
    log_gas = np.log(start.temperature_k)
    constant = -np.log(DELAY_MS * delay_scale * (octane / 100.0) ** OCTANE_EXPONENT)
    constant -= PRESSURE_EXPONENT * np.log(KPA_PER_ATM)
    burned = np.zeros_like(pressure)
    inverse_cube = 1.0 / duration**3
    integral = np.zeros_like(pressure)
    peak = pressure.copy()
    quickest = np.full_like(pressure, -np.inf)
    at_k, at_kpa = start.temperature_k.copy(), pressure.copy()
    milliseconds = 1000.0 * seconds
    for i in range(1, angles.size):
        shrink = np.log(volumes[i - 1] / volumes[i])
        ratio = HEAT_RATIO_UNBURNED + (HEAT_RATIO_BURNED - HEAT_RATIO_UNBURNED) * burned
        motored = motored * np.exp(HEAT_RATIO_UNBURNED * shrink)
        pressure = pressure * np.exp(ratio * shrink)
        lag = np.maximum(angles[i] + spark_deg, 0.0)
        now = -np.expm1(-cyl.WIEBE_EFFICIENCY * lag * lag * lag * inverse_cube)
        gas_k = pressure * volumes[i] / start.mass_r * 1000.0
        velocity = piston + burn_term * np.maximum(pressure - motored, 0.0)
        lost = wall * areas[i] * pressure**0.8 * gas_k**-0.55 * velocity**0.8 * (gas_k - WALL_K)
        gained = start.heat_kj * (now - burned) - lost
        pressure = pressure + (ratio - 1.0) / volumes[i] * gained
        burned = now
        log_now = np.log(pressure)
        gas = np.exp(log_gas)
        heat_ratio = END_GAS_RATIO_AT_300K - END_GAS_RATIO_PER_K * (gas - 300.0)
        log_gas = log_gas + (1.0 - 1.0 / heat_ratio) * (log_now - log_pressure)
        log_pressure = log_now
        gas = np.exp(log_gas)
        log_rate = constant + PRESSURE_EXPONENT * log_now - ACTIVATION_K / gas
        weight = np.clip((end - angles[i]) / step_deg + 0.5, 0.0, 1.0)
        integral = integral + np.exp(log_rate) * milliseconds * weight
        peak = np.maximum(peak, pressure)
        better = (log_rate > quickest) & (weight > 0.5)
        quickest = np.where(better, log_rate, quickest)
        at_k = np.where(better, gas, at_k)
        at_kpa = np.where(better, pressure, at_kpa)
    return CycleOutcome(np.log(np.maximum(integral, 1e-12)), peak, at_k, at_kpa, half)


def best_torque_spark(
    cylinder: cyl.Cylinder,
    *,
    speed_rpm: FloatArray,
    manifold_kpa: FloatArray,
    intake_k: FloatArray,
    lambda_: FloatArray,
    boosted: bool,
    fuel: FuelHeat = PETROL,
) -> FloatArray:
    """Spark (deg before top dead centre, (n,)) at which half has burned where torque is best."""
    start = trapped(cylinder, speed_rpm, manifold_kpa, intake_k, lambda_, boosted, fuel, 0.0)
    duration = _burn_duration_deg(speed_rpm, lambda_, start.residual)
    return np.asarray(duration * cyl.wiebe_angle(0.5) - BEST_TORQUE_HALF_DEG)


def _burn_duration_deg(
    speed_rpm: FloatArray, lambda_: FloatArray, residual: FloatArray
) -> FloatArray:
    """Whole burn (deg) by speed, mixture and residual share."""
    return np.asarray(
        BURN_DURATION_DEG
        * (speed_rpm / 3000.0) ** BURN_SPEED_EXPONENT
        * (1.0 + BURN_MIXTURE * (lambda_ - BURN_BEST_LAMBDA) ** 2)
        * (1.0 + BURN_RESIDUAL * (residual - 0.05))
    )


@dataclass(frozen=True)
class Trapped:
    """State at the window's start: kPa, K, m R (J/K), residual share, heat of the fuel (kJ)."""

    pressure_kpa: FloatArray
    temperature_k: FloatArray
    mass_r: FloatArray
    residual: FloatArray
    heat_kj: FloatArray


def trapped(
    cylinder: cyl.Cylinder,
    speed_rpm: FloatArray,
    manifold_kpa: FloatArray,
    intake_k: FloatArray,
    lambda_: FloatArray,
    boosted: bool,
    fuel: FuelHeat,
    residual_add: float,
) -> Trapped:
    """What the cylinder holds when compression begins (ideal gas, common-practice filling)."""
    air_kg = (
        VOLUMETRIC_EFFICIENCY
        * manifold_kpa
        * 1000.0
        * cylinder.swept_m3
        / (GAS_CONSTANT_DRY_AIR * intake_k)
    )
    # Exhaust pressure: a little over the barometer, and as much as the boost before a turbine.
    exhaust_kpa = 105.0 + (np.maximum(manifold_kpa - 100.0, 0.0) if boosted else 0.0)
    residual = exhaust_kpa / manifold_kpa / cylinder.compression_ratio * 1.6 * intake_k / RESIDUAL_K
    # 1.6: overlap and backflow over the clearance volume's own content (6 % at full load).
    residual = np.clip(residual + residual_add, 0.01, 0.35)
    ratio = lambda_ * fuel.stoichiometric_ratio
    cooling = EVAPORATED_SHARE * fuel.evaporation_kj_kg / (ratio * 1.005)
    fresh_k = intake_k + PORT_HEATING_K * (2000.0 / speed_rpm) ** 0.3 - cooling
    mixed_k = (1.0 - residual) * fresh_k + residual * RESIDUAL_K
    mass_kg = air_kg * (1.0 + 1.0 / ratio) / (1.0 - residual)
    mass_r = mass_kg * GAS_CONSTANT_DRY_AIR
    closing, begin = cyl.volume_m3(cylinder, [VALVE_CLOSING_DEG, WINDOW_START_DEG])
    closing_kpa = mass_r * mixed_k / closing / 1000.0
    rise = (closing / begin) ** HEAT_RATIO_UNBURNED
    heat_kj = (
        air_kg
        / fuel.stoichiometric_ratio
        / np.maximum(lambda_, 1.0)
        * fuel.heating_value_mj_kg
        * 1000.0
        * COMBUSTION_EFFICIENCY
    )
    return Trapped(closing_kpa * rise, mixed_k * rise * begin / closing, mass_r, residual, heat_kj)


def intake_kelvin(celsius: ArrayLike) -> FloatArray:
    """Temperature in K from degC."""
    return np.asarray(np.asarray(celsius, dtype=np.float64) + KELVIN)
