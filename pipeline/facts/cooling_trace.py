"""Coolant, heat made and motion once a second: what warm-up and cooling are judged on."""

from dataclasses import dataclass

import numpy as np

from pipeline.facts.states import States
from pipeline.meta import FactMeta
from pipeline.session import NotAvailableError, View
from pipeline.signals.segments import Bools, Floats
from pipeline.signals.smoothing import median_of_three

META = FactMeta(
    summary="Coolant temperature, heat input and motion, once a second",
    version=1,
    needs=("coolant_temperature",),
    uses=("engine_speed", "manifold_pressure", "mass_air_flow", "vehicle_speed",
          "ambient_air_temperature", "intake_air_temperature"),
    facts=("states",),
    optional_facts=("sensor_validity",),
)  # fmt: skip

#: s: the reading is averaged over this, which takes the steps of 0.5 or 1 degC out of it.
SMOOTH_S = 5.0
#: s: no water changes and comes back this fast; the reading is freed of such spikes.
SPIKE_S = 0.2
#: s after the start, and K: the charge air is cooler than the coolant of a running engine.
AIR_COOLER_AFTER_S, AIR_COOLER_K = 180.0, 5.0
#: s: a hole in the coolant channel longer than this is not bridged.
LONGEST_HOLE_S = 20.0
#: Charge temperature in K and volumetric efficiency used where only the pressure is known; they
#: cancel wherever a vehicle is compared with itself.
CHARGE_K, EFFICIENCY = 310.0, 0.8
#: Gas constant of dry air, J/(kg K).
R_AIR = 287.05


@dataclass(frozen=True, eq=False)
class CoolingTrace:
    """One value a second, shape (m,): s, degC, g/s of air (nan: unknown), km/h (nan), running.

    ``coolant`` is smoothed, ``raw`` holds the last reading. ``outside`` is the outside
    temperature in degC, nan where nothing tells it. ``first_s``: engine began to run, None where
    the log does not show it. ``air_known``: whether ``air`` is known at all.
    """

    seconds: Floats
    coolant: Floats
    raw: Floats
    air: Floats
    speed: Floats
    running: Bools
    outside: float
    first_s: float | None
    air_known: bool


def compute(view: View) -> CoolingTrace:
    """Bring the channels to one value a second; the logged rows are averaged, never resampled."""
    states: States = view.fact("states")
    time, coolant = view.time, view.channel("coolant_temperature")
    good = np.isfinite(coolant)
    if good.sum() < 5 or view.duration_s < 20.0:
        raise NotAvailableError("too few coolant readings to follow it")
    validity = view.fact("sensor_validity")
    if validity is not None:
        # Short excursions stay: air and steam at the sensor look like spikes and are judged.
        for fault in validity.faults:
            if fault.channel == "coolant_temperature" and fault.mode != "spike":
                good &= ~((time >= fault.start_s) & (time <= fault.end_s))
        if good.sum() < 5:
            raise NotAvailableError("the coolant sensor's readings cannot be believed")
    if _colder_than_its_air(view, states, coolant, good):
        raise NotAvailableError(
            "the coolant read colder than the intake air while the engine ran: one of the two "
            "sensors is not what it is called"
        )
    at = time[good]
    apart = max(1, round(SPIKE_S / max(float(np.median(np.diff(at))), 1e-3)))
    values = median_of_three(coolant[good], apart)
    seconds = np.arange(np.ceil(at[0]), np.floor(at[-1]) + 0.5, 1.0)
    low = np.searchsorted(at, seconds - SMOOTH_S / 2)
    high = np.searchsorted(at, seconds + SMOOTH_S / 2, side="right")
    total = np.r_[0.0, np.cumsum(values)]
    count = high - low
    near = np.clip(np.searchsorted(at, seconds, side="right") - 1, 0, at.size - 1)
    smooth = np.where(count > 0, (total[high] - total[low]) / np.maximum(count, 1), values[near])
    hole = seconds - at[near] > LONGEST_HOLE_S
    rows = np.clip(np.searchsorted(time, seconds, side="right") - 1, 0, time.size - 1)
    running = states.running[rows]
    air = _air(view, seconds)
    return CoolingTrace(
        seconds=seconds,
        coolant=np.where(hole, np.nan, smooth),
        raw=np.where(hole, np.nan, values[near]),
        air=np.where(running, air, 0.0),
        speed=_means(view, "vehicle_speed", seconds),
        running=running,
        outside=_outside(view),
        first_s=states.first_running_s if states.start_seen else None,
        air_known=bool(np.isfinite(air).any()),
    )


def _colder_than_its_air(view: View, states: States, coolant: Floats, good: Bools) -> bool:
    """Whether the intake air stood above the coolant for most of the running after its start."""
    intake = view.get("intake_air_temperature")
    first = states.first_running_s
    if intake is None or first is None:
        return False
    # The warmth of the last drive sits in the intake for minutes, never longer than in the block.
    rows = states.running & good & np.isfinite(intake) & (view.time > first + AIR_COOLER_AFTER_S)
    if rows.sum() < 50:
        return False
    return bool(np.mean(intake[rows] - coolant[rows] > AIR_COOLER_K) > 0.5)


def _means(view: View, name: str, seconds: Floats) -> Floats:
    """Mean of a channel over each second, held where no reading fell into it."""
    channel = view.get(name)
    if channel is None:
        return np.full(seconds.size, np.nan)
    good = np.isfinite(channel)
    at, values = view.time[good], channel[good]
    if at.size == 0:
        return np.full(seconds.size, np.nan)
    total = np.r_[0.0, np.cumsum(values)]
    low, high = np.searchsorted(at, seconds - 0.5), np.searchsorted(at, seconds + 0.5)
    near = np.clip(np.searchsorted(at, seconds, side="right") - 1, 0, at.size - 1)
    mean = (total[high] - total[low]) / np.maximum(high - low, 1)
    return np.where(high > low, mean, values[near])


def _air(view: View, seconds: Floats) -> Floats:
    """Air flow in g/s: as logged, else from pressure and speed for a cylinder filled like most."""
    flow = _means(view, "mass_air_flow", seconds)
    if np.isfinite(flow).any():
        return flow
    rpm = _means(view, "engine_speed", seconds)
    pressure = _means(view, "manifold_pressure", seconds)
    litres = view.vehicle.engine.displacement_l
    # Ideal gas, one filling per cylinder and two turns: m = VE p V N / (120 R T).
    return EFFICIENCY * pressure * 1e3 * litres * 1e-3 * rpm / (120.0 * R_AIR * CHARGE_K) * 1e3


def _outside(view: View) -> float:
    """Outside temperature: logged, else the coldest reading near the start (never the engine's)."""
    for name, quantile in (("ambient_air_temperature", 0.5), ("intake_air_temperature", 0.05)):
        channel = view.get(name)
        if channel is not None and np.isfinite(channel).any():
            return float(np.nanquantile(channel, quantile))
    return float("nan")
