"""A shared ground that shifts by little: told by many steps, not by one thermometer's."""

import numpy as np
import pytest

from pipeline.analysis._ground import ground_shift

TIME = np.arange(0.0, 500.0, 0.05)
RUNNING = np.ones(TIME.size, dtype=bool)


def log(coolant_k: float, intake_k: float, sag_v: float, seed: int = 3) -> dict[str, np.ndarray]:
    """A fan that goes on and off every six seconds, and air that moves by itself by more."""
    on = (TIME // 6.0 % 2.0 == 1.0).astype(float)
    steps = np.random.default_rng(seed).normal(0.0, 1.3, TIME.size // 40 + 1)
    own = np.interp(TIME, np.arange(steps.size) * 2.0, steps)
    return {
        "coolant_temperature": np.round(90.0 - coolant_k * on, 1),
        "intake_air_temperature": np.round(35.0 + own - intake_k * on, 1),
        "battery_voltage": 14.1 - sag_v * on,
    }


@pytest.mark.parametrize("seed", [3, 4, 7])
@pytest.mark.parametrize(
    ("coolant_k", "intake_k", "sag_v", "found"),
    [
        (2.5, 0.6, 0.3, True),  # 30 mV
        (2.5, 0.0, 0.3, False),  # the coolant's own ground, or a fan that cools
        (2.5, 0.6, 0.0, False),
        (0.8, 0.6, 0.3, False),
    ],
)
def test_many_small_steps_with_the_voltage_are_a_ground_s(
    coolant_k: float, intake_k: float, sag_v: float, found: bool, seed: int
) -> None:
    suspects = ground_shift(TIME, log(coolant_k, intake_k, sag_v, seed), RUNNING)
    assert [s.mode for s in suspects] == (["ground_shift"] if found else [])
