"""One regression: a table's break points with smoothness from the data, plus dense terms.

The table is a sum of bilinear weights. Its prior is a Gaussian process over the break points
(a free plane plus a local part), whose size and length scales come from the marginal likelihood
(Rasmussen and Williams, Gaussian Processes for Machine Learning, 2006, chapters 2 and 5). Robust
by iterated weights (Huber 1964; Holland and Welsch 1977). The variance is widened by the
residual's autocorrelation (integrated autocorrelation time), and the posterior covariance holds
the smoothness' own bias (Wahba 1983; Nychka 1988: Bayesian intervals of smoothing splines).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve, solve_triangular
from scipy.sparse import csr_array, vstack

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

#: Tukey's bisquare at 95 % efficiency for normal errors (Holland and Welsch 1977).
BISQUARE = 4.685
#: Huber's proposal at 95 % efficiency (Huber 1964).
HUBER = 1.345
#: The redescending weights come last and wide: a short visit of a cell that the smoothness finds
#: odd is news, not an outlier. Choice, checked on simulated drives.
WIDE = 3.0

#: Rows over which residuals may be correlated: at 25 Hz two and a half seconds, many times a
#: wideband's lag. Choice.
LAGS = 60

#: Rows that are worked on together: four weights and indices of each stay in the processor's cache,
#: and a log of millions of rows takes no more memory for them.
AT_ONCE = 65536


def bilinear(x_axis: Floats, y_axis: Floats, x: Floats, y: Floats) -> tuple[Ints, Floats]:
    """Indices and weights (n, 4) of the break points round each (x, y), held at the edges.

    Axes: (a,), (b,), rising; x, y: (n,), finite. A break point has index i * b + j for x_axis[i],
    y_axis[j].
    """
    u = np.interp(x, x_axis, np.arange(x_axis.size, dtype=np.float64))
    v = np.interp(y, y_axis, np.arange(y_axis.size, dtype=np.float64))
    i = np.minimum(u.astype(np.int64), x_axis.size - 2)
    j = np.minimum(v.astype(np.int64), y_axis.size - 2)
    p, q = u - i, v - j
    base = i * y_axis.size + j
    index = np.stack([base, base + 1, base + y_axis.size, base + y_axis.size + 1], axis=1)
    weight = np.stack([(1 - p) * (1 - q), (1 - p) * q, p * (1 - q), p * q], axis=1)
    return index, weight


def lookup(x_axis: Floats, y_axis: Floats, values: Floats, x: Floats, y: Floats) -> Floats:
    """Bilinear interpolation (n,) of a table's values (a * b,), held at its edges."""
    found = np.empty(x.size)
    for begin in range(0, x.size, AT_ONCE):
        part = slice(begin, begin + AT_ONCE)
        index, weight = bilinear(x_axis, y_axis, x[part], y[part])
        found[part] = (values[index] * weight).sum(axis=1)
    return found


def block_table(
    x_axis: Floats, y_axis: Floats, x: Floats, y: Floats, inside: Bools, block: Ints, blocks: int
) -> tuple[csr_array, Floats]:
    """Mean bilinear weights (blocks, a * b) of the rows in each block, and their sums (a * b,).

    block: (n,) rising numbers from 0, none left out; rows not ``inside`` (n,) weigh nothing.
    """
    cells = x_axis.size * y_axis.size
    sums = np.zeros(cells)
    count = np.bincount(block, minlength=blocks).astype(np.float64)
    parts = []
    # at a block's first row, so that none is cut in two
    edges = np.searchsorted(block, block[np.arange(0, x.size, AT_ONCE)], side="left")
    for begin, end in zip(edges, [*edges[1:], x.size], strict=True):
        part = slice(int(begin), int(end))
        index, weight = bilinear(x_axis, y_axis, x[part], y[part])
        weight *= inside[part][:, None]
        sums += np.bincount(index.ravel(), weights=weight.ravel(), minlength=cells)
        weight /= count[block[part]][:, None]
        first = int(block[part.start])
        rows = np.repeat(block[part] - first, index.shape[1])
        last = int(block[part.stop - 1]) if part.stop > part.start else first - 1
        parts.append(
            csr_array((weight.ravel(), (rows, index.ravel())), shape=(last - first + 1, cells))
        )
    return vstack(parts, format="csr"), sums


def block_mean(values: Floats, block: Ints, blocks: int) -> Floats:
    """Means (blocks,) or (blocks, k) of the rows in each block."""
    count = np.maximum(np.bincount(block, minlength=blocks), 1)
    if values.ndim == 1:
        mean: Floats = np.bincount(block, weights=values, minlength=blocks) / count
        return mean
    return np.stack([block_mean(column, block, blocks) for column in values.T], axis=1)


