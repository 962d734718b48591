"""Power: at the tyres from acceleration and road load, and from air mass, side by side."""

from dataclasses import dataclass

import numpy as np

from pipeline.facts.full_throttle_runs import FullThrottleRun, FullThrottleRuns
from pipeline.facts.gears import Gears
from pipeline.meta import Meta
from pipeline.physics import air, power_correction, road
from pipeline.results import (
    Bars,
    Column,
    Curve,
    Figure,
    Metric,
    Result,
    TableFigure,
    line,
    metric,
    not_judged,
    rounded,
)
from pipeline.session import View
from pipeline.signals import segments, smoothing
from pipeline.signals.segments import Floats
from pipeline.wording import clock, counted

META = Meta(
    question="How much power reaches the road?",
    version=1,
    kinds=(),
    references=(
        "Sum of rolling, air and inertia forces (Gillespie, Fundamentals of Vehicle Dynamics).",
        "Correction factors: SAE J1349 (1990), ISO 1585, DIN 70020; off for boosted engines.",
    ),
    needs=("engine_speed", "vehicle_speed"),
    needs_any=(("throttle_position", "manifold_pressure"),),
    uses=("ambient_air_temperature", "intake_air_temperature", "mass_air_flow", "lambda",
          "manifold_pressure"),
    facts=("full_throttle_runs", "gears", "atmosphere"),
    step=5,
)  # fmt: skip

#: s the power is a mean over.
WINDOW_S = 0.5
#: s left out at a run's start: the driveline winds up and the clutch may slip.
WIND_UP_S = 0.6
#: 95 % errors of the mass, less and more, given in the file or a default: a figure from the
#: papers is often without driver, load and what was fitted since.
MASS_ERROR = (-0.05, 0.18)
MASS_ERROR_DEFAULT = (-0.20, 0.25)
#: 95 % errors either way: drag area, rolling resistance, an unknown slope of the road (rise over
#: run), speed's scale (tyre, sensor).
DRAG_ERROR = 0.20
ROLLING_ERROR = 0.30
SLOPE_ERROR = 0.006
SPEED_ERROR = 0.02
#: Work at the crank per kg of air at lambda of best power, J: 1.0 MJ with 10 % either way for
#: compression ratio, spark and friction (250 to 300 g/kWh; common practice), and the share of it
#: that reaches the tyres.
WORK_PER_AIR_J_KG = 1.02e6
WORK_ERROR = 0.15
DRIVELINE = 0.86
DRIVELINE_ERROR = 0.06
#: Volumetric efficiency referred to the manifold at full load, with its 95 % error.
VOLUMETRIC = 0.92
VOLUMETRIC_ERROR = 0.12
#: Engine and driveline turning with the wheels, as a share of the car's mass per (rpm per km/h)
#: squared: 4 % in direct drive, 20-30 % in a low gear (common practice). Shown apart.
ROTATING_PER_RATIO2 = 1.6e-5
MOST_RUNS = 12
#: A road power surely this many times what the air can burn is a change of gear, a bump or a bad
#: speed reading: no mass, slope or leaking pressure hose makes as much (choice).
IMPOSSIBLE = 2.0


@dataclass(frozen=True, eq=False)
class RunPower:
    """Power of one run at the tyres: kW over engine speed, its peak and 95 % interval."""

    run: FullThrottleRun
    rpm: Floats
    kilowatt: Floats
    peak_kw: float
    peak_rpm: float
    low_kw: float
    high_kw: float
    road_kw: float
    rotating_kw: float
    air_kw: float
    air_half_kw: float


def analyse(view: View) -> Result:
    """Find each run's power and the session's peak."""
    full: FullThrottleRuns = view.fact("full_throttle_runs")
    gears: Gears = view.fact("gears")
    found = [
        power for run in full.runs[:MOST_RUNS]
        if (power := _of_run(view, full, gears, run)) is not None
    ]  # fmt: skip
    if not found:
        return not_judged(
            "no full-throttle run in a known gear, long enough and without wheel slip"
        )
    best = max(found, key=lambda p: p.peak_kw)
    value = metric(best.peak_kw, "kW", best.low_kw, best.high_kw)
    metrics: dict[str, Metric] = {"power_peak_kw": value}
    why = (
        f"{best.peak_kw:.0f} kW at the tyres ({value.low:.0f} to {value.high:.0f} kW, 95 %) at "
        f"{best.peak_rpm:.0f} rpm, from {counted(len(found), 'run')}; it rests on {_mass(view)}"
    )
    if np.isfinite(best.air_kw):
        why += f"; from air mass {best.air_kw:.0f} kW ({best.air_half_kw:.0f} kW either way)"
    return Result(
        status="clear",
        why=why,
        metrics=metrics,
        figures=_figures(view, found, best),
        limits_of_detection={},
        digest={
            "peak_kw": rounded(best.peak_kw, 4),
            "ratio": rounded(best.run.ratio, 4),
            "air_kw": rounded(best.air_kw, 4) if np.isfinite(best.air_kw) else None,
        },
    )


