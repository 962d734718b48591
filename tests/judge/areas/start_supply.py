"""Start, signal, supply, charging, oil pressure: kinds, cranking time, charging voltage."""

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from fixtures.cars import draw_car
from fixtures.drives import cold_start, mixed_drive, stop_and_go
from fixtures.simulate import Run
from tests.judge.harness import Case, Target, fault_cases, healthy_cases

KINDS = ("hard_start", "controller_reset", "crank_signal_loss", "stall", "low_charging_voltage",
         "high_charging_voltage", "low_oil_pressure")  # fmt: skip


def _charging(run: Run) -> float | None:
    """Median of the true voltage from a minute after each start on, while running."""
    time = run.frame[run.columns["time"]].to_numpy()
    late = np.zeros(time.size, np.bool_)
    begin = end = -np.inf
    for state, a, b in run.truth.states:
        if state in ("key_on", "cranking", "stopped"):
            continue
        begin = a if a > end + 0.05 else begin
        end = b
        late |= (time >= max(a, begin + 60.0)) & (time < b)
    return float(np.median(run.truth.series["volts"][late])) if late.any() else None


METRICS = {
    "charging_voltage_v": Target(_charging, 0.05, "V"),
    "cranking_time_s": Target("cranking_time_s", 0.15, "s"),
    "distance_km": Target("distance_km", 0.05, "km"),
}
NAMES = ("hard_start", "controller_reset", "crank_signal_loss", "stall", "low_charging_voltage",
         "high_charging_voltage", "low_oil_pressure", "low_oil_pressure_start")  # fmt: skip


def cases(seed: int) -> Iterator[Case]:
    """Healthy drives of every kind, each fault weak and strong."""
    yield from healthy_cases(seed)
    yield Case("healthy again", draw_car(seed), cold_start(seed + 1))
    yield Case("healthy stop_and_go", draw_car(seed), stop_and_go(seed))
    yield from fault_cases(seed, NAMES, drive=mixed_drive, minutes=10.0)
    # An idle valve that sticks now and then needs many ways down to idle to show.
    for case in fault_cases(seed, ("stall",), (0.3, 0.6, 0.9), drive=stop_and_go, minutes=8.0):
        yield replace(case, name=f"{case.name} in town")
