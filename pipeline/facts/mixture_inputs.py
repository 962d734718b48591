"""What every question about the mixture starts from: reading, target, trims, flow, and rows to use.

Nothing is judged here. The reading stays where it was logged; whoever compares it with the
engine moves it back by the exhaust's delay.
"""

from dataclasses import dataclass

import numpy as np

from pipeline.facts._believed import believed
from pipeline.facts.states import States
from pipeline.meta import FactMeta
from pipeline.session import NotAvailableError, View
from pipeline.signals import segments
from pipeline.signals.blocks import blocks_by, by_block
from pipeline.signals.regression import lookup
from pipeline.signals.sampling import held_rows, update_rows
from pipeline.signals.segments import Bools, Floats

META = FactMeta(
    summary="lambda reading, target, trims, air flow and the rows in which a mixture can be judged",
    version=1,
    needs=("engine_speed",),
    needs_any=(("lambda", "lambda_2"),),
    uses=(
        "lambda_target", "manifold_pressure", "mass_air_flow", "intake_air_temperature",
        "coolant_temperature", "fuel_trim_short", "fuel_trim_long", "injector_pulse_width",
        "injector_duty", "battery_voltage", "throttle_position", "crank_signal_errors",
    ),
    facts=("states",),
    optional_facts=("sensor_validity",),
)  # fmt: skip

#: kJ/(kg K) is not needed: gas constant of air, J/(kg K) (ISO 2533).
GAS_CONSTANT = 287.05
#: Volumetric efficiency with intake and exhaust at one pressure: middle of 0.8-1.0 (common
#: practice). Below that, exhaust left in the clearance expands and takes the charge's place.
USUAL_FILLING = 0.9
#: Polytropic exponent of that expansion (Heywood 1988, chapter 6, from memory).
RESIDUAL_EXPONENT = 1.3
#: Readings this close to the instrument's end value are no measurement.
LIMIT_MARGIN = 0.008
#: Nothing burns this rich: a dead input, and no divisor.
NO_READING = 0.35
#: No petrol, alcohol or blend burns above this: a reading there is air, or the sensor's limit.
NO_FLAME_LAMBDA = 1.45
#: No spark ignites a mixture richer than this for long (petrol: handbook limit near 0.5).
RICH_END = 0.55
#: A pile of readings at the rich end this wide, and so many times denser than what lies above it.
PILE_WIDTHS, PILE_RATIO = (0.004, 0.015), 3.0
#: Instruments end at 10.0 of petrol's air-fuel ratio (lambda 0.68) or below, the narrowest near 0.7
#: (from memory): what piles up above this is a mixture that was held there.
RICHEST_END = 0.72
#: A reading this near to its target is the mixture that was asked for, delay and noise let in.
AS_ASKED = 0.06
#: s of log in which a closed loop shows: its trim scatters by more than this many % there, and the
#: mean reading lies this near to lambda 1.
LOOP_BLOCK_S, LIVE_TRIM_PCT, LOOP_HOLDS = 5.0, 0.05, 0.03
#: A wideband takes 15-30 s to heat (common practice); judged from here on, s after the start.
SENSOR_READY_S = 30.0


@dataclass(frozen=True, eq=False)
class MixtureInputs:
    """Arrays (n,), NaN where unknown.

    reading: lambda; fresh: rows with a new one; update_s: usual time between those. target and
    target_source ("log", "vehicle", "loop", "none"). trim: factor on fuel by closed loop and
    learning (1 where none is logged); trims_logged. pressure kPa, flow g/s (flow_source "meter" or
    "pressure"). fuelled: running with fuel and no speed dropout. settled: at least SENSOR_READY_S
    after the start. measured: reading within the instrument's limits, and believed.
    at_rich_end: believed, but at the instrument's rich end or below: at least so rich.
    high_limit: the instrument's lean end, inf where not met.
    """

    channel: str
    reading: Floats
    fresh: Bools
    update_s: float
    target: Floats
    target_source: str
    trim: Floats
    trims_logged: bool
    rpm: Floats
    pressure: Floats
    pressure_logged: bool
    flow: Floats
    flow_source: str
    intake_c: Floats
    coolant_c: Floats
    pulse_ms: Floats
    volts: Floats
    fuelled: Bools
    cut: Bools
    cut_known: bool
    settled: Bools
    measured: Bools
    at_rich_end: Bools
    since_start_s: Floats
    high_limit: float
    barometer_kpa: float
    load_from_kpa: float


