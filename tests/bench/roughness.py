"""Power of rough running against a detector that is told the truth.

``python -m tests.bench.roughness [--engines N] [--logs N] [--seed N]`` prints, per rate, the
smallest share of one cylinder's missing firings that is found with 95 % power at 1 % false
alarms, for the pipeline's detector and for a near-optimal one, their ratio, and false alarms of
healthy and of disturbed engines: of what is called rough (two falls and more), and with single
dips, which are noted only (severity info) and on which the near-optimal one decides, too. One log
is a minute of idle and a minute of cruise.

The near-optimal detector knows the noise's covariance (from many healthy logs of the same engine
and logger), the exact response to a miss, the cylinder and every moment it fires; it scores each
firing by the generalised likelihood of the true Gaussian noise and takes the log likelihood ratio
of a Bernoulli mixture with the true share. Its threshold is set on healthy logs of that engine.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solve_toeplitz

from pipeline.signals.misfire import examine
from pipeline.signals.misfire_decision import Detection, decide
from pipeline.signals.misfire_rows import ClassInput
from tests.bench.roughness_truth import (
    Engine,
    Loads,
    Logger,
    Misses,
    Truth,
    random_engine,
    random_logger,
    simulate,
)

Floats = NDArray[np.float64]
RATES = (8.0, 10.0, 15.0, 20.0, 25.0, 50.0)
SHARES = (0.0015, 0.002, 0.0025, 0.003, 0.004, 0.005, 0.0075, 0.01, 0.015, 0.02, 0.03, 0.05)
SECONDS = 60.0
#: log of the factor by which the expected fall of speed is off (the vehicle's inertia is unknown).
SCALE_SD = 0.3


def pair(rng: np.random.Generator, rate: float) -> tuple[Engine, Engine, Logger]:
    """One engine at idle and in cruise, and its logger."""
    idle = random_engine(rng)
    cruise = replace(random_engine(rng, cruise=True), cylinders=idle.cylinders, noise=idle.noise,
                     inertia_kg_m2=idle.inertia_kg_m2, imbalance=idle.imbalance)  # fmt: skip
    return idle, cruise, random_logger(rng, rate)


def detect(idle: Truth, cruise: Truth, scale: float) -> list[Detection]:
    """The pipeline's detector on each log."""
    out = []
    for k in range(len(idle.time)):
        parts = []
        for name, truth in (("idle", idle), ("cruise", cruise)):
            t, y = truth.time[k], truth.speed[k]
            parts.append(examine(
                ClassInput(name, name == "idle", t, y, np.arange(t.size) == 0,
                           truth.engine.drop_rpm * scale), cylinders=truth.engine.cylinders,
            ))  # fmt: skip
        out.append(decide([p for p in parts if p is not None]))
    return out


