"""Flow of a throttled engine, against the first law worked by hand."""

import numpy as np
import pytest

from pipeline.facts.mixture_inputs import RESIDUAL_EXPONENT, USUAL_FILLING, filling_of


@pytest.mark.parametrize("kpa", [30.0, 50.0, 80.0, 100.0])
def test_residual_gas_takes_room_as_the_first_law_says(kpa: float) -> None:
    """Own arithmetic: energy balance of the cylinder over the intake stroke, no heat, constant p_i.

    p_i V1 / (g - 1) - p_e Vc / (g - 1) = g / (g - 1) m R T_i - p_i (V1 - Vc), swept volume 1.
    """
    g, r, p_e = RESIDUAL_EXPONENT, 9.0, 100.0
    vc = 1.0 / (r - 1.0)
    v1 = vc + 1.0
    charge = (kpa * v1 / (g - 1) - p_e * vc / (g - 1) + kpa * (v1 - vc)) * (g - 1) / g / kpa
    found = filling_of(np.array([kpa]), p_e, r)[0] / USUAL_FILLING
    assert found == pytest.approx(charge, rel=1e-9)


def test_boost_fills_no_less_than_equal_pressures() -> None:
    """Common practice, no source: filling at manifold density hardly changes in boost."""
    assert filling_of(np.array([100.0, 180.0]), 100.0, 9.0).tolist() == [USUAL_FILLING] * 2
