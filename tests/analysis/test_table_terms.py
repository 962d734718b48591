"""The terms beside the table: what is said of each, and when nothing is."""

from types import SimpleNamespace

import numpy as np
import pytest

from pipeline.analysis._table_terms import TERM_SD, Z95, terms_table


def test_a_temperature_passed_in_a_moment_is_unknown_and_the_rest_has_its_interval() -> None:
    """Two rows of 0.1 s in each block: 30 blocks at 30 degC are 6 s, 20 at 10 degC are 4 s."""
    blocks = 50
    warm_10 = np.where(np.arange(blocks) < 20, 1.0, 0.0)
    made = SimpleNamespace(
        cells=np.arange(2), names=("warm 10", "warm 30", "film opening 0.2", "volts over pulse"),
        dense=np.stack([warm_10, 1.0 - warm_10, *np.full((2, blocks), 0.1)], axis=1),
        number=np.repeat(np.arange(blocks), 2), y=np.zeros(blocks), weight=np.ones(blocks),
    )  # fmt: skip
    fit = SimpleNamespace(
        mean=np.array([0.0, 0.0, 0.05, 0.03, 0.1, -0.022]),
        covariance=np.diag([1.0, 1.0, 0.01, 0.001, 0.02, 0.003]) ** 2,
    )
    table = terms_table(made, fit, 0.1, 2.0)  # type: ignore[arg-type]
    short, known, volts = table.rows  # the film is not told: its reader can do nothing with it
    assert short == ["coolant at 10 °C", None, None, None, "too little evidence"]
    half = 100.0 * Z95 * np.hypot(0.002, TERM_SD)
    assert known[1:4] == pytest.approx([3.0, 3.0 - half, 3.0 + half])
    # 2.2 % V/ms at 3 ms with 0.8 ms of dead time: 1 % per volt.
    half = 100.0 * Z95 * np.hypot(0.006, TERM_SD) / 2.2
    assert volts[1:4] == pytest.approx([-1.0, -1.0 - half, -1.0 + half])