class Told:
    """The detector that is told: noise, response, cylinder, moments of firing and share."""

    def __init__(self, engine: Engine, logger: Logger, seed: int) -> None:
        healthy = simulate(engine, logger, logs=40, seconds=SECONDS, seed=seed)
        step = 1.0 / logger.rate_hz
        self.lags = max(6, round(1.2 / step))
        cov = np.zeros(self.lags)
        for y in healthy.speed:
            x = y - y.mean()
            cov += [float(np.mean(x[: x.size - k] * x[k:])) for k in range(self.lags)]
        cov /= len(healthy.speed)
        cov[0] += logger.step_rpm**2 / 12.0 + 1e-6
        # Best linear prediction from the true covariance whitens (Yule-Walker).
        self.a = solve_toeplitz(cov[:-1], cov[1:])
        self.sigma = float(np.sqrt(max(cov[0] - self.a @ cov[1:], 1e-9)))
        self.engine, self.logger = engine, logger

    def scores(self, truth: Truth, firings: list[Floats]) -> list[tuple[Floats, Floats]]:
        """Per log: matched-filter score and deflection of every firing of the bad cylinder."""
        engine, logger = self.engine, self.logger
        interval = 120.0 / engine.speed_rpm / engine.cylinders
        # The logged speed is the mean over so many of the last firings; a slow one shows in it from
        # its end on, and the reading is held until the next one ends.
        events = 1 if logger.average == "event" else max(1, engine.cylinders // 2)
        left, p = float(np.exp(-interval / engine.damping_s)), self.a.size
        out = []
        span = p + max(4, int(np.ceil(0.3 * logger.rate_hz)))
        for t, y, at in zip(truth.time, truth.speed, firings, strict=True):
            x = y - y.mean()
            windows = np.lib.stride_tricks.sliding_window_view(x, p + 1)
            e = np.concatenate([np.zeros(p), windows[:, -1] - windows[:, -2::-1] @ self.a])
            shown = at + interval
            first = np.searchsorted(t, shown)
            keep = (first >= p) & (first < t.size - span)
            shown, first = shown[keep], first[keep]
            rows = first[:, None] + np.arange(-p, span - p)
            done = np.floor((t[rows] - shown[:, None]) / interval)  # firings since
            slow = left ** np.maximum(done - events + 1, 0) - left ** (np.maximum(done, -1) + 1)
            shape = -engine.drop_rpm / events * slow / (1.0 - left)
            white = shape[:, p:].copy()
            for lag in range(1, p + 1):
                white -= self.a[lag - 1] * shape[:, p - lag : shape.shape[1] - lag]
            white /= self.sigma
            d2 = (white**2).sum(axis=1)
            score = (white * e[rows[:, p:]] / self.sigma).sum(axis=1)
            out.append((score, d2))
        return out


def firing_moments(truth: Truth, misses: list[Floats], rng: np.random.Generator) -> list[Floats]:
    """Moments at which the bad cylinder fires: through the misses, at its own pace between.

    The truth keeps misses; between them the cylinder fires once a cycle, followed with the mean
    speed. Healthy logs get an arbitrary cylinder.
    """
    cycle = 120.0 / truth.engine.speed_rpm
    out = []
    for t, missed in zip(truth.time, misses, strict=True):
        if missed.size == 0:
            out.append(np.arange(t[0] + rng.uniform(0, cycle), t[-1], cycle))
            continue
        knots = np.concatenate([[t[0]], missed, [t[-1]]])
        parts = []
        for a, b in pairwise(knots):
            count = max(1, round((b - a) / cycle))
            parts.append(a + (b - a) * np.arange(count) / count)
        out.append(np.concatenate(parts))
    return out


def likelihood(parts: list[tuple[Floats, Floats]], share: float) -> float:
    """Log likelihood ratio of misses with this share at each firing, against none."""
    total = 0.0
    for score, d2 in parts:
        total += float(np.logaddexp(np.log1p(-share), np.log(share) + score - 0.5 * d2).sum())
    return total


def smallest(shares: tuple[float, ...], power: list[float]) -> float:
    """Share at which the power passes 95 %, interpolated in its logarithm; inf where it never."""
    top = np.maximum.accumulate(power)
    if top[-1] < 0.95:
        return float("inf")
    k = int(np.argmax(top >= 0.95))
    if k == 0:
        return shares[0]
    f = (0.95 - top[k - 1]) / max(top[k] - top[k - 1], 1e-9)
    return float(np.exp(np.log(shares[k - 1]) + f * np.log(shares[k] / shares[k - 1])))


def at_rate(rate: float, engines: int, logs: int, seed: int) -> list[tuple[float, float, float]]:
    """(ours, told, false alarms) at a rate: power pooled over engines and loggers.

    First of what is called rough, then with single dips that are noted.
    """
    rng = np.random.default_rng([seed, int(rate)])
    ours, told = np.zeros((2, len(SHARES))), np.zeros(len(SHARES))
    alarms = np.zeros(2)
    for n in range(engines):
        idle, cruise, logger = pair(rng, rate)
        scale = float(np.exp(SCALE_SD * rng.standard_normal()))
        own = seed * 100_000 + n * 1000
        a, b = Told(idle, logger, own + 1), Told(cruise, logger, own + 2)
        quiet = [simulate(e, logger, logs=120, seconds=SECONDS, seed=own + 3 + k)
                 for k, e in enumerate((idle, cruise))]  # fmt: skip
        alarms += told_of(detect(quiet[0], quiet[1], scale))
        base = [who.scores(q, firing_moments(q, q.miss_time, rng))
                for who, q in zip((a, b), quiet, strict=True)]  # fmt: skip
        for s, share in enumerate(SHARES):
            null = [likelihood([x, y], share) for x, y in zip(*base, strict=True)]
            bar = float(np.quantile(null, 0.99))
            sick = [
                simulate(e, logger, logs=logs, seconds=SECONDS, seed=own + 10 + 2 * s + k,
                         misses=Misses(share))
                for k, e in enumerate((idle, cruise))
            ]  # fmt: skip
            ours[:, s] += told_of(detect(sick[0], sick[1], scale))
            scored = [who.scores(q, firing_moments(q, q.miss_time, rng))
                      for who, q in zip((a, b), sick, strict=True)]  # fmt: skip
            told[s] += sum(likelihood([x, y], share) > bar for x, y in zip(*scored, strict=True))
    count = engines * logs
    best = smallest(SHARES, list(told / count))
    return [(smallest(SHARES, list(row / count)), best, float(a) / (120 * engines))
            for row, a in zip(ours, alarms, strict=True)]  # fmt: skip


def told_of(found: list[Detection]) -> Floats:
    """(2,) how many logs are called rough, and how many with those of one dip that is noted."""
    rough = sum(d.found for d in found)
    return np.array([rough, rough + sum(d.suspected for d in found)], dtype=np.float64)


DISTURBED = {
    "loads that switch": Loads(switch_nm=4.0),
    "hunting": Loads(hunting_rpm=60.0),
    "rough road": Loads(road_nm=6.0),
    "cold fast idle": Loads(cold_s=30.0, cold_rpm=500.0),
    "great loads that switch": Loads(switch_nm=8.0, period_s=8.0),
    "lumpy cam": Loads(),
}


def disturbed(engines: int, seed: int) -> dict[str, Floats]:
    """False alarms (2,) of healthy engines under each disturbance, over all rates."""
    out = {}
    for name, loads in DISTURBED.items():
        rng = np.random.default_rng([seed, len(name)])
        alarms, total = np.zeros(2), 0
        for n in range(engines):
            idle, cruise, logger = pair(rng, float(RATES[n % len(RATES)]))
            if name == "lumpy cam":
                idle = replace(idle, lumpy=0.12, noise=0.1)
            q = [simulate(e, logger, logs=10, seconds=SECONDS, seed=seed + n + k, loads=loads)
                 for k, e in enumerate((idle, cruise))]  # fmt: skip
            found = detect(q[0], q[1], float(np.exp(SCALE_SD * rng.standard_normal())))
            alarms, total = alarms + told_of(found), total + len(found)
        out[name] = alarms / total
    return out


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--engines", type=int, default=12)
    parser.add_argument("--logs", type=int, default=20)
    parser.add_argument("--seed", type=int, default=2)
    parser.add_argument("--rates", type=float, nargs="*", default=list(RATES))
    options = parser.parse_args()
    out = sys.stdout
    out.write("rate Hz   told %   rough: ours %  ratio  false %   with single dips: ours %"
              "  ratio  false %\n")  # fmt: skip
    for rate in options.rates:
        rows = at_rate(rate, options.engines, options.logs, options.seed)
        out.write(f"{rate:7.0f} {100 * rows[0][1]:8.2f}" + "".join(
            f"{100 * ours:15.2f} {ours / told:6.2f} {100 * alarms:8.2f}"
            for ours, told, alarms in rows) + "\n")  # fmt: skip
        out.flush()
    for name, rate in disturbed(options.engines, options.seed).items():
        out.write(f"false alarms, {name}: {100 * rate[0]:.2f} %, with single dips "
                  f"{100 * rate[1]:.2f} %\n")  # fmt: skip


if __name__ == "__main__":
    main()
