"""States against truth: share of time right per state, and how far transitions lie off."""

from collections.abc import Iterator

import numpy as np

from fixtures.cars import draw_car
from fixtures.drives import DRIVES
from pipeline.facts.states import States
from pipeline.registry import Registry
from tests.judge.bridge import Judged, fact_of
from tests.judge.harness import Case

FACTS = True
CRISP = {("cranking", "after_start"), ("key_on", "cranking"), ("after_start", "stopped"),
         ("idle", "stopped")}  # fmt: skip


def cases(seed: int) -> Iterator[Case]:
    """All healthy drives at several rates."""
    car = draw_car(seed, boosted=seed % 3 != 0, cylinders=(4, 6, 3, 5, 8)[seed % 5])
    for number, (name, drive) in enumerate(DRIVES.items()):
        rate = (25.0, 10.0, 50.0, 15.0)[(seed + number) % 4]
        yield Case(name, car, drive(seed, rate_hz=rate))


def rows(judged: Judged, registry: Registry) -> dict[str, float]:
    """Percent of time right, per true state, and seconds off at clear transitions."""
    run = judged.run
    states = fact_of(run, registry, "states")
    assert isinstance(states, States)
    time = run.frame[run.columns["time"]].to_numpy()
    true = np.full(time.size, "", dtype="<U12")
    for name, start, end in run.truth.states:
        true[(time >= start) & (time < end)] = name
    labels = np.array([*states.labels, ""])
    mine = labels[states.code]
    weight = np.diff(time, append=time[-1:])
    out: dict[str, float] = {"all, % of time": 100.0 * _share(true == mine, weight)}
    for name in states.labels:
        here = true == name
        if weight[here].sum() > 1.0:
            out[f"{name}, % right"] = 100.0 * _share(mine[here] == name, weight[here])
    edges = np.array([i.start_s for i in states.intervals])
    for (a, _, _), (b, start, _) in zip(run.truth.states[:-1], run.truth.states[1:], strict=True):
        if (a, b) in CRISP and edges.size:
            key = f"{a} to {b}, s off"
            out[key] = max(out.get(key, 0.0), float(np.min(np.abs(edges - start))))
    return out


def _share(right: np.ndarray, weight: np.ndarray) -> float:
    return float(weight[right].sum() / max(weight.sum(), 1e-9))
