"""How near the engine ran to knock, by a model: it ranks and warns, it never clears anything."""

from collections.abc import Sequence
from typing import Any

import msgspec
import numpy as np

from pipeline.analysis import _knock_findings as words
from pipeline.facts.knock_margin import (
    INTAKE_C,
    INTAKE_LAG_S,
    LAMBDA_LOAD,
    ZONE_KPA,
    ZONE_RPM,
    KnockMargin,
    Zone,
)
from pipeline.facts.knock_signs import KnockSigns
from pipeline.facts.knock_table import VehicleKnock
from pipeline.meta import Earlier, Meta, Own
from pipeline.physics import knock, knock_scale, knock_table
from pipeline.physics.knock_scale import Scale
from pipeline.results import (
    Column,
    Figure,
    LimitOfDetection,
    MapGrid,
    NextLog,
    Quantity,
    Result,
    TableFigure,
    grid,
    metric,
    not_judged,
    rounded,
)
from pipeline.session import View
from pipeline.signals import smoothing

META = Meta(
    question="How near did the engine run to knock?",
    version=5,
    kinds=("knock_risk",),
    references=(
        "Ignition delay: Douaud and Eyzat, SAE 780080; integral: Livengood and Wu 1955.",
        "Heat transfer: Woschni, SAE 670931; burn law: Wiebe (Ghojel 2010).",
        "Effect of mixture: Russ, SAE 960497. Phasing of best torque: Heywood, 2nd ed.",
    ),
    needs=("engine_speed", "manifold_pressure", "spark_advance"),
    facts=("knock_margin", "knock_table"),
    optional_facts=("knock_signs",),
    step=4,
)

#: Zones kept for later sessions, nearest to knock first.
MOST_ZONES = 40
#: Earlier sessions with a knock channel before a change against them means something.
QUIET_SESSIONS = 2
#: Its name in the table of assumptions and in a finding's text.
BASE_TIMING = "base timing"
#: s of zones below the limit in all before it is told.
LEAST_S = 0.3
#: Mean speed and pressure by which two sessions may differ in a zone to be compared: the limit
#: changes by some 0.3 deg a kPa and 0.6 deg per 100 rpm, and 3 deg of change are told.
APART_RPM, APART_KPA = 150.0, 4.0
#: kPa from which a zone (its middle) is one of boost, at sea level too.
BOOST_KPA = 110.0
#: Changes of the table of sensitivities: what buys how much.
CHANGES = (
    ("intake air 10 K cooler", {"intake_c": -10.0}),
    ("manifold pressure 10 kPa lower", {"manifold_kpa": -10.0}),
    ("lambda 0.05 richer", {"lambda_": -0.05}),
    ("fuel 2 octane numbers better", {"octane": 2.0}),
    ("spark 2 deg later", {"spark": 2.0}),
)


def analyse(view: View) -> Result:
    """Summarise the modelled margin by zone; the final word on findings is ``judge``'s."""
    margins: KnockMargin = view.fact("knock_margin")
    vehicle: VehicleKnock = view.fact("knock_table")
    signs: KnockSigns | None = view.fact("knock_signs")
    if not margins.zones:
        return not_judged("the engine was under load for too short a time in any zone")
    calm = smoothing.median_of_three(margins.margin_deg)
    calm = np.where(np.isfinite(calm), calm, margins.margin_deg)
    worst_row = int(np.nanargmin(calm))
    zones = sorted(margins.zones, key=lambda z: z.margin_deg)
    worst = zones[0]
    half = words.half_band(worst, knock_scale.PRIOR)
    low = float(calm[worst_row])
    alive = signs is not None and not signs.constant and (
        signs.retard is not None or signs.level_usable
    )  # fmt: skip
    digest: dict[str, Any] = {
        "alive": alive,
        "listened": signs is not None and (signs.retard is not None or signs.level_usable),
        "assumed": list(vehicle.assumed),
        "key": vehicle.engine.key,
        "zones": [_zone_digest(z) for z in zones[:MOST_ZONES]],
        "beyond_deg": _beyond_best_torque(view, margins, vehicle),
    }
    result = Result(
        status="clear",
        why="",
        metrics={
            "knock_margin_min_deg": metric(low, "deg", low - half, low + half),
            "knock_index_max": metric(
                float(np.exp(np.nanmax(margins.log_index))), "1",
            ),
        },
        figures=_figures(view, margins, vehicle, zones),
        limits_of_detection={
            "knock_risk": LimitOfDetection(
                could_show=True,
                smallest=Quantity(value=rounded(half, 2), unit="deg"),
                over_s=rounded(sum(z.seconds for z in zones), 4),
            )
        },
        digest=digest,
        next_log=[] if alive else [
            NextLog(text="Log the spark pulled for knock, or the knock level",
                    why="only a sensor on the block hears knock; the model alone ranks")
        ],
    )  # fmt: skip
    return _finish(result, digest, view.vehicle, (), base_timing=False)


