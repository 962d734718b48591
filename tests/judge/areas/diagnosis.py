"""Diagnosis: the true cause's rank, ties said, probabilities against how often they were true.

``causes.toml`` names the seeds it was fitted on; every other seed is held back from it.

A session counts as showing its fault where something of the contract's thresholds holds that does
not hold as much in its healthy twin (the same car, drive and noise without the fault): the
simulator's truth lays a car's own throttle steps to the fault's charge, and fuel of too little
octane leaves the very same log unless the controller listens for knock.
"""

from collections.abc import Iterator

import numpy as np

from fixtures.cars import draw_car
from fixtures.drives import mixed_drive
from fixtures.faults import FAULTS
from fixtures.machine import Fault
from fixtures.simulate import Run, simulate
from pipeline.analysis._causes import Model, read_model
from pipeline.registry import Registry
from pipeline.results import DiagnosisItem
from tests.judge.bridge import Judged
from tests.judge.harness import MUST, Case

#: Channels that help to tell causes apart and that many logs lack.
HELPFUL = ("fuel_pressure", "oil_temperature", "wastegate_duty", "manifold_pressure_target",
           "idle_air_control", "idle_speed_target", "barometric_pressure",
           "ambient_air_temperature", "injector_duty", "coil_dwell", "run_time",
           "crank_signal_errors")  # fmt: skip
#: What a fault cannot show without.
NEEDS = {"low_fuel_pressure": "fuel_pressure", "low_fuel_pressure_regulator": "fuel_pressure"}
#: The simulator's cause -> the id in causes.toml.
BUILT_IN = {
    "dead_cylinder_ignition": "dead_cylinder_spark",
    "dead_cylinder_injector": "dead_cylinder_fuel",
    "weak_spark": "weak_spark", "idle_gain": "idle_control", "closed_loop_gain": "loop_gain",
    "fuel_cut_too_much_air": "idle_control", "idle_valve_sticks": "idle_control",
    "thermostat": "thermostat", "radiator": "radiator_fan", "coolant_leak": "coolant_low",
    "air_pocket": "coolant_low", "intake_leak": "intake_leak", "exhaust_leak": "exhaust_leak",
    "boost_leak": "boost_leak", "wastegate_stuck_open": "wastegate",
    "wastegate_hose": "wastegate", "wastegate_flow": "wastegate", "intercooler": "intercooler",
    "late_burn": "base_timing", "table": "table_unfinished", "pump": "fuel_supply",
    "target_table": "target_table", "fuel_scale": "injector_data", "wall_film": "transient_fuel",
    "regulator_unreferenced": "regulator", "injectors_too_small": "injectors_small",
    "injectors_too_large": "injectors_large", "low_octane": "fuel_batch",
    "spark_table": "too_much_spark", "early_timing": "base_timing",
    "start_enrichment": "start_fuel",
    "supply": "controller_supply", "crank_signal": "crank_signal", "alternator": "alternator",
    "regulator": "alternator", "oil_pump": "oil_system", "oil_not_primed": "oil_system",
    "sensor_ground": "sensor_ground", "sensor_supply": "sensor_supply",
    "wiring": "sensors_swapped", "pressure_hose": "pressure_hose",
}  # fmt: skip
#: Rivals of fuel of too little octane in what a listening controller does: name, cause, what it
#: changes and between which numbers. Without them one cause of three would always be the true one.
KNOCK_RIVALS = (
    ("knock_retard_timing", "early_timing", "spark_add", 6.0, 14.0),
    ("knock_retard_spark", "spark_table", "spark_table_add", 7.0, 14.0),
)
#: Times its healthy twin's that a symptom has to come to before it speaks of the fault.
BEYOND_TWIN = 1.2
#: Kinds that a model alone says.
MODELLED = {"knock_risk"}
#: The same where the simulator says "sensor" only, by mode; the rest is one sensor's wiring.
BY_MODE = {"scale": "wideband_scale", "noise": "sensor_ground", "slow": "wideband_aged",
           "saturated": "sensor_range"}  # fmt: skip


def cases(seed: int) -> Iterator[Case]:
    """Each cause once, of drawn strength, half with few channels, half with earlier sessions."""
    rng = np.random.default_rng([seed, 4242])
    for number, name in enumerate([*(n for n in FAULTS if n != "log_gap"),
                                   *(r[0] for r in KNOCK_RIVALS)]):  # fmt: skip
        strength = float(rng.uniform(0.15, 0.95))
        few, earlier = bool(rng.random() < 0.5), int(2 * (rng.random() < 0.5))
        metered = name in ("intake_leak", "exhaust_leak") and rng.random() < 0.4
        car = draw_car(
            seed * 7 + number % 3,
            cylinders=int(rng.choice([4, 4, 6, 3, 5, 8])),
            load_sensing="air_meter" if metered else "speed_density",
        )
        drop = tuple(c for c in HELPFUL if few and rng.random() < 0.7 and c != NEEDS.get(name))
        drive = mixed_drive(seed * 100 + number, float(rng.choice([10.0, 16.0])), missing=drop)
        before = tuple(mixed_drive(seed * 1000 + k, 9.0, missing=drop) for k in range(earlier))
        yield Case(f"{name} {strength:.2f}", car, drive, (_fault(name, strength),), before)