@dataclass(frozen=True)
class Prior:
    """Prior of the table and the dense terms.

    covariance of the table for one choice of size and scale is
    plane_sd**2 (1 + u u' + v v') + size**2 (1 + r + r**2 / 3) exp(-r), r = sqrt(5) distance in
    scales (Matern 5/2; Rasmussen and Williams 2006, chapter 4): a table tuned by hand has bends,
    and the smoother exponential of the square carries them to where nobody drove.
    """

    x: Floats  # (m,) coordinate of each break point, in units of its length scale
    y: Floats
    plane_sd: float
    dense_sd: Floats  # (q,)
    dense_mean: Floats | None = None  # (q,), 0 where not given

    def table(self, size: float, scale: float) -> Floats:
        """Covariance (m, m) of the break points."""
        u, v = self.x - self.x.mean(), self.y - self.y.mean()
        spread_u, spread_v = max(float(np.ptp(u)), 1e-9), max(float(np.ptp(v)), 1e-9)
        plane = 1.0 + np.outer(u, u) / spread_u**2 + np.outer(v, v) / spread_v**2
        distance = (u[:, None] - u[None, :]) ** 2 + (v[:, None] - v[None, :]) ** 2
        r = np.sqrt((5.0 / scale**2) * distance)
        # far pairs are kept out of subnormal numbers, which cost a hundred times the time
        local: Floats = (1.0 + r + r * r / 3.0) * np.exp(-np.minimum(r, 60.0))
        covariance: Floats = self.plane_sd**2 * plane + size**2 * local
        covariance[np.diag_indices_from(covariance)] += 1e-8
        return covariance


@dataclass(frozen=True)
class Information:
    """Normal equations in units of the noise's variance: A = X'WX, b = X'Wy."""

    matrix: Floats
    vector: Floats


@dataclass(frozen=True)
class Fit:
    """Posterior of table and dense terms together.

    mean (m + q,), covariance (m + q, m + q); size and scale of the table's local part; sigma:
    standard deviation of one row; weight (n,), 0 for outliers; residual (n,); evidence: log
    marginal likelihood up to terms without the prior.
    """

    mean: Floats
    covariance: Floats
    size: float
    scale: float
    sigma: float
    weight: Floats
    residual: Floats
    evidence: float


def information(table: csr_array, dense: Floats, y: Floats, weight: Floats) -> Information:
    """Weighted normal equations of y (n,) on [table (n, m), dense (n, q)]."""
    weighted = table.multiply(weight[:, None]).tocsr()
    aa = (weighted.T @ table).toarray()
    ad = weighted.T @ dense
    dd = dense.T @ (dense * weight[:, None])
    wy = weight * y
    matrix = np.block([[aa, ad], [ad.T, dd]])
    vector = np.concatenate([table.T @ wy, dense.T @ wy])
    return Information(matrix, vector)


def root_of_prior(prior: Prior, size: float, scale: float) -> Floats:
    """Lower Cholesky factor (m + q, m + q) of the whole prior covariance."""
    m, q = prior.x.size, prior.dense_sd.size
    root = np.zeros((m + q, m + q))
    root[:m, :m] = np.linalg.cholesky(prior.table(size, scale))
    root[np.arange(m, m + q), np.arange(m, m + q)] = prior.dense_sd
    return root


def posterior(info: Information, root: Floats, variance: float) -> tuple[Floats, Floats, float]:
    """Mean, covariance and log marginal likelihood (up to terms without the prior).

    With K = L L': M = I + L' A L / v, mean = L M^-1 L' b / v, covariance = L M^-1 L', and the
    evidence is (b' mean / v - log det M) / 2.
    """
    inner = root.T @ info.matrix @ root / variance
    inner[np.diag_indices_from(inner)] += 1.0
    factor = np.linalg.cholesky(inner)
    half = solve_triangular(factor, root.T, lower=True, check_finite=False)
    mean = half.T @ (half @ info.vector) / variance
    covariance = half.T @ half
    log_det = 2.0 * float(np.log(np.diag(factor)).sum())
    evidence = 0.5 * (float(info.vector @ mean) / variance - log_det)
    return mean, covariance, evidence


def evidence_of(info: Information, root: Floats, variance: float) -> float:
    """Log marginal likelihood alone, as in :func:`posterior`, at a third of the cost."""
    inner = root.T @ info.matrix @ root / variance
    inner[np.diag_indices_from(inner)] += 1.0
    factor = cho_factor(inner, lower=True, check_finite=False)
    right = root.T @ info.vector / variance
    quadratic = float(right @ cho_solve(factor, right, check_finite=False))
    return 0.5 * quadratic - float(np.log(np.diag(factor[0])).sum())