def judge(own: Own, history: Sequence[Earlier]) -> Result:
    """Decide with the logbook and with earlier running that was known to be quiet."""
    if not own.result.digest.get("zones"):
        return own.result
    timing = any(e.item == "base_timing" for e in own.logbook)
    earlier = [e.digest for e in history if e.digest.get("zones")]
    return _finish(own.result, own.result.digest, own.vehicle, earlier, base_timing=timing)


def _finish(
    result: Result,
    digest: dict[str, Any],
    vehicle: Any,
    earlier: Sequence[Any],
    *,
    base_timing: bool,
) -> Result:
    """Findings and the sentence from the digest alone, so that judging again is possible."""
    zones = [_zone(z) for z in digest["zones"]]
    # Running learned under another engine, fuel or model says nothing of this one.
    past = [d for d in earlier if d.get("key") == digest["key"]]
    alive = bool(digest["alive"]) or any(d.get("alive") for d in past)
    scale = _scale(zones, past, alive=alive)
    assumed = list(digest["assumed"])
    if not base_timing:
        assumed.append(BASE_TIMING)
    drops, usual = _against_quiet(zones, past), _against_usual(zones, past)
    beyond = digest["beyond_deg"]
    risk = words.assess(
        zones, scale, drops, usual, limits=vehicle.limits, alive=alive,
        beyond=float("nan") if beyond is None else float(beyond),
    )  # fmt: skip
    findings = []
    if risk is not None and risk.seconds >= LEAST_S:
        findings = [words.finding(risk, scale, assumed)]
    return msgspec.structs.replace(
        result,
        figures=[_timed(f) if base_timing else f for f in result.figures],
        status="found" if findings else "clear",
        findings=findings,
        why=words.why(zones, scale, findings, alive=alive),
    )


def _timed(figure: Figure) -> Figure:
    """The table of assumptions with the base timing known, any other figure as it is."""
    if not isinstance(figure, TableFigure) or figure.id != "knock-assumptions":
        return figure
    rows = [[*r[:2], "checked, see the logbook"] if r[0] == BASE_TIMING else r for r in figure.rows]
    return msgspec.structs.replace(figure, rows=rows)


def _scale(zones: Sequence[Zone], past: Sequence[Any], *, alive: bool) -> Scale:
    """This vehicle's delay scale from all running whose knock channel was alive."""
    quiet: list[tuple[float, float]] = []
    knocked: list[tuple[float, float]] = []
    for group in [list(zones), *([_zone(z) for z in d["zones"]] for d in past)]:
        for z in group:
            silent = z.quiet_s if alive else 0.0
            if silent >= 0.5 and z.knock_s == 0.0:
                quiet.append((z.margin_deg, z.slope))
            if np.isfinite(z.onset_deg):
                knocked.append((z.onset_deg, z.slope))
    return knock_scale.estimate(quiet, knocked)


def _against_quiet(
    zones: Sequence[Zone], past: Sequence[Any]
) -> dict[tuple[float, float], words.Drop]:
    """How far each zone lies below the least margin known to be quiet there, and by what spark.

    A channel that never moved is no proof that the engine was quiet, and does not overrule the
    model; as a reference to see a change against it will do.
    """
    now = {(z.rpm, z.kpa): z for z in zones}
    least: dict[tuple[float, float], tuple[float, float]] = {}
    sessions = [d for d in past if d.get("listened")]
    if len(sessions) < QUIET_SESSIONS:
        return {}
    for d in sessions:
        for z in map(_zone, d["zones"]):
            silent = z.quiet_s if d["alive"] else z.seconds
            key = (z.rpm, z.kpa)
            if silent >= 0.5 and z.knock_s == 0.0 and key in now and _same_place(z, now[key]):
                known = (z.margin_deg, z.spark_deg)
                least[key] = min(least.get(key, known), known)
    return {
        (z.rpm, z.kpa): words.Drop(
            least[z.rpm, z.kpa][0] - z.margin_deg, z.spark_deg - least[z.rpm, z.kpa][1]
        )
        for z in zones if (z.rpm, z.kpa) in least
    }  # fmt: skip