def _density(view: View, run: FullThrottleRun) -> float:
    """Outside air density, kg/m3; 288 K where no temperature was logged."""
    barometer = view.fact("atmosphere").barometer_kpa[run.start : run.end]
    ambient = view.get("ambient_air_temperature")
    celsius = 15.0
    if ambient is not None and np.isfinite(ambient).any():
        celsius = float(np.nanmedian(ambient))
    return float(
        air.density(
            pressure_pa=float(np.median(barometer)) * 1000.0, temperature_k=celsius + air.KELVIN
        )
    )


def _of_run(
    view: View, full: FullThrottleRuns, gears: Gears, run: FullThrottleRun
) -> RunPower | None:
    """Power of one run from engine speed and the run's own gear ratio, None where impossible."""
    if run.gear < 0 or run.end - run.start < 6:
        return None
    rows = slice(run.start, run.end)
    time, rpm, speed = view.time[rows], full.rpm[rows], gears.speed_kmh[rows]
    ratio = rpm / speed
    middle = smoothing.median_or_nan(ratio)
    # Slip of clutch or tyres shows as a ratio that drifts; a slow speed channel scatters.
    if not np.isfinite(middle) or abs(middle / run.ratio - 1.0) > 0.04:
        return None
    metres = rpm / run.ratio / road.KMH_PER_M_S
    acceleration = smoothing.moving_slope(time, metres, seconds=WINDOW_S)
    use = (time >= time[0] + WIND_UP_S) & (time <= time[-1] - 0.5 * WINDOW_S)
    use &= np.isfinite(acceleration) & (gears.code[rows] == run.gear)
    if use.sum() < 4:
        return None
    body = view.vehicle.vehicle
    density = _density(view, run)

    def kilowatts(mass: float = 1.0, drag: float = 1.0, rolling: float = 1.0,
                  grade: float = 0.0, scale: float = 1.0) -> Floats:  # fmt: skip
        return (
            road.power_w(
                speed_m_s=metres * scale, acceleration_m_s2=acceleration * scale,
                mass_kg=body.mass_kg * mass, rolling_resistance=body.rolling_resistance * rolling,
                drag_area_m2=body.drag_area_m2 * drag, air_density_kg_m3=density, grade=grade,
            ) / 1000.0
        )  # fmt: skip

    mean = smoothing.moving_mean(time, np.where(use, kilowatts(), np.nan), seconds=WINDOW_S)
    mean = np.where(use, mean, np.nan)
    k = int(np.nanargmax(mean))
    peak = float(mean[k])
    mass = _mass_error(view)
    shifts = [
        kilowatts(drag=1.0 + DRAG_ERROR)[k],
        kilowatts(rolling=1.0 + ROLLING_ERROR)[k], kilowatts(grade=SLOPE_ERROR)[k],
        kilowatts(scale=1.0 + SPEED_ERROR)[k],
    ]  # fmt: skip
    at = kilowatts()[k]
    spread = float(np.nanstd((kilowatts() - mean)[use])) if use.sum() > 6 else 0.03 * peak
    # The peak is the largest of several noisy means: two standard errors of one of them.
    inside = max(int(np.sum(np.abs(time - time[k]) <= 0.5 * WINDOW_S)) / 3.0, 1.0)
    statistical = 2.0 * spread / float(np.sqrt(inside))
    rest = sum((s - at) ** 2 for s in shifts) + statistical**2
    down, up = (float(np.sqrt((kilowatts(mass=1.0 + m)[k] - at) ** 2 + rest)) for m in mass)
    rotating = body.mass_kg * ROTATING_PER_RATIO2 * run.ratio**2
    air_kw, air_half = _from_air(view, full, run.start + k)
    known = view.vehicle.is_given("engine.displacement_l") and np.isfinite(air_kw)
    if known and peak - down > IMPOSSIBLE * (air_kw + air_half):
        return None
    return RunPower(
        run=run, rpm=rpm[use], kilowatt=mean[use], peak_kw=peak, peak_rpm=float(rpm[k]),
        low_kw=peak - down, high_kw=peak + up,
        road_kw=float(kilowatts(mass=1e-9)[k] + at - kilowatts(rolling=0.0)[k]),
        rotating_kw=float(rotating * acceleration[k] * metres[k] / 1000.0),
        air_kw=air_kw, air_half_kw=air_half,
    )  # fmt: skip


