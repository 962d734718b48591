"""Rough running, hunting and misfire under load: kinds, figures, what could have shown."""

from collections.abc import Iterator

from fixtures.cars import draw_car
from fixtures.drives import mixed_drive, warm_idle
from fixtures.faults import FAULTS
from pipeline.registry import Registry
from tests.judge.bridge import Judged
from tests.judge.harness import Case, fault_cases, healthy_cases

KINDS = ("rough_running", "idle_hunting", "misfire_under_load")
NAMES = ("rough_running", "rough_running_injector", "idle_hunting", "idle_hunting_lambda",
         "idle_hunting_cut", "misfire_under_load")  # fmt: skip
RATES = (8.0, 10.0, 15.0, 20.0, 25.0, 50.0)


def cases(seed: int) -> Iterator[Case]:
    """Healthy drives; each fault; rough running at every rate, idle and mixed."""
    yield from healthy_cases(seed)
    yield from fault_cases(seed, NAMES)
    for k, rate in enumerate(RATES):
        own = seed * 100 + k
        drive = (warm_idle if k % 2 else mixed_drive)(own, 6.0, rate)
        fault = FAULTS["rough_running"](0.15 * k)
        yield Case(f"rough_running at {rate:.0f} Hz", draw_car(own), drive, (fault,), seed=own)


def rows(judged: Judged, _registry: Registry) -> dict[str, float]:
    """Limit of detection in % of one cylinder's firings; error of the share where found."""
    out: dict[str, float] = {}
    limits = judged.results["roughness"].limits_of_detection.get("rough_running")
    if limits is not None and limits.smallest is not None:
        out["rough_running limit, %"] = limits.smallest.value
    # The truth keeps the strength; the fault's own rule makes the share of it.
    true = [
        float(FAULTS["rough_running"](f.strength).changes["miss_share"])
        for f in judged.run.truth.faults
        if f.kind == "rough_running"
    ]
    found = [f for f in judged.findings if f.kind == "rough_running"]
    if true and found and "share_of_one_cylinder" in found[0].evidence:
        share = found[0].evidence["share_of_one_cylinder"].value
        out["share found over true"] = share / (100.0 * true[0])
    return out
