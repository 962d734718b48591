"""The regression's core against general libraries and closed forms; intervals against truth."""

import numpy as np
import pytest
import statsmodels.api as sm
from scipy.interpolate import RegularGridInterpolator
from scipy.sparse import csr_array

from pipeline.signals import regression as reg


def test_bilinear_weights_agree_with_a_general_interpolator() -> None:
    rng = np.random.default_rng(2)
    x_axis, y_axis = np.array([500.0, 1000, 2000, 4000]), np.array([20.0, 50, 100])
    plane = rng.normal(size=(4, 3))
    x, y = rng.uniform(500, 4000, 200), rng.uniform(20, 100, 200)
    index, weight = reg.bilinear(x_axis, y_axis, x, y)
    expected = RegularGridInterpolator((x_axis, y_axis), plane)(np.stack([x, y], axis=1))
    assert (plane.ravel()[index] * weight).sum(axis=1) == pytest.approx(expected)
    held, _ = reg.bilinear(x_axis, y_axis, np.array([9000.0]), np.array([5.0]))
    assert held[0, 2] == 9  # held at the corner: last speed, lowest pressure


def test_a_table_s_rows_do_not_depend_on_how_many_are_worked_on_together(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    rng = np.random.default_rng(7)
    x_axis, y_axis = np.array([500.0, 1000, 2000, 4000]), np.array([20.0, 50, 100])
    x, y = rng.uniform(500, 4000, 500), rng.uniform(20, 100, 500)
    inside, block = rng.uniform(size=500) > 0.2, np.sort(rng.integers(0, 90, 500))
    block = np.cumsum(np.diff(block, prepend=block[:1]) > 0)
    index, weight = reg.bilinear(x_axis, y_axis, x, y)
    plain = np.zeros((block[-1] + 1, 12))
    np.add.at(plain, (block[:, None], index), weight * inside[:, None])
    values = rng.normal(size=12)
    for together in (7, 100, 10_000):
        monkeypatch.setattr(reg, "AT_ONCE", together)
        table, sums = reg.block_table(x_axis, y_axis, x, y, inside, block, plain.shape[0])
        assert table.toarray() == pytest.approx(plain / np.bincount(block)[:, None])
        assert sums == pytest.approx(plain.sum(axis=0))
        found = reg.lookup(x_axis, y_axis, values, x, y)
        assert found == pytest.approx((values[index] * weight).sum(axis=1))


def problem(seed: int = 3) -> tuple[csr_array, np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    table = rng.dirichlet(np.ones(4), 300)
    dense = rng.normal(size=(300, 2))
    y = table @ np.array([0.1, -0.05, 0.02, 0.07]) + dense @ np.array([0.03, -0.02])
    y = y + rng.normal(0, 0.01, 300)
    return csr_array(table), dense, y, rng.uniform(0.2, 1.0, 300)


def test_linear_core_agrees_with_weighted_least_squares_of_statsmodels() -> None:
    table, dense, y, weight = problem()
    info = reg.information(table, dense, y, weight)
    # a prior so wide that it says nothing leaves weighted least squares
    mean, covariance, _ = reg.posterior(info, np.eye(6) * 1e3, 0.01**2)
    other = sm.WLS(y, np.hstack([table.toarray(), dense]), weights=weight).fit()
    assert mean == pytest.approx(other.params, abs=1e-7)
    assert covariance == pytest.approx(other.normalized_cov_params * 0.01**2, rel=1e-4)


def test_prior_agrees_with_rows_of_pretended_data() -> None:
    # Algebra: a normal prior is the same as one more observation of each unknown.
    table, dense, y, weight = problem()
    sd = np.array([0.05, 0.05, 0.05, 0.05, 0.1, 0.1])
    info = reg.information(table, dense, y, weight)
    mean, _, _ = reg.posterior(info, np.diag(sd), 0.01**2)
    rows = np.vstack([np.hstack([table.toarray(), dense]), np.eye(6)])
    both = np.concatenate([weight, (0.01 / sd) ** 2])
    other = sm.WLS(np.concatenate([y, np.zeros(6)]), rows, weights=both).fit()
    assert mean == pytest.approx(other.params, abs=1e-8)


def test_evidence_is_the_density_of_the_data() -> None:
    table, dense, y, _ = problem()
    design = np.hstack([table.toarray(), dense])
    info = reg.information(table, dense, y, np.ones(y.size))
    roots = [np.diag(np.full(6, s)) for s in (0.03, 0.1)]
    ours = [reg.evidence_of(info, root, 0.01**2) for root in roots]
    assert [reg.posterior(info, root, 0.01**2)[2] for root in roots] == pytest.approx(ours)

    def density(root: np.ndarray) -> float:
        covariance = design @ root @ root.T @ design.T + 0.01**2 * np.eye(y.size)
        sign, log_det = np.linalg.slogdet(covariance)
        assert sign > 0
        return float(-0.5 * (y @ np.linalg.solve(covariance, y) + log_det))

    assert ours[1] - ours[0] == pytest.approx(density(roots[1]) - density(roots[0]), abs=1e-6)


@pytest.mark.parametrize("rho", [0.0, 0.5, 0.8])
def test_inflation_of_a_first_order_process(rho: float) -> None:
    # Closed form: the variance of a mean grows by (1 + rho) / (1 - rho).
    rng = np.random.default_rng(4)
    n = 40000
    x = np.zeros(n)
    shock = rng.normal(size=n)
    for i in range(1, n):
        x[i] = rho * x[i - 1] + shock[i]
    start = np.zeros(n, dtype=bool)
    start[0] = True
    found = reg.autocorrelation_inflation(x, start, lags=60)
    assert found == pytest.approx((1 + rho) / (1 - rho), rel=0.12)


def test_a_first_negative_correlation_does_not_hide_a_slow_one() -> None:
    rng = np.random.default_rng(5)
    slow = np.repeat(rng.normal(size=2000), 20)
    x = slow + np.diff(rng.normal(size=slow.size + 1)) * 2.0
    start = np.zeros(x.size, dtype=bool)
    start[0] = True
    assert reg.autocorrelation_inflation(x, start, lags=60) > 2.0


def table_of_an_engine(seed: int) -> tuple[reg.Fit, np.ndarray]:
    """A smooth table on a 9 x 7 grid, visited unevenly, with outliers and slow noise."""
    rng = np.random.default_rng(seed)
    x_axis, y_axis = np.linspace(1, 9, 9), np.linspace(1, 7, 7)
    gx, gy = np.meshgrid(x_axis, y_axis, indexing="ij")
    prior = reg.Prior(gx.ravel(), gy.ravel(), 0.1, np.zeros(1) + 0.1)
    true = np.linalg.cholesky(prior.table(0.04, 1.7)) @ rng.normal(size=63)
    n = 4000
    x = np.clip(5 + np.cumsum(rng.normal(0, 0.3, n)) % 8 - 4, 1, 9)
    y = np.clip(4 + np.cumsum(rng.normal(0, 0.3, n)) % 6 - 3, 1, 7)
    index, weight = reg.bilinear(x_axis, y_axis, x, y)
    table = csr_array((weight.ravel(), (np.repeat(np.arange(n), 4), index.ravel())), shape=(n, 63))
    dense = rng.normal(size=(n, 1))
    noise = rng.normal(0, 0.01, n) + np.repeat(rng.normal(0, 0.01, n // 8), 8)
    noise[rng.integers(0, n, 60)] += 0.4
    start = np.zeros(n, dtype=bool)
    start[0] = True
    data = table @ true + 0.05 * dense[:, 0] + noise
    return reg.fit(table, dense, data, start, prior), true


def test_intervals_cover_the_truth_and_outliers_do_not_matter() -> None:
    inside, size = [], []
    for seed in range(12):
        fit, true = table_of_an_engine(seed)
        sd = np.sqrt(np.diag(fit.covariance)[:63])
        error = fit.mean[:63] - true
        inside.append(np.abs(error) < 1.96 * sd)
        size.append(error)
        assert fit.mean[63] == pytest.approx(0.05, abs=0.002)
    # 756 points, not independent: 95 % within a few percent
    assert 0.90 <= float(np.mean(inside)) <= 0.99
    assert float(np.sqrt(np.mean(np.square(size)))) < 0.02


def test_the_same_input_gives_the_same_fit() -> None:
    a, b = table_of_an_engine(1)[0], table_of_an_engine(1)[0]
    assert np.array_equal(a.mean, b.mean)
