import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.signals.decimate import minimum_maximum


@settings(max_examples=100, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(2, 3000), st.floats(-1e6, 1e6))
def test_extremes_survive_wherever_the_line_begins(seed: int, size: int, begin: float) -> None:
    draw = np.random.default_rng(seed)
    x = begin + np.cumsum(draw.uniform(0.01, 0.1, size))
    y = np.round(draw.normal(0, 3, size), 1)
    y[draw.random(size) < 0.1] = np.nan
    if not np.isfinite(y).any():
        return
    kept_x, kept_y = minimum_maximum(x, y, points=100)
    assert kept_x.size <= max(100 + 2, np.isfinite(y).sum() if size <= 100 else 0)
    assert kept_y.min() == np.nanmin(y)
    assert kept_y.max() == np.nanmax(y)
    assert (np.diff(kept_x) > 0).all()
    assert np.isin(kept_x, x).all()


def test_every_tenth_of_the_line_keeps_its_own_extremes() -> None:
    x = 1000.0 + np.arange(2000) * 0.04
    y = np.sin(x) + np.where(np.arange(2000) == 1234, 50.0, 0.0)
    kept_x, kept_y = minimum_maximum(x, y, points=200)
    for part in np.array_split(np.arange(2000), 10):
        inside = (kept_x >= x[part[0]]) & (kept_x <= x[part[-1]])
        assert kept_y[inside].max() > np.quantile(y[part], 0.97)
        assert kept_y[inside].min() < np.quantile(y[part], 0.03)
    assert 50.0 < kept_y.max() < 51.1
