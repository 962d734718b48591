"""Judging analyses against simulated truth.

An area is a module in ``tests/judge/areas/``. It offers any of:

``KINDS``            finding kinds it answers for
``cases(seed)``      iterable of `Case`: what to simulate for a seed
``METRICS``          name -> `Target`: truth of a metric and the tolerance
``rows(judged)``     further figures of one judged run, name -> number; the table shows median,
                     95th percentile and extremes over all runs
``also_true(run, case)`` kinds that hold in this run though the simulator's own list has them
                     weaker or not at all (measured against a second, healthy run)
``FACTS``            True when ``rows`` needs only ``judged.run`` and facts (no analyses are run)

Scores: a true fault with a margin of `MUST` or more has to be found at ``watch`` or higher
(``recall``); a finding at ``watch`` or higher is right when the truth holds that kind with at
least `MAY`, excused when a built-in cause may honestly show it, else false. ``not_judged`` is a
miss like any other. Healthy hours count runs without a built-in fault.
"""

from __future__ import annotations

import importlib
import pkgutil
import time
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import ModuleType
from typing import Any

import numpy as np

import tests.judge.areas
from fixtures.cars import Car, draw_car
from fixtures.drives import DRIVES, Drive, mixed_drive
from fixtures.faults import FAULTS
from fixtures.machine import Fault
from fixtures.simulate import Run, simulate
from pipeline.logbook import Entry
from pipeline.registry import Registry
from tests.judge.bridge import Judged, judge_run

MUST = 1.2  # beyond the contract's threshold by this factor: has to be found
MAY = 0.75  # from here on a finding is no false alarm
SLACK_S = 5.0  # a finding may begin or end this much beside the true interval
LOUD = ("watch", "act", "stop")


@dataclass(frozen=True)
class Case:
    """One thing to simulate. ``earlier``: drives of the same car before it, healthy.

    ``logbook``: what the owner wrote down before it.
    """

    name: str
    car: Car
    drive: Drive
    faults: tuple[Fault, ...] = ()
    earlier: tuple[Drive, ...] = ()
    seed: int = 7
    logbook: tuple[Entry, ...] = ()


@dataclass(frozen=True)
class Target:
    """Truth of a metric: a name in ``truth.scalars`` or a function, and what error is allowed."""

    truth: str | Callable[[Run], float | None]
    tolerance: float
    unit: str

    def of(self, run: Run) -> float | None:
        """The true value, None where this run has none."""
        if isinstance(self.truth, str):
            value = run.truth.scalars.get(self.truth)
        else:
            value = self.truth(run)
        return None if value is None or not np.isfinite(value) else float(value)


@dataclass
class Score:
    """What was counted for one finding kind."""

    true: int = 0
    found: int = 0
    right: int = 0
    excused: int = 0
    wrong: int = 0
    early_s: list[float] = field(default_factory=list)
    missed_in: list[str] = field(default_factory=list)
    wrong_in: list[str] = field(default_factory=list)


@dataclass
class Tally:
    """What was counted for one area."""

    kinds: dict[str, Score] = field(default_factory=lambda: defaultdict(Score))
    false_healthy: int = 0
    healthy_hours: float = 0.0
    confidence: list[tuple[float, bool]] = field(default_factory=list)
    errors: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    missing: dict[str, int] = field(default_factory=lambda: defaultdict(int))
    covered: dict[str, list[bool]] = field(default_factory=lambda: defaultdict(list))
    rows: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    failed: dict[str, int] = field(default_factory=lambda: defaultdict(int))
    runs: int = 0
    seconds: float = 0.0


def healthy_cases(seed: int, names: Sequence[str] = tuple(DRIVES)) -> Iterator[Case]:
    """Every hard healthy kind, in cars of many builds."""
    car = draw_car(
        seed,
        cylinders=(4, 6, 4, 3, 5, 8)[seed % 6],
        boosted=seed % 4 != 3,
        load_sensing="air_meter" if seed % 5 == 4 else "speed_density",
        injection="batch" if seed % 7 == 5 else "sequential",
        fuel_kind="e85" if seed % 9 == 8 else "petrol",
        lumpy=seed % 8 == 5,
    )
    for name in names:
        yield Case(f"healthy {name}", car, DRIVES[name](seed))


