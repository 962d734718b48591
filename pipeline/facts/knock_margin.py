"""The modelled knock margin in every row under load, and its summary by zone."""

import itertools
from dataclasses import dataclass

import numpy as np

from pipeline.facts._believed import believed
from pipeline.facts.exhaust_delay import ExhaustDelay
from pipeline.facts.knock_signs import KnockSigns
from pipeline.facts.knock_table import VehicleKnock
from pipeline.facts.states import States
from pipeline.meta import FactMeta
from pipeline.physics import knock, knock_table
from pipeline.session import NotAvailableError, View
from pipeline.signals import segments, smoothing
from pipeline.signals.lag import at_source
from pipeline.signals.segments import Bools, Floats

META = FactMeta(
    summary="modelled margin of spark to the knock limit, by row and by zone",
    version=4,
    needs=("engine_speed", "manifold_pressure", "spark_advance"),
    uses=("intake_air_temperature", "lambda", "lambda_target"),
    facts=("states", "knock_table"),
    optional_facts=("knock_signs", "sensor_validity", "exhaust_delay"),
)

#: kPa and rpm from which the model is asked: below, no road engine knocks for long.
LEAST_KPA = 60.0
LEAST_RPM = 1000.0
#: s pressure and spark are held over rows without them: they belong to one moment.
HELD_S = 0.3
#: s by which lambda's reading comes late under load, where the log does not tell (usual).
LAMBDA_LATE_S = 0.15
#: s by which an open sensor in moving air follows the charge (1 to 3 s, common practice, no
#: source): in a run the charge is several K warmer than it reads. s over which the reading's rise
#: is taken (it comes in steps of half a K or one), and most K that are believed of it.
INTAKE_LAG_S = 1.5
INTAKE_RISE_S = 2.0
MOST_LAG_K = 12.0
#: Taken where nothing was logged: charge temperature, degC, and lambda below and above 100 kPa.
INTAKE_C = 35.0
LAMBDA_LIGHT, LAMBDA_LOAD = 1.0, 0.88
#: Zones: rpm by kPa; a zone's margin is what its rows stay above nine tenths of the time.
ZONE_RPM = 500.0
ZONE_KPA = 20.0
ZONE_QUANTILE = 0.1
ZONE_ROWS = 3
ZONE_S = 0.15


@dataclass(frozen=True)
class Zone:
    """One cell of the zones. margin_deg at the table's scale; slope 1/deg; band_deg: two
    standard deviations without the scale; quiet_s and knock_s: what the knock channels said;
    onset_deg: margin where knock began, NaN where none did; spark_deg: median spark there;
    mean_rpm and mean_kpa: where in the zone the engine ran."""

    rpm: float
    kpa: float
    seconds: float
    margin_deg: float
    slope: float
    band_deg: float
    start_s: float
    end_s: float
    quiet_s: float
    knock_s: float
    onset_deg: float
    spark_deg: float
    mean_rpm: float = float("nan")
    mean_kpa: float = float("nan")


@dataclass(frozen=True, eq=False)
class KnockMargin:
    """Rows (n,) under load: margin and index, NaN elsewhere; zones; what was assumed."""

    margin_deg: Floats
    log_index: Floats
    intake_c: Floats
    lambda_: Floats
    zones: tuple[Zone, ...]
    intake_known: bool
    lambda_source: str


def compute(view: View) -> KnockMargin:
    """Look up the limit of every row under load."""
    time, states = view.time, view.fact("states")
    vehicle: VehicleKnock = view.fact("knock_table")
    pressure = _good(view, "manifold_pressure", seconds=HELD_S)
    spark = _good(view, "spark_advance", seconds=HELD_S)
    assert pressure is not None and spark is not None
    pressure = smoothing.median_of_three(pressure)
    intake = _good(view, "intake_air_temperature", seconds=20.0)
    intake_known = intake is not None and bool(np.isfinite(intake).any())
    if intake is None or not intake_known:
        intake = np.full(time.size, INTAKE_C)
    mixture, source = _lambda(view, pressure)
    use = _under_load(states, pressure, spark, intake)
    if np.count_nonzero(use) < ZONE_ROWS:
        raise NotAvailableError("the engine was not under load with spark and pressure logged")
    if intake_known:
        intake = intake.copy()
        intake[use] = _charge(time, intake, use)
    lookup = knock_table.look_up(
        speed_rpm=states.rpm[use], manifold_kpa=pressure[use], intake_c=intake[use],
        lambda_=mixture[use],
    )  # fmt: skip
    limit, slope = knock_table.spark_limit(vehicle.table, lookup)
    margin = np.full(time.size, np.nan)
    margin[use] = limit - spark[use]
    log_index = np.full(time.size, np.nan)
    log_index[use] = -slope * margin[use]
    slopes = np.full(time.size, np.nan)
    slopes[use] = slope
    signs: KnockSigns | None = view.fact("knock_signs")
    zones = _zones(time, states.rpm, pressure, spark, margin, slopes, use, signs)
    zones = _with_bands(zones, vehicle, intake, intake_known, mixture, time)
    return KnockMargin(margin, log_index, intake, mixture, zones, intake_known, source)


def _good(view: View, name: str, *, seconds: float) -> Floats | None:
    values = view.get(name)
    if values is None:
        return None
    return segments.hold(view.time, believed(view, name, values), seconds=seconds)