def compute(view: View) -> MixtureInputs:
    """Gather the channels; raises NotAvailableError where no reading has a value."""
    states: States = view.fact("states")
    validity = view.fact("sensor_validity")
    time = view.time
    channel = "lambda" if view.has("lambda") else "lambda_2"
    reading = view.channel(channel)
    reading = np.where(reading > NO_READING, reading, np.nan)
    finite = np.isfinite(reading)
    if np.count_nonzero(finite) < 30:
        raise NotAvailableError("lambda was logged with hardly any value")
    fresh = np.zeros(time.size, dtype=bool)
    rows = np.flatnonzero(finite)
    fresh[rows] = update_rows(reading[rows], held_rows(reading[rows]))
    gaps = np.diff(time[fresh])
    update_s = float(np.median(gaps)) if gaps.size else 1.0

    def held(name: str, default: float = np.nan) -> Floats:
        values = view.get(name)
        if values is None:
            return np.full(time.size, default)
        return segments.hold(time, believed(view, name, values), seconds=5.0)

    running, rpm = states.running, states.rpm
    cut_known = view.has("injector_pulse_width") or view.has("injector_duty")
    fuelled = running & ~states.fuel_cut & ~states.dropout
    since = _since_start(time, states)
    trusted = finite if validity is None else finite & validity.good(channel)
    pressure = held("manifold_pressure")
    flow, source = _flow(view, pressure, rpm, held("mass_air_flow"),
                         held("intake_air_temperature"), states.barometer_kpa)  # fmt: skip
    target, target_source = _target(view, held("lambda_target"), rpm, pressure)
    if target_source == "none" and view.has("fuel_trim_short"):
        # Under load no loop is at work, or none that keeps to lambda 1.
        light = fuelled & ~(pressure >= 0.9 * states.barometer_kpa)
        target = _held_by_the_loop(time, reading, held("fuel_trim_short"), light)
        target_source = "loop" if np.isfinite(target).any() else "none"
    low, high = _limits(reading[finite & running], target[finite & running])
    lean_enough = reading > max(low + LIMIT_MARGIN, RICH_END)
    measured = trusted & lean_enough & (reading < min(high - LIMIT_MARGIN, NO_FLAME_LAMBDA))
    short, long = held("fuel_trim_short", 0.0), held("fuel_trim_long", 0.0)
    trim = 1.0 + (np.nan_to_num(short) + np.nan_to_num(long)) / 100.0
    limits = view.limits
    return MixtureInputs(
        channel=channel,
        reading=reading,
        fresh=fresh,
        update_s=update_s,
        target=target,
        target_source=target_source,
        trim=np.clip(trim, 0.4, 2.5),
        trims_logged=view.has("fuel_trim_short") or view.has("fuel_trim_long"),
        rpm=rpm,
        pressure=pressure,
        pressure_logged=view.has("manifold_pressure"),
        flow=flow,
        flow_source=source,
        intake_c=held("intake_air_temperature"),
        coolant_c=held("coolant_temperature"),
        pulse_ms=held("injector_pulse_width"),
        volts=held("battery_voltage"),
        fuelled=fuelled,
        cut=running & states.fuel_cut,
        cut_known=cut_known,
        settled=running & (since >= SENSOR_READY_S),
        measured=measured,
        at_rich_end=trusted & ~lean_enough,
        since_start_s=since,
        high_limit=high,
        barometer_kpa=states.barometer_kpa,
        load_from_kpa=min(limits.load_kpa, limits.load_barometer_fraction * states.barometer_kpa),
    )


def _since_start(time: Floats, states: States) -> Floats:
    """Seconds (n,) since the last start; a log that begins running counts as long started."""
    starts, _ = segments.runs(states.running)
    if not starts.size:
        return np.full(time.size, -1.0)
    begin = np.where(starts > 0, time[starts], -1e4)
    if not states.start_seen:
        begin[0] = -1e4
    at = np.searchsorted(starts, np.arange(time.size), side="right") - 1
    return np.where(states.running & (at >= 0), time - begin[np.maximum(at, 0)], -1.0)


