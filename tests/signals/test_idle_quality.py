"""How evenly an engine idles, against firing-resolved engines."""

import numpy as np
import pytest

from pipeline.signals.idle_quality import idle_quality
from tests.bench.roughness_truth import Engine, Logger, Misses, simulate


@pytest.mark.parametrize("rate", [8, 20])
def test_what_chance_hides_is_in_the_interval_of_an_even_engine(rate):
    """Power below the floor beside it is chance: the interval must not end at naught with it."""
    truth = simulate(Engine(noise=0.06), Logger(rate_hz=rate), logs=40, seconds=60, seed=8)
    got = [
        idle_quality(t, y, np.arange(t.size) == 0)
        for t, y in zip(truth.time, truth.speed, strict=True)
    ]
    ends = np.array([q.half_order_interval for q in got])
    assert (ends[:, 1] > 0.0).all()
    assert (ends[:, 0] == 0.0).mean() > 0.9  # a line of naught is held by 97.5 of 100
    below = [q.half_order_rpm for q in got]
    assert min(below) == 0.0


def test_a_dead_cylinder_is_far_above_that():
    truth = simulate(Engine(noise=0.06), Logger(rate_hz=20), logs=4, seconds=60, seed=8,
                     misses=Misses(1.0))  # fmt: skip
    got = [
        idle_quality(t, y, np.arange(t.size) == 0)
        for t, y in zip(truth.time, truth.speed, strict=True)
    ]
    assert min(q.half_order_interval[0] for q in got) > 2.0
