"""What each thing that no log tells costs the near-optimal detector of missing firings.

``python -m tests.bench.roughness_unknowns [--rates R ...] [--engines N] [--logs N] [--seed N]``
prints, per rate, the smallest share found with 95 % power at 1 % false alarms by detectors that
are told less and less, on the same logs: a minute of idle and a minute of cruise.

- told: everything (see `tests.bench.roughness`).
- two falls: the same, and what is left without the largest fall must speak for misses, too: a
  single dip of the speed may be anything.
- phase: which cylinder, and when it fires, is not told, but that it fires once a cycle exactly.
- moments: a miss may come at any moment, for a logged speed does not hold the phase for a minute.
- size: the fall of speed is known to a factor of e^0.3 only (the vehicle's inertia), the share to
  a factor of four, and the covariance of the noise is that of the log itself.
- size, two falls: both.

All thresholds are set on healthy logs of the very engine, which no pipeline has.
"""

from __future__ import annotations

import argparse
import sys

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solve_toeplitz, toeplitz
from scipy.special import logsumexp

from tests.bench.roughness import (
    SCALE_SD,
    SECONDS,
    SHARES,
    Told,
    firing_moments,
    pair,
    smallest,
)
from tests.bench.roughness_truth import Misses, Truth, simulate

Floats = NDArray[np.float64]
NAMES = ("told", "two falls", "phase", "moments", "size", "size, two falls")
#: Places in a cycle at which a miss is looked for, per cylinder.
PER_FIRING = 2
#: Cycles on either side that the same fall reaches, at 1800-3000 rpm some 0.2 s.
BESIDE = 3
SIZES = np.exp(SCALE_SD * np.array([-1.6, -0.8, 0.0, 0.8, 1.6]))
WEIGHTS = np.exp(-0.5 * (np.log(SIZES) / SCALE_SD) ** 2)
#: Shares over which the detector that is told no share averages, over the true one.
AROUND = np.array([0.5, 1.0, 2.0])


def terms(told: Told, truth: Truth, firings: list[Floats], *, own: bool) -> list[tuple]:  # type: ignore[type-arg]
    """Per log (score, deflection): (cycles, phases), of a miss at each phase of each cycle.

    own: whitened by the log's own covariance instead of the engine's true one. Column 0 is the
    bad cylinder's own moment.
    """
    engine, logger = truth.engine, truth.logger
    interval = 120.0 / engine.speed_rpm / engine.cylinders
    average = interval if logger.average == "event" else 60.0 / engine.speed_rpm
    tau, drop = engine.damping_s, engine.drop_rpm
    phases = engine.cylinders * PER_FIRING
    late_by = np.arange(phases) / phases * 120.0 / engine.speed_rpm
    out = []
    for t, y, at in zip(truth.time, truth.speed, firings, strict=True):
        x = y - y.mean()
        a, sigma = told.a, told.sigma
        if own:
            order = min(a.size, max(4, round(0.4 * logger.rate_hz)))
            cov = np.array([np.mean(x[: x.size - k] * x[k:]) for k in range(order + 1)])
            cov[0] *= 1.0 + 1e-6
            a = solve_toeplitz(cov[:-1], cov[1:])
            sigma = float(np.sqrt(max(cov[0] - a @ cov[1:], 1e-9)))
        p = a.size
        span = p + max(4, int(np.ceil(0.3 * logger.rate_hz)))
        windows = np.lib.stride_tricks.sliding_window_view(x, p + 1)
        e = np.concatenate([np.zeros(p), windows[:, -1] - windows[:, -2::-1] @ a])
        keep = (np.searchsorted(t, at) >= p) & (
            np.searchsorted(t, at + late_by[-1]) < t.size - span
        )
        moment = (at[keep][:, None] + late_by).ravel()
        first = np.searchsorted(t, moment)
        rows = first[:, None] + np.arange(-p, span - p)
        late = np.maximum(t[rows] - moment[:, None], 0.0)
        low = np.maximum(late - average, 0.0)
        shape = -drop * tau / average * (np.exp(-low / tau) - np.exp(-late / tau))
        column = np.zeros(span)
        column[: p + 1] = np.concatenate([-a[::-1], [1.0]])
        filters = toeplitz(column, np.zeros(span - p))  # (span, span - p)
        white = shape @ filters / sigma
        d2 = (white**2).sum(axis=1).reshape(-1, phases)
        score = (white * e[rows[:, p:]] / sigma).sum(axis=1).reshape(-1, phases)
        out.append((score, d2))
    return out


def _mixture(ratio: Floats, share: float) -> Floats:
    """log(1 - share + share e^ratio)."""
    return np.asarray(np.logaddexp(np.log1p(-share), np.log(share) + ratio))