def _mass_error(view: View) -> tuple[float, float]:
    """95 % errors of the mass as shares, less and more."""
    return MASS_ERROR if view.vehicle.is_given("vehicle.mass_kg") else MASS_ERROR_DEFAULT


def _mass(view: View) -> str:
    """The mass the power rests on, in words: an assumption with its interval."""
    kilograms = view.vehicle.vehicle.mass_kg
    low, high = (kilograms * (1.0 + e) for e in _mass_error(view))
    origin = "file" if view.vehicle.is_given("vehicle.mass_kg") else "default"
    return (
        f"a mass of {kilograms:.0f} kg ({origin}; {low:.0f} to {high:.0f} kg with driver, load "
        "and what was fitted since): power goes with it in proportion"
    )


def _from_air(view: View, full: FullThrottleRuns, row: int) -> tuple[float, float]:
    """Power at the tyres expected from the air taken in at a row, and its 95 % half width, kW."""
    near = (np.abs(view.time - view.time[row]) <= 0.5 * WINDOW_S).nonzero()[0]
    flow, flow_error = _air_flow(view, full, near)
    if not np.isfinite(flow):
        return float("nan"), float("nan")
    mixture = view.get("lambda")
    lam = smoothing.median_or_nan(mixture[near]) if mixture is not None else 0.88
    # Air sets the power; beyond lambda 0.9 missing fuel costs work in proportion.
    work = WORK_PER_AIR_J_KG / max(lam / 0.95, 1.0) if np.isfinite(lam) else WORK_PER_AIR_J_KG
    watts = flow * work * DRIVELINE
    error = float(np.sqrt(flow_error**2 + WORK_ERROR**2 + DRIVELINE_ERROR**2))
    return watts / 1000.0, error * watts / 1000.0


def _air_flow(view: View, full: FullThrottleRuns, near: Floats) -> tuple[float, float]:
    """Air flow, kg/s, and its relative 95 % error: a meter, else from the manifold's state."""
    meter = view.get("mass_air_flow")
    if meter is not None and np.isfinite(meter[near]).any():
        return float(np.nanmedian(meter[near])) / 1000.0, 0.06
    pressure, intake = view.get("manifold_pressure"), view.get("intake_air_temperature")
    if pressure is None or intake is None:
        return float("nan"), float("nan")
    held = segments.hold(view.time, intake, seconds=5.0)
    flow = air.engine_air_flow_kg_s(
        pressure_pa=smoothing.median_or_nan(pressure[near]) * 1000.0,
        temperature_k=smoothing.median_or_nan(held[near]) + air.KELVIN,
        displacement_m3=view.vehicle.engine.displacement_l / 1000.0,
        speed_rpm=smoothing.median_or_nan(full.rpm[near]),
        volumetric_efficiency=VOLUMETRIC,
    )
    return float(flow), VOLUMETRIC_ERROR