def _charge(time: Floats, reading: Floats, use: Bools) -> Floats:
    """Charge temperature (m,), degC, of the rows used: its sensor's lag of first order undone."""
    at, half = time[use], 0.5 * INTAKE_RISE_S
    known = np.isfinite(reading)
    before, after = (np.interp(at + s, time[known], reading[known]) for s in (-half, half))
    ahead = INTAKE_LAG_S * (after - before) / INTAKE_RISE_S
    return np.asarray(reading[use] + np.clip(ahead, -MOST_LAG_K, MOST_LAG_K))


def _lambda(view: View, pressure: Floats) -> tuple[Floats, str]:
    """Lambda (n,) in the cylinder: the reading moved back, else the target, else usual values."""
    usual = np.where(pressure > 100.0, LAMBDA_LOAD, LAMBDA_LIGHT)
    delay: ExhaustDelay | None = view.fact("exhaust_delay")
    comes = LAMBDA_LATE_S if delay is None else delay.delay_s
    for name, late in (("lambda", comes), ("lambda_target", 0.0)):
        values = _good(view, name, seconds=2.0)
        if values is None or not np.isfinite(values).any():
            continue
        moved = np.clip(at_source(view.time, values, late), 0.65, 1.15)
        return np.where(np.isfinite(moved), moved, usual), name
    return usual, "assumed"


def _under_load(states: States, pressure: Floats, spark: Floats, intake: Floats) -> Bools:
    use = states.running & ~states.fuel_cut & ~states.pedal_released
    use &= (pressure >= LEAST_KPA) & (states.rpm >= LEAST_RPM)
    return np.asarray(use & np.isfinite(spark) & np.isfinite(intake), dtype=np.bool_)


def _zones(
    time: Floats,
    rpm: Floats,
    pressure: Floats,
    spark: Floats,
    margin: Floats,
    slope: Floats,
    use: Bools,
    signs: KnockSigns | None,
) -> tuple[Zone, ...]:
    rows = np.flatnonzero(use)
    weights = smoothing.row_seconds(time)[rows]
    key = (rpm[rows] // ZONE_RPM).astype(np.int64) * 1000
    key += (pressure[rows] // ZONE_KPA).astype(np.int64)
    order = np.argsort(key, kind="stable")
    rows, weights, key = rows[order], weights[order], key[order]
    edges = np.flatnonzero(np.r_[True, key[1:] != key[:-1], True])
    found = []
    for a, b in itertools.pairwise(edges):
        seconds = float(weights[a:b].sum())
        if b - a < ZONE_ROWS or seconds < ZONE_S:
            continue
        part = rows[a:b]
        values = margin[part]
        quiet = knocked = 0.0
        onset = float("nan")
        if signs is not None:
            quiet = float(weights[a:b][signs.quiet[part]].sum())
            knocked = float(weights[a:b][signs.knocking[part]].sum())
            begins = signs.knocking[part] & ~signs.knocking[np.maximum(part - 1, 0)]
            if begins.any():
                onset = float(np.median(values[begins]))
        k = int(key[a])
        found.append(
            Zone(
                rpm=(k // 1000 + 0.5) * ZONE_RPM, kpa=(k % 1000 + 0.5) * ZONE_KPA,
                seconds=seconds, margin_deg=float(np.quantile(values, ZONE_QUANTILE)),
                slope=float(np.median(slope[part])), band_deg=0.0,
                start_s=float(time[part.min()]), end_s=float(time[part.max()]),
                quiet_s=quiet, knock_s=knocked, onset_deg=onset,
                spark_deg=float(np.median(spark[part])),
                mean_rpm=float(rpm[part].mean()), mean_kpa=float(pressure[part].mean()),
            )
        )  # fmt: skip
    return tuple(found)


def _with_bands(
    zones: tuple[Zone, ...],
    vehicle: VehicleKnock,
    intake: Floats,
    intake_known: bool,
    mixture: Floats,
    time: Floats,
) -> tuple[Zone, ...]:
    """Each zone with its band (two standard deviations) from burn, residual, heat and octane."""
    if not zones:
        return zones
    middle = [int(np.searchsorted(time, 0.5 * (z.start_s + z.end_s))) for z in zones]
    warmth = np.where(np.isfinite(intake[middle]), intake[middle], np.nanmedian(intake))
    lookup = knock_table.look_up(
        speed_rpm=[z.rpm for z in zones], manifold_kpa=[z.kpa for z in zones],
        intake_c=warmth, lambda_=mixture[middle],
    )  # fmt: skip
    table = vehicle.table
    octane = 1.0 if "fuel.octane_ron" not in vehicle.assumed else 3.0
    heat = 1.0 if intake_known else 2.0
    by_octane = abs(float(knock.octane_log(octane=table.engine_octane, change=octane)))
    slope = np.array([z.slope for z in zones])
    band = np.sqrt(
        lookup.of(table.by_burn) ** 2
        + lookup.of(table.by_residual) ** 2
        + (heat * lookup.of(table.by_temperature)) ** 2
        + (by_octane / slope) ** 2
    )
    return tuple(
        Zone(**{**z.__dict__, "band_deg": float(b)}) for z, b in zip(zones, band, strict=True)
    )