def _same_place(a: Zone, b: Zone) -> bool:
    """Whether two sessions ran at one speed and pressure in a zone, as far as is known."""
    apart = abs(a.mean_rpm - b.mean_rpm) > APART_RPM or abs(a.mean_kpa - b.mean_kpa) > APART_KPA
    return not apart


def _against_usual(zones: Sequence[Zone], past: Sequence[Any]) -> dict[tuple[float, float], float]:
    """How far each zone lies below its median over earlier sessions, heard to knock or not, deg."""
    if len(past) < QUIET_SESSIONS:
        return {}
    before: dict[tuple[float, float], list[float]] = {}
    for z in (_zone(values) for d in past for values in d["zones"]):
        if z.seconds >= 0.5 and z.knock_s == 0.0:
            before.setdefault((z.rpm, z.kpa), []).append(z.margin_deg)
    return {
        (z.rpm, z.kpa): float(np.median(before[z.rpm, z.kpa])) - z.margin_deg
        for z in zones if (z.rpm, z.kpa) in before
    }  # fmt: skip


def _beyond_best_torque(view: View, margins: KnockMargin, vehicle: VehicleKnock) -> float | None:
    """Most deg by which a zone's spark in boost lies after the model's best torque."""
    boost = [z for z in margins.zones if z.kpa >= BOOST_KPA and z.seconds >= LEAST_S]
    if not boost or view.vehicle.engine.forced_induction is False:
        return None
    rows = [_middle_row(view, z) for z in boost]
    best = knock.best_torque_spark(
        vehicle.engine.cylinder,
        speed_rpm=np.array([z.rpm for z in boost]), manifold_kpa=np.array([z.kpa for z in boost]),
        intake_k=knock.intake_kelvin(np.nan_to_num(margins.intake_c[rows], nan=INTAKE_C)),
        lambda_=np.nan_to_num(margins.lambda_[rows], nan=LAMBDA_LOAD),
        boosted=vehicle.engine.boosted, fuel=vehicle.engine.fuel,
    )  # fmt: skip
    return rounded(float(np.max(np.array([z.spark_deg for z in boost]) - best)), 4)


def _middle_row(view: View, zone: Zone) -> int:
    row = int(np.searchsorted(view.time, 0.5 * (zone.start_s + zone.end_s)))
    return min(row, view.time.size - 1)


def _zone_digest(z: Zone) -> list[float | None]:
    values = (z.rpm, z.kpa, z.seconds, z.margin_deg, z.slope, z.band_deg, z.start_s, z.end_s,
              z.quiet_s, z.knock_s, z.onset_deg, z.spark_deg, z.mean_rpm, z.mean_kpa)  # fmt: skip
    return [rounded(v, 5) if np.isfinite(v) else None for v in values]


def _zone(values: Sequence[float | None]) -> Zone:
    return Zone(*(float("nan") if v is None else float(v) for v in values))


def _figures(
    view: View, margins: KnockMargin, vehicle: VehicleKnock, zones: list[Zone]
) -> list[Figure]:
    rpm = sorted({z.rpm for z in zones})
    kpa = sorted({z.kpa for z in zones})
    xs = np.arange(rpm[0], rpm[-1] + 1.0, ZONE_RPM)
    ys = np.arange(kpa[0], kpa[-1] + 1.0, ZONE_KPA)
    values = np.full((ys.size, xs.size), np.nan)
    seconds = np.full_like(values, np.nan)
    for z in zones:
        i, j = round((z.kpa - ys[0]) / ZONE_KPA), round((z.rpm - xs[0]) / ZONE_RPM)
        values[i, j], seconds[i, j] = z.margin_deg, z.seconds
    return [
        MapGrid(
            id="knock-margin-zones", title="Modelled knock margin by zone",
            caption="Degrees of spark left until the model expects knock, where the engine ran; "
            "below 0 it expects it; the darker, the nearer. A model that ranks: it may be off by "
            "several degrees as a whole, cells compare well with each other and with later "
            "sessions. A wide margin is no permission.",
            x_label="engine speed", x_unit="rpm", x=[float(v) for v in xs],
            y_label="manifold pressure", y_unit="kPa", y=[float(v) for v in ys],
            value_label="margin", unit="deg", values=grid(values, 3),
            weight=grid(seconds, 3), digits=1,
        ),
        _sensitivities(view, margins, vehicle, zones[0]),
        _assumptions(view, margins, vehicle),
    ]  # fmt: skip