def _held_by_the_loop(time: Floats, reading: Floats, short: Floats, light: Bools) -> Floats:
    """Target (n,): 1 where a closed loop is at work and holds the reading there, NaN elsewhere.

    What a loop holds is what it was asked for. Only around lambda 1 can that be told from a
    reading that merely stands somewhere.
    """
    block = blocks_by(time, LOOP_BLOCK_S)
    use = light & np.isfinite(short) & np.isfinite(reading)
    _, moves, count = by_block(block, short, use)
    level, _, _ = by_block(block, reading, use)
    at_one = (moves > LIVE_TRIM_PCT) & (count >= 5) & (np.abs(level - 1.0) < LOOP_HOLDS)
    return np.where(at_one[block] & light, 1.0, np.nan)


def _limits(reading: Floats, target: Floats) -> tuple[float, float]:
    """Ends of the instrument: extremes that the reading rests on, else none (-inf, inf)."""
    if reading.size < 30:
        return -np.inf, np.inf
    top = float(reading.max())
    least = max(5, reading.size // 5000)
    high = top if top > 1.15 and np.count_nonzero(reading >= top - 0.002) >= least else np.inf
    return _rich_end(reading, target, least), high


def _rich_end(reading: Floats, target: Floats, least: int) -> float:
    """Upper edge of the readings that rest on the instrument's rich end, -inf where none do.

    A reading that is cut off piles up at the end, spread by its noise; one that is merely rich
    thins out towards it. A pile where the target is, is an engine that does as it is told.
    """
    edge = float(np.quantile(reading, min(0.001, 3.0 / reading.size)))
    if edge >= RICHEST_END:
        return -np.inf
    for width in PILE_WIDTHS:
        rests = reading <= edge + width
        pile = np.count_nonzero(rests)
        above = np.count_nonzero((reading > edge + width) & (reading <= edge + 3.0 * width))
        if pile >= max(least, 8) and pile > PILE_RATIO * 0.5 * above:
            asked = np.abs(reading[rests] / target[rests] - 1.0) < AS_ASKED
            return -np.inf if np.mean(asked) > 0.5 else edge + width
    return -np.inf


def _flow(
    view: View, pressure: Floats, rpm: Floats, meter: Floats, intake_c: Floats,
    barometer_kpa: float,
) -> tuple[Floats, str]:  # fmt: skip
    """Air flow (n,) in g/s: measured, else from speed, pressure and displacement."""
    if np.isfinite(meter).any():
        return np.maximum(np.nan_to_num(meter, nan=1.0), 0.3), "meter"
    kelvin = np.nan_to_num(intake_c, nan=25.0) + 273.15
    litres = view.vehicle.engine.displacement_l
    kpa = np.where(np.isfinite(pressure), pressure, 50.0)
    filling = filling_of(kpa, barometer_kpa, view.vehicle.engine.compression_ratio)
    grams = filling * kpa * litres * rpm / 120.0 / (GAS_CONSTANT * kelvin) * 1000.0
    return np.maximum(np.nan_to_num(grams, nan=1.0), 0.3), "pressure"


def filling_of(kpa: Floats, barometer_kpa: float, compression: float) -> Floats:
    """Volumetric efficiency (n,): residual gas takes room in a throttled charge.

    1 - (p_e / p_i - 1) / (g (r - 1)) times its value at equal pressures, for four-stroke engines
    (Heywood 1988, chapter 6, from memory); pressures above the exhaust's change little.
    """
    ratio = np.clip(barometer_kpa / np.maximum(kpa, 15.0), 1.0, 5.0)
    left = (ratio - 1.0) / (RESIDUAL_EXPONENT * (compression - 1.0))
    filling: Floats = USUAL_FILLING * (1.0 - left)
    return filling


def _target(view: View, logged: Floats, rpm: Floats, pressure: Floats) -> tuple[Floats, str]:
    """Target lambda (n,) from the log, else from the vehicle's own target table."""
    if np.isfinite(logged).any():
        return np.where((logged > 0.4) & (logged < 2.0), logged, np.nan), "log"
    own = view.vehicle.lambda_target
    if own is not None and np.isfinite(pressure).any():
        values = np.array(own.values).T.ravel()
        kpa = np.nan_to_num(pressure, nan=float(own.load_kpa[0]))
        target = lookup(np.array(own.rpm), np.array(own.load_kpa), values, np.nan_to_num(rpm), kpa)
        return target, "vehicle"
    return np.full(logged.size, np.nan), "none"