def fault_cases(
    seed: int, names: Iterable[str], strengths: Sequence[float] = (0.3, 0.8),
    drive: Callable[..., Drive] = mixed_drive, earlier: int = 0, minutes: float = 14.0,
    **car: Any,
) -> Iterator[Case]:  # fmt: skip
    """Built-in faults in one car of this seed, weak to strong, with ``earlier`` healthy drives."""
    mine = draw_car(seed, **car)
    before = tuple(mixed_drive(seed * 100 + k, 10.0) for k in range(earlier))
    for name in names:
        for strength in strengths:
            yield Case(f"{name} {strength:g}", mine, drive(seed, minutes),
                       (FAULTS[name](strength),), before)  # fmt: skip


def areas(names: Sequence[str] = ()) -> dict[str, ModuleType]:
    """Areas found by being there."""
    found = sorted(m.name for m in pkgutil.iter_modules(tests.judge.areas.__path__))
    unknown = set(names) - set(found)
    if unknown:
        raise SystemExit(f"no area {', '.join(sorted(unknown))}; there are {', '.join(found)}")
    return {
        name: importlib.import_module(f"tests.judge.areas.{name}")
        for name in found
        if not name.startswith("_") and (not names or name in names)
    }


def judge_area(area: ModuleType, seeds: Iterable[int], registry: Registry) -> Tally:
    """Simulate an area's cases for all seeds and count."""
    tally = Tally()
    start = time.process_time()
    for seed in seeds:
        known: dict[tuple[Any, ...], tuple[Judged, ...]] = {}
        for case in area.cases(seed):
            run = simulate(case.car, case.drive, case.faults, case.seed)
            if getattr(area, "FACTS", False):
                judged = Judged(run, None, {})  # type: ignore[arg-type]
            else:
                key = (case.car, tuple((d.name, d.seed) for d in case.earlier))
                if key not in known:
                    known[key] = _before(case, registry)
                judged = judge_run(run, registry, earlier=known[key],
                                   logbook=case.logbook)  # fmt: skip
            tally.runs += 1
            where = f"seed {seed} {case.name}"
            also = area.also_true(run, case) if hasattr(area, "also_true") else frozenset()
            _count_findings(tally, judged, case, getattr(area, "KINDS", ()), where, also)
            _count_metrics(tally, judged, getattr(area, "METRICS", {}))
            for name, result in judged.results.items():
                if result.status == "failed":
                    tally.failed[f"{name}: {result.why}"] += 1
            if hasattr(area, "rows"):
                for name, value in area.rows(replace(judged, case=case), registry).items():
                    if np.isfinite(value):
                        tally.rows[name].append(float(value))
    tally.seconds = time.process_time() - start
    return tally


def _before(case: Case, registry: Registry) -> tuple[Judged, ...]:
    done: list[Judged] = []
    for number, drive in enumerate(case.earlier):
        run = simulate(case.car, drive, (), case.seed + 1 + number)
        done.append(judge_run(run, registry, earlier=done, name=f"before-{number}"))
    return tuple(done)


def _count_findings(
    tally: Tally, judged: Judged, case: Case, kinds: Sequence[str], where: str,
    also: frozenset[str],
) -> None:  # fmt: skip
    truth = judged.run.truth
    loud = [f for f in judged.findings if f.severity in LOUD and f.kind in kinds]
    hours = float(judged.run.frame[judged.run.columns["time"]][-1]) / 3600.0
    if not case.faults:
        tally.healthy_hours += hours
    for kind in kinds:
        score = tally.kinds[kind]
        real = [f for f in truth.faults if f.kind == kind]
        mine = [f for f in loud if f.kind == kind]
        strong = [f for f in real if f.margin >= MUST or (f.margin == 1.0 and f.strength >= 0.25)]
        if strong:
            score.true += 1
            hit = any(
                m.start_s <= r.end_s + SLACK_S and m.end_s >= r.start_s - SLACK_S
                for m in mine for r in strong
            )  # fmt: skip
            score.found += hit
            if not hit:
                score.missed_in.append(where)
        holds = any(f.margin >= MAY for f in real) or kind in also
        for finding in mine:
            if holds:
                score.right += 1
            elif kind in truth.also:
                score.excused += 1
            else:
                score.wrong += 1
                score.wrong_in.append(where)
                if not case.faults:
                    tally.false_healthy += 1
            if kind not in truth.also or holds:
                tally.confidence.append((finding.confidence, holds))


def _count_metrics(tally: Tally, judged: Judged, targets: Mapping[str, Target]) -> None:
    if not targets:
        return
    metrics = judged.metrics
    for name, target in targets.items():
        true = target.of(judged.run)
        if true is None:
            continue
        metric = metrics.get(name)
        if metric is None:
            tally.missing[name] += 1
            continue
        tally.errors[name].append(metric.value - true)
        if metric.low is not None and metric.high is not None:
            tally.covered[name].append(metric.low <= true <= metric.high)