def values(parts: list[tuple], own: list[tuple], share: float) -> Floats:  # type: ignore[type-arg]
    """(detectors,) log likelihood ratios of one log; -inf where the second fall is wanting."""
    bad = [_mixture((s - 0.5 * d)[:, 0], share) for s, d in parts]
    told = float(sum(b.sum() for b in bad))
    two = told if told - _largest(bad) > -1.0 else -np.inf
    phase = 0.0
    for s, d in parts:
        by_phase = _mixture(s - 0.5 * d, share).sum(axis=0)
        phase += float(logsumexp(by_phase) - np.log(by_phase.size))
    moments = sum(float(_mixture(_any(s - 0.5 * d), share).sum()) for s, d in parts)
    whole, rest = [], []
    for factor in AROUND:
        for size, weight in zip(SIZES, WEIGHTS / WEIGHTS.sum(), strict=True):
            rows = [
                _mixture(_any(size * s - 0.5 * size**2 * d), min(0.9, factor * share))
                for s, d in own
            ]
            whole.append(float(sum(r.sum() for r in rows)) + np.log(weight / AROUND.size))
            rest.append(whole[-1] - _largest(rows))
    size_ = float(logsumexp(whole))
    return np.array([
        told, two, phase, moments, size_, size_ if logsumexp(rest) > -1.0 else -np.inf
    ])  # fmt: skip


def _largest(rows: list[Floats]) -> float:
    """What the greatest fall adds, with what it adds to the cycles beside it."""
    width = np.ones(2 * BESIDE + 1)
    return max(float(np.convolve(np.maximum(r, 0.0), width, "same").max()) for r in rows)


def _any(ratio: Floats) -> Floats:
    """Log of the mean ratio over the phases of a cycle."""
    return np.asarray(logsumexp(ratio, axis=1) - np.log(ratio.shape[1]))


def at_rate(rate: float, engines: int, logs: int, seed: int) -> tuple[Floats, Floats]:
    """(smallest shares (detectors,), power (shares, detectors)) at a rate."""
    rng = np.random.default_rng([seed, int(rate)])
    power = np.zeros((len(SHARES), len(NAMES)))

    def looked(tolds: list[Told], truths: list[Truth]) -> list[list[tuple]]:  # type: ignore[type-arg]
        out = []
        for own in (False, True):
            parts = []
            for told, truth in zip(tolds, truths, strict=True):
                fired = firing_moments(truth, truth.miss_time, rng)
                parts.append(terms(told, truth, fired, own=own))
            out.append(list(zip(*parts, strict=True)))
        return out

    for n in range(engines):
        idle, cruise, logger = pair(rng, rate)
        rng.standard_normal()  # the inertia's error that the pipeline is given
        own = seed * 100_000 + n * 1000
        tolds = [Told(idle, logger, own + 1), Told(cruise, logger, own + 2)]
        quiet = looked(tolds, [simulate(e, logger, logs=100, seconds=SECONDS, seed=own + 3 + k)
                               for k, e in enumerate((idle, cruise))])  # fmt: skip
        for s, share in enumerate(SHARES):
            null = [values(list(a), list(b), share) for a, b in zip(*quiet, strict=True)]
            bar = np.sort(null, axis=0)[-2]
            sick = looked(tolds, [
                simulate(e, logger, logs=logs, seconds=SECONDS, seed=own + 10 + 2 * s + k,
                         misses=Misses(share))
                for k, e in enumerate((idle, cruise))
            ])  # fmt: skip
            found = [values(list(a), list(b), share) > np.maximum(bar, -1e9)
                     for a, b in zip(*sick, strict=True)]  # fmt: skip
            power[s] += np.mean(found, axis=0) / engines
    return np.array([smallest(SHARES, list(column)) for column in power.T]), power


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--engines", type=int, default=8)
    parser.add_argument("--logs", type=int, default=20)
    parser.add_argument("--seed", type=int, default=2)
    parser.add_argument("--rates", type=float, nargs="*", default=[8.0, 10.0, 25.0, 50.0])
    options = parser.parse_args()
    out = sys.stdout
    out.write("rate Hz  " + "".join(f"{name:>16s}" for name in NAMES) + "   (share %, x told)\n")
    for rate in options.rates:
        shares, _ = at_rate(rate, options.engines, options.logs, options.seed)
        cells = "".join(f"{100 * s:9.2f}{s / shares[0]:7.2f}" for s in shares)
        out.write(f"{rate:7.0f}  {cells}\n")
        out.flush()


if __name__ == "__main__":
    main()
