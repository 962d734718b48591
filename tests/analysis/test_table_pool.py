"""Pooling of sessions: precision, each session's own constant, scatter."""

import numpy as np
import pytest

from pipeline.analysis._table_pool import SCATTER_PRIOR, SESSION_SD, pool


def part(cells: list[int], mean: list[float], sd: list[float]) -> dict[str, list[float]]:
    """A digest: two seconds at each point, target 1."""
    return {"cells": cells, "mean": mean, "sd": sd, "seconds": [2.0] * len(cells),
            "target": [1.0] * len(cells)}  # fmt: skip


def test_one_session_keeps_its_numbers_and_adds_its_own_constant() -> None:
    made = pool([part([1, 3], [0.02, -0.01], [0.004, 0.01])], 5)
    assert made.cells.tolist() == [1, 3]
    assert made.mean == pytest.approx([0.02, -0.01])
    assert made.sd == pytest.approx(np.hypot([0.004, 0.01], SESSION_SD))
    assert made.seconds.tolist() == [2.0, 2.0]


def test_levels_of_sessions_are_met_and_their_distance_widens_every_interval() -> None:
    """Two drives that differ by one percent everywhere: that is no scatter of the points."""
    shape, cells = np.array([0.05, 0.0, -0.03, 0.01, 0.0, 0.02, 0.0, -0.05]), list(range(8))
    near = [part(cells, list(shape + d), [0.004] * 8) for d in (0.001, -0.001)]
    far = [part(cells, list(shape + d), [0.004] * 8) for d in (0.005, -0.005)]
    alike, apart = pool(near, 8), pool(far, 8)
    assert alike.mean == pytest.approx(shape)
    assert apart.mean == pytest.approx(shape, abs=1e-9)
    assert alike.session_sd < SESSION_SD < apart.session_sd
    # of what two sessions of that constant leave in their mean
    assert apart.sd == pytest.approx(np.sqrt(0.004**2 / 2 + apart.session_sd**2 / 2), rel=1e-6)


def test_a_point_of_one_session_is_put_at_the_level_of_both() -> None:
    first = part(list(range(9)), [0.01] * 8 + [0.05], [0.002] * 9)
    second = part(list(range(8)), [-0.01] * 8, [0.002] * 8)
    made = pool([first, second], 9)
    assert made.mean == pytest.approx([0.0] * 8 + [0.04], abs=3e-4)


def test_a_point_that_scatters_between_sessions_is_less_sure_than_the_others() -> None:
    swing = 0.03
    parts = [
        part([0, 1, 2, 3], [0.0, 0.0, 0.0, s * swing], [0.002, 0.002, 0.002, 0.01])
        for s in (1, -1, 1, -1)
    ]
    made = pool(parts, 4)
    scatter = 4 * (swing / 0.01) ** 2
    widened = np.sqrt((SCATTER_PRIOR + scatter) / (SCATTER_PRIOR + 3))
    assert made.session_sd == SESSION_SD  # four points are no level
    own = np.sqrt(made.sd**2 - made.session_sd**2 / 4)
    assert own == pytest.approx([0.001, 0.001, 0.001, widened * 0.01 / 2])


def test_intervals_hold_the_truth_nineteen_times_of_twenty() -> None:
    """Drawn as the model says: cover must be near 95 % for two and for six sessions."""
    rng = np.random.default_rng(5)
    for number in (2, 6):
        inside = []
        for _ in range(300):
            sd = rng.uniform(0.003, 0.02, (number, 12))
            level = rng.normal(0.0, SESSION_SD, (number, 1))
            seen = rng.normal(level, sd)
            made = pool([part(list(range(12)), list(m), list(s))
                         for m, s in zip(seen, sd, strict=True)], 12)  # fmt: skip
            inside.append(np.abs(made.mean) <= 1.96 * made.sd)
        assert 0.93 <= float(np.mean(inside)) <= 0.985