def _sensitivities(view: View, margins: KnockMargin, vehicle: VehicleKnock, worst: Zone) -> Figure:
    """What buys how many degrees in the zone nearest to knock."""
    row = _middle_row(view, worst)
    point = {
        "manifold_kpa": worst.kpa,
        "intake_c": float(np.nan_to_num(margins.intake_c[row], nan=INTAKE_C)),
        "lambda_": float(np.nan_to_num(margins.lambda_[row], nan=LAMBDA_LOAD)),
    }

    def limit(change: dict[str, float]) -> float:
        here = {k: v + change.get(k, 0.0) for k, v in point.items()}
        lookup = knock_table.look_up(
            speed_rpm=[worst.rpm], manifold_kpa=[here["manifold_kpa"]],
            intake_c=[here["intake_c"]], lambda_=[here["lambda_"]],
        )  # fmt: skip
        shift = float(
            knock.octane_log(octane=vehicle.engine.octane, change=change.get("octane", 0.0))
        )
        degrees, _ = knock_table.spark_limit(vehicle.table, lookup, log_scale=shift)
        return float(degrees[0])

    base = limit({})
    rows: list[list[str | float | None]] = []
    for name, change in CHANGES:
        gain = change["spark"] if "spark" in change else limit(change) - base
        rows.append([name, rounded(gain, 3)])
    return TableFigure(
        id="knock-sensitivities", title="What buys how much",
        caption=f"Degrees of margin gained around {worst.rpm:.0f} rpm and {worst.kpa:.0f} kPa, "
        "the zone nearest to knock, by the model for this engine. Order of magnitude.",
        columns=[Column(title="change"), Column(title="margin gained", unit="deg", digits=1)],
        rows=rows,
    )  # fmt: skip


def _assumptions(view: View, margins: KnockMargin, vehicle: VehicleKnock) -> Figure:
    cylinder = vehicle.engine.cylinder

    def origin(name: str) -> str:
        return "vehicle.toml" if view.vehicle.is_given(name) else "default"

    charge = f"{INTAKE_C:.0f} °C"
    if margins.intake_known:
        charge = f"intake air sensor, {INTAKE_LAG_S:.1f} s of lag undone"
    rows: list[list[str | float | None]] = [
        ["compression ratio", f"{cylinder.compression_ratio:.1f}",
         origin("engine.compression_ratio")],
        ["octane number (RON)", f"{vehicle.engine.octane:.0f}", origin("fuel.octane_ron")],
        ["fuel", view.vehicle.fuel.kind, origin("fuel.kind")],
        ["displacement", f"{view.vehicle.engine.displacement_l:.1f} l",
         origin("engine.displacement_l")],
        ["bore", f"{1000 * cylinder.bore_m:.1f} mm", origin("engine.bore_mm")],
        ["stroke", f"{1000 * cylinder.stroke_m:.1f} mm", origin("engine.stroke_mm")],
        ["scale on the ignition delay", f"{vehicle.engine.delay_scale:.1f}, a factor "
         f"{knock.DELAY_SCALE_FACTOR:.1f} either way", "default"],
        ["volumetric efficiency", f"{knock.VOLUMETRIC_EFFICIENCY:.2f}", "default"],
        ["burn duration at 3000 rpm", f"{knock.BURN_DURATION_DEG:.0f} deg, 15 % either way",
         "default"],
        ["charge temperature", charge, "log" if margins.intake_known else "default"],
        ["lambda", margins.lambda_source.replace("_", " "),
         "default" if margins.lambda_source == "assumed" else "log"],
        [BASE_TIMING, "spark as the controller believes it", "not checked by light"],
    ]  # fmt: skip
    return TableFigure(
        id="knock-assumptions", title="What the knock model assumes for this car",
        caption="Every value that is a default widens the band. Base timing counts as known once "
        "the logbook holds a check of it.",
        columns=[Column(title="what"), Column(title="value"), Column(title="from")], rows=rows,
    )  # fmt: skip