def _fault(name: str, strength: float) -> Fault:
    for rival, cause, what, least, most in KNOCK_RIVALS:
        if rival == name:
            changes = {"knock_pull": 1.0, what: least + (most - least) * strength}
            return Fault(name, "knock_retard", cause, strength, changes, also=("knock_risk",))
    return FAULTS[name](strength)


def mute(run: Run, case: Case) -> str:
    """Why the log cannot tell the fault, "" where it can: see this module's words on the twin.

    By rule and not by what the analyses made of it. Where nothing but a modelled knock margin
    shows the contract has info; lost boost it holds against a target or earlier runs, a leaking
    intake by load from pressure against the vehicle's own idle.
    """
    mine = _most(run)
    own = case.faults[0].kind
    if own not in mine or own in MODELLED:
        twin = simulate(case.car, case.drive, (), case.seed)
        if run.frame.equals(twin.frame):
            return "the log is the healthy twin's, cell by cell"
        without = _most(twin)
        mine = {k: m for k, m in mine.items() if m > BEYOND_TWIN * without.get(k, 0.0)}
        if not mine:
            return "nothing holds more than in the healthy twin"
    kinds = set(mine) - {"transient_mixture"} or set(mine)
    if kinds <= MODELLED:
        return "only a modelled knock margin"
    if (
        kinds == {"boost_loss"}
        and not case.earlier
        and "manifold_pressure_target" not in run.columns
    ):
        return "lost boost without target or earlier runs"
    if kinds == {"intake_leak"} and not case.earlier and "mass_air_flow" not in run.columns:
        return "a leaking intake without earlier sessions"
    return ""


def _most(run: Run) -> dict[str, float]:
    """Largest margin of every kind that has to show, whoever's it is."""
    out: dict[str, float] = {}
    for f in run.truth.faults:
        if f.margin >= MUST or (f.margin == 1.0 and f.strength >= 0.25):
            out[f.kind] = max(out.get(f.kind, 0.0), f.margin)
    return out


def true_cause(judged: Judged) -> str | None:
    """Id of the built-in cause where it shows by the contract's thresholds, else None."""
    shown = [
        f for f in judged.run.truth.faults
        if f.cause != "as_drawn"
        and (f.margin >= MUST or (f.margin == 1.0 and f.strength >= 0.25))
    ]  # fmt: skip
    if not shown:
        return None
    # A sensor too slight to be found by itself may show by what it does to the engine: the mode
    # that tells its cause stands at the sensor's own entry.
    entries = [*shown, *judged.run.truth.faults] if shown[0].cause == "sensor" else shown
    own = next((f for f in entries if f.mode), shown[0])
    if own.mode == "offset" and "manifold_pressure" in own.channels:
        return "pressure_offset"
    return BUILT_IN.get(own.cause) or BY_MODE.get(str(own.mode), "sensor_wiring")


def rows(judged: Judged, _registry: Registry) -> dict[str, float]:
    """Rank of the true cause among those named, and what each stated tenth was worth."""
    true = true_cause(judged)
    if true is None:
        return {}
    items = judged.results["diagnosis"].diagnosis
    model = read_model()
    name = {c.id: c.name for c in model.cause}[true]
    rank = next((k for k, d in enumerate(items, start=1) if d.cause == name), 99)
    why = mute(judged.run, judged.case)
    out = {"something was found": float(bool(items)), "the log can tell": float(not why)}
    if why:
        out[f"not to be told: {why}"] = 1.0
    for said, counted in (("all", True), ("the log can tell", not why)):
        if counted:
            out[f"{said}, nothing told is missed: first"] = float(rank == 1)
            out[f"{said}, nothing told is missed: first three"] = float(rank <= 3)
    if not items:
        return out
    out |= {
        "true cause first": float(rank == 1),
        "true cause first or said to tie with it": float(rank == 1 or _tied(items, rank, model)),
        "true cause in the first three": float(rank <= 3),
    }
    for low in range(10):
        inside = [d for d in items if min(int(10 * d.probability), 9) == low]
        if inside:
            key = f"cause stated {low / 10:.1f}-{(low + 1) / 10:.1f}"
            out[f"{key}: stated"] = float(np.mean([d.probability for d in inside]))
            out[f"{key}: true"] = float(np.mean([d.cause == name for d in inside]))
    return out


def _tied(items: list[DiagnosisItem], rank: int, model: Model) -> bool:
    """Whether the true cause's entry says that logs cannot tell it from the first one."""
    if not 1 < rank <= len(items):
        return False
    said = items[rank - 1].next_check.partition("cannot be told from")[2]
    return items[0].cause in said and any(c.name == items[0].cause for c in model.cause)
