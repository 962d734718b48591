"""Warm-up and cooling: kinds, thermostat opening, times to 60 and 80 degC."""

from collections.abc import Iterator

import numpy as np

from fixtures.cars import draw_car
from fixtures.drives import cold_start, highway, mixed_drive, short_idle
from fixtures.simulate import Run
from tests.judge.harness import Case, Target, fault_cases, healthy_cases

KINDS = ("slow_warm_up", "thermostat_stuck_open", "overheating", "coolant_loss_suspected",
         "air_in_coolant")  # fmt: skip


def _opening(run: Run) -> float | None:
    """Where the valve first lifts, if the drive began colder and got there."""
    lift, coolant = run.truth.series["thermostat_lift"], run.truth.series["coolant_c"]
    # a valve that stands open has no opening; one that never lifted shows none
    if lift[0] > 0.0 or lift.max() < 0.05:
        return None
    if coolant[0] > run.truth.scalars["thermostat_opening_c"] - 20.0:
        return None
    return float(run.truth.scalars["thermostat_opening_c"])


def _seconds(name: str) -> Target:
    return Target(lambda run: run.truth.scalars.get(name), 2.0, "s")


METRICS = {
    "thermostat_opening_c": Target(_opening, 1.5, "degC"),
    "time_to_60c_s": _seconds("time_to_60c_s"),
    "time_to_80c_s": _seconds("time_to_80c_s"),
    "coolant_max_c": Target(
        lambda run: float(np.max(run.truth.series["true.coolant_temperature"])), 1.0, "degC"
    ),
}


def cases(seed: int) -> Iterator[Case]:
    """Healthy drives of every kind, and each cooling fault with three earlier sessions."""
    yield from healthy_cases(seed)
    car = draw_car(seed)
    for drive in (cold_start, highway, short_idle):
        yield Case(f"healthy {drive.__name__} again", car, drive(seed + 1))
    names = ("slow_warm_up", "thermostat_stuck_open", "overheating", "coolant_loss_suspected",
             "air_in_coolant")  # fmt: skip
    yield from fault_cases(seed, names, drive=mixed_drive, minutes=18.0, earlier=3)