def bisquare(residual: Floats, scale: float) -> Floats:
    """Tukey's bisquare weights (n,) of residuals, 0 beyond 4.685 scales."""
    u = residual / (BISQUARE * max(scale, 1e-12))
    weight: Floats = np.where(np.abs(u) < 1.0, (1.0 - u * u) ** 2, 0.0)
    return weight


def huber(residual: Floats, scale: float) -> Floats:
    """Huber's weights (n,) at 95 % efficiency (1.345 scales): convex, so no start misleads it."""
    u = np.abs(residual) / max(HUBER * scale, 1e-12)
    weight: Floats = 1.0 / np.maximum(u, 1.0)
    return weight


def robust_scale(residual: Floats) -> float:
    """Standard deviation from the median absolute deviation (normal consistent: 1.4826)."""
    if not residual.size:
        return 0.0
    return 1.4826 * float(np.median(np.abs(residual - np.median(residual))))


def autocorrelation_inflation(residual: Floats, start: Bools, *, lags: int) -> float:
    """Variance factor 1 + 2 sum(rho_k) of a mean of correlated residuals, at least 1.

    residual: (n,) in order of time; start: True where a new contiguous stretch begins. Neighbouring
    rho are added in pairs, from rho_0 on, until a pair is no longer positive (initial positive
    sequence, Geyer 1992) or ``lags`` are used up: a lag that was undone makes the first rho
    negative, which says nothing of the slow rest.
    """
    part = np.cumsum(start)
    centred = residual - residual.mean()
    variance = float(centred @ centred) / max(centred.size, 1)
    if variance <= 0.0:
        return 1.0

    def rho(k: int) -> float:
        if k == 0:
            return 1.0
        same = part[k:] == part[:-k]
        pairs = int(np.count_nonzero(same))
        return (
            float(centred[k:][same] @ centred[:-k][same]) / pairs / variance if pairs > 30 else 0.0
        )

    total = 0.0
    for k in range(0, min(lags, centred.size - 2), 2):
        pair = rho(k) + rho(k + 1)
        if pair <= 0.02:
            break
        total += pair
    return max(1.0, 2.0 * total - 1.0)


def fit(
    table: csr_array, dense: Floats, y: Floats, start: Bools, prior: Prior, *,
    base_weight: Floats | None = None, sizes: Sequence[float] = (0.01, 0.03, 0.08),
    scales: Sequence[float] = (0.6, 1.0, 1.7), rounds: int = 4,
    begin: tuple[float, float] | None = None,
) -> Fit:  # fmt: skip
    """Robust fit with smoothness from the data.

    table (n, m), dense (n, q), y (n,), start (n,): first row of each contiguous stretch.
    base_weight: relative precision of each row (blocks of fewer samples are worth less). begin:
    size and scale an earlier fit of these rows chose; they are then looked for once, at the end.
    """
    base = np.ones(y.size) if base_weight is None else base_weight
    weight = base.copy()
    choice = begin or (sizes[len(sizes) // 2], scales[len(scales) // 2])
    m = table.shape[1]
    shift = np.zeros(dense.shape[1]) if prior.dense_mean is None else prior.dense_mean
    y = y - dense @ shift
    sigma, inflation = max(robust_scale(y), 1e-3), 4.0
    mean = np.zeros(m + dense.shape[1])
    covariance = np.eye(mean.size)
    evidence = 0.0
    residual = y
    roots: dict[tuple[float, float], Floats] = {}

    def root_of(pair: tuple[float, float]) -> Floats:
        if pair not in roots:
            roots[pair] = root_of_prior(prior, *pair)
        return roots[pair]

    for turn in range(rounds):
        info = information(table, dense, y, weight)
        variance = sigma**2 * inflation
        if turn == rounds - 1 or (turn == 1 and begin is None):
            tried = {
                (size, scale): evidence_of(info, root_of((size, scale)), variance)
                for scale in scales
                for size in sizes
            }
            choice = max(sorted(tried), key=lambda pair: tried[pair])
        mean, covariance, evidence = posterior(info, root_of(choice), variance)
        residual = y - table @ mean[:m] - dense @ mean[m:]
        scaled = residual * np.sqrt(base)
        sigma = max(robust_scale(scaled), 1e-4)
        last = turn >= rounds - 2
        weight = base * (bisquare(scaled, WIDE * sigma) if last else huber(scaled, sigma))
        good = weight > 0
        # of what the weights left: standard deviation and memory
        kept = scaled[good]
        sigma_kept = float(np.sqrt(np.average(kept**2, weights=weight[good] / base[good])))
        if turn < rounds - 1:
            inflation = autocorrelation_inflation(
                np.clip(scaled, -3 * sigma, 3 * sigma), start, lags=LAGS
            )
        sigma = max(sigma, sigma_kept)
    mean = mean + np.concatenate([np.zeros(m), shift])
    return Fit(mean, covariance, *choice, sigma, weight, residual, evidence)
