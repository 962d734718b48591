"""Where the pipeline's detector of missing firings stays behind the one that is told everything.

``python -m tests.bench.roughness_ladder [--rates R ...] [--engines N] [--logs N] [--seed N]``
prints, per rate, the smallest share found with 95 % power when one thing at a time is taken away,
on the same logs (see `tests.bench.roughness`):

- told: the near-optimal detector, whose threshold is set at 1 % on healthy logs of the very engine.
- own bar: the pipeline's likelihood of misses, its threshold set in the same way. It is told
  neither noise, response, inertia, averaging, share nor moments; what separates it from the first
  is all that this costs, with its guards against loads, echoes and other shapes.
- one bar: one threshold for all engines, at 1 % of their healthy logs together.
- landed: the pipeline's own threshold, which has to hold with disturbances, too (single dips).
- two falls: what is called rough running.

And how often either calls the same engines' healthy logs with disturbances in them. The detector
that is told the noise is told it without them.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.signals.misfire_decision import Detection
from tests.bench.roughness import (
    DISTURBED,
    SCALE_SD,
    SECONDS,
    SHARES,
    Told,
    detect,
    firing_moments,
    likelihood,
    pair,
    smallest,
)
from tests.bench.roughness_truth import Engine, Loads, Logger, Misses, Truth, simulate

Floats = NDArray[np.float64]
NAMES = ("told", "own bar", "one bar", "landed", "two falls")
QUIET, FALSE = 120, 0.01
#: Share that the told detector is told of in disturbed logs.
TOLD_SHARE = 0.003


@dataclass(frozen=True)
class Seen:
    """Heights of one engine's logs, told and ours (logs,), and what ours calls (2, logs)."""

    told: dict[float, Floats]
    ours: Floats
    called: NDArray[np.bool_]


@dataclass(frozen=True)
class Trial:
    """One engine: its healthy logs, those at each share, and its disturbed ones."""

    quiet: Seen
    sick: dict[float, Seen]
    disturbed: dict[str, Seen]


def height(found: Detection) -> float:
    """Evidence of one log on the scale of the threshold: a line or skewness is beyond any."""
    if found.by_line or found.by_skew:
        return float("inf")
    return -float(np.log(found.single_p))


def trial(
    idle: Engine, cruise: Engine, logger: Logger, *, scale: float, logs: int, own: int,
    rng: np.random.Generator,
) -> Trial:  # fmt: skip
    """Look at one engine's logs with both detectors."""
    tolds = [Told(idle, logger, own + 1), Told(cruise, logger, own + 2)]

    def seen(truths: Sequence[Truth], shares: Sequence[float]) -> Seen:
        scored = [who.scores(q, firing_moments(q, q.miss_time, rng))
                  for who, q in zip(tolds, truths, strict=True)]  # fmt: skip
        told = {s: np.array([likelihood(list(x), s) for x in zip(*scored, strict=True)])
                for s in shares}  # fmt: skip
        found = detect(truths[0], truths[1], scale)
        called = np.array([[d.found for d in found], [d.found or d.suspected for d in found]])
        return Seen(told, np.array([height(d) for d in found]), called)

    def logged(count: int, seed: int, misses: Misses, loads: Loads,
               lumpy: float = 0.0) -> list[Truth]:  # fmt: skip
        pair_ = (replace(idle, lumpy=lumpy, noise=0.1 if lumpy else idle.noise), cruise)
        return [simulate(e, logger, logs=count, seconds=SECONDS, seed=seed + k, misses=misses,
                         loads=loads) for k, e in enumerate(pair_)]  # fmt: skip

    return Trial(
        seen(logged(QUIET, own + 3, Misses(), Loads()), SHARES),
        {s: seen(logged(logs, own + 10 + 2 * i, Misses(s), Loads()), (s,))
         for i, s in enumerate(SHARES)},
        {name: seen(logged(logs, own + 500 + 2 * i, Misses(), loads,
                           0.12 if name == "lumpy cam" else 0.0), (TOLD_SHARE,))
         for i, (name, loads) in enumerate(DISTURBED.items())},
    )  # fmt: skip


def trials(rate: float, engines: int, logs: int, seed: int) -> list[Trial]:
    """The engines of `tests.bench.roughness` at this rate and seed."""
    rng = np.random.default_rng([seed, int(rate)])
    out = []
    for n in range(engines):
        idle, cruise, logger = pair(rng, rate)
        scale = float(np.exp(SCALE_SD * rng.standard_normal()))
        out.append(trial(idle, cruise, logger, scale=scale, logs=logs,
                         own=seed * 100_000 + n * 1000, rng=rng))  # fmt: skip
    return out


def rungs(found: Sequence[Trial]) -> Floats:
    """Smallest share (NAMES,) found with 95 % power on each rung."""
    bar = float(np.quantile(np.concatenate([t.quiet.ours for t in found]), 1.0 - FALSE))

    def told(t: Trial, share: float) -> float:
        return float(np.mean(t.sick[share].told[share] > _bar(t.quiet.told[share])))

    powers: tuple[Callable[[Trial, float], float], ...] = (
        told,
        lambda t, s: float(np.mean(t.sick[s].ours > _bar(t.quiet.ours))),
        lambda t, s: float(np.mean(t.sick[s].ours > bar)),
        lambda t, s: float(np.mean(t.sick[s].called[1])),
        lambda t, s: float(np.mean(t.sick[s].called[0])),
    )
    return np.array([
        smallest(SHARES, [float(np.mean([power(t, s) for t in found])) for s in SHARES])
        for power in powers
    ])  # fmt: skip


def _bar(heights: Floats) -> float:
    return float(np.quantile(heights, 1.0 - FALSE))


def false_alarms(found: Sequence[Trial]) -> dict[str, tuple[float, float, float]]:
    """Share of healthy logs called by (told, two falls, single dips), without and with loads."""
    out = {"none": (FALSE, *_both([t.quiet for t in found]))}
    for name in DISTURBED:
        told = [
            np.mean(t.disturbed[name].told[TOLD_SHARE] > _bar(t.quiet.told[TOLD_SHARE]))
            for t in found
        ]
        out[name] = (float(np.mean(told)), *_both([t.disturbed[name] for t in found]))
    return out


def _both(seen: Sequence[Seen]) -> tuple[float, float]:
    two, one = np.mean([s.called.mean(axis=1) for s in seen], axis=0)
    return float(two), float(one)


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--engines", type=int, default=8)
    parser.add_argument("--logs", type=int, default=10)
    parser.add_argument("--seed", type=int, default=2)
    parser.add_argument("--rates", type=float, nargs="*", default=[8.0, 25.0, 50.0])
    options = parser.parse_args()
    out = sys.stdout
    out.write("rate Hz   told %, then x told: " + ", ".join(NAMES[1:]) + "\n")
    for rate in options.rates:
        found = trials(rate, options.engines, options.logs, options.seed)
        shares = rungs(found)
        out.write(f"{rate:7.0f} {100 * shares[0]:8.2f}"
                  + "".join(f"{s / shares[0]:8.2f}" for s in shares[1:]) + "\n")  # fmt: skip
        for name, (told, two, one) in false_alarms(found).items():
            out.write(f"        false alarms, disturbance {name}: told {100 * told:.1f} %, "
                      f"two falls {100 * two:.1f} %, single dips {100 * one:.1f} %\n")  # fmt: skip
        out.flush()


if __name__ == "__main__":
    main()