def _figures(view: View, found: list[RunPower], best: RunPower) -> list[Figure]:
    lines = [
        line(f"{clock(p.run.start_s)}, {view.fact('gears').name(p.run.gear)}", p.rpm, p.kilowatt,
             points=80)
        for p in sorted(found, key=lambda p: -p.peak_kw)[:6]
    ]  # fmt: skip
    figures: list[Figure] = [
        Curve(
            id="power-over-speed", title="Power at the tyres over engine speed",
            caption="From acceleration, road load and the car's mass, half a second's mean, on a "
            "level road without wind. Runs in both directions of a road show what slope and wind "
            f"do; the peak lies between {best.low_kw:.0f} and {best.high_kw:.0f} kW. Rotating "
            "masses are not added.",
            x_label="engine speed", x_unit="rpm", y_label="power at the tyres", unit="kW",
            lines=lines,
        )
    ]  # fmt: skip
    labels = ["from the road", "from air mass"]
    values: list[float | None] = [rounded(best.peak_kw, 4), None]
    low: list[float | None] = [rounded(best.low_kw, 4), None]
    high: list[float | None] = [rounded(best.high_kw, 4), None]
    text = "The air's figure could not be had from this log."
    if np.isfinite(best.air_kw):
        values[1] = rounded(best.air_kw, 4)
        low[1] = rounded(best.air_kw - best.air_half_kw, 4)
        high[1] = rounded(best.air_kw + best.air_half_kw, 4)
        text = _disagreement(best)
    figures.append(
        Bars(
            id="power-two-ways", title="The same power seen two ways", caption=text,
            value_label="power at the tyres", unit="kW", labels=labels, values=values, low=low,
            high=high,
        )
    )  # fmt: skip
    figures.append(_table(view, best))
    return figures


def _disagreement(best: RunPower) -> str:
    apart = best.air_kw - best.peak_kw
    own = best.high_kw - best.peak_kw if apart > 0 else best.peak_kw - best.low_kw
    both = float(np.hypot(own, best.air_half_kw))
    base = (
        "Both with their 95 % interval: the road's from mass, drag, slope and noise; the air's "
        "from filling, work per kg of air and driveline. "
    )
    if abs(apart) <= both:
        return base + "They agree within their intervals."
    if apart > 0:
        return base + (
            "The air promises more than the road got: the car is heavier than its file says, late "
            "spark, a slipping clutch, or a pressure reading that is too high."
        )
    return base + (
        "The road got more than the air promises: the car is lighter than its file says, the "
        "road fell, or the pressure reading is too low (a leaking pressure hose does that)."
    )


def _table(view: View, best: RunPower) -> Figure:
    body = view.vehicle.vehicle
    rows: list[list[str | float | None]] = [
        ["peak at the tyres", rounded(best.peak_kw, 4), "kW"],
        ["at least (95 %)", rounded(best.low_kw, 4), "kW"],
        ["at most (95 %)", rounded(best.high_kw, 4), "kW"],
        ["of it rolling and air", rounded(best.road_kw, 3), "kW"],
        ["rotating masses would add about", rounded(best.rotating_kw, 3), "kW"],
        ["mass assumed" + _given(view, "vehicle.mass_kg"), rounded(body.mass_kg, 5), "kg"],
        ["mass at least (95 %)", rounded(body.mass_kg * (1.0 + _mass_error(view)[0]), 5), "kg"],
        ["mass at most (95 %)", rounded(body.mass_kg * (1.0 + _mass_error(view)[1]), 5), "kg"],
        ["drag area assumed" + _given(view, "vehicle.drag_area_m2"),
         rounded(body.drag_area_m2, 3), "m2"],
    ]  # fmt: skip
    if view.vehicle.engine.forced_induction is False:
        rows += _corrected(view, best)
        note = (
            "Correction factors refer the peak to standard air, each by its own standard; the "
            "air is taken as dry."
        )
    else:
        note = (
            "No correction to standard air: boost control holds an absolute pressure, and the "
            "standards do not apply to it."
        )
    return TableFigure(
        id="power-assumptions", title="What the power figure rests on", caption=note,
        columns=[Column(title="what"), Column(title="value", digits=1), Column(title="unit")],
        rows=rows,
    )  # fmt: skip


def _corrected(view: View, best: RunPower) -> list[list[str | float | None]]:
    ambient = view.get("ambient_air_temperature")
    if ambient is None or not np.isfinite(ambient).any():
        return []
    celsius = float(np.nanmedian(ambient))
    hpa = 10.0 * view.fact("atmosphere").median_kpa
    rows: list[list[str | float | None]] = []
    for name in ("SAE J1349", "ISO 1585"):
        factor = float(
            power_correction.BY_STANDARD[name](dry_pressure_hpa=hpa, temperature_c=celsius)
        )
        rows.append([f"factor {name}", rounded(factor, 4), "1"])
        rows.append([f"peak by {name}", rounded(best.peak_kw * factor, 4), "kW"])
    return rows


def _given(view: View, name: str) -> str:
    return "" if view.vehicle.is_given(name) else " (default)"
