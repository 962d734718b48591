"""Mixture: kinds under and below load, delay, idle lambda."""

from collections.abc import Iterator

from tests.judge.harness import Case, Target, fault_cases, healthy_cases

KINDS = ("lean_under_load", "rich_under_load", "lean_target", "lean_running", "rich_running",
         "trim_limit")  # fmt: skip
METRICS = {"exhaust_delay_ms": Target("exhaust_delay_ms", 25.0, "ms")}
NAMES = ("lean_under_load", "lean_under_load_pump", "rich_under_load", "lean_target",
         "lean_running", "rich_running", "trim_limit")  # fmt: skip


def cases(seed: int) -> Iterator[Case]:
    """Healthy drives of every kind, each fault weak and strong."""
    yield from healthy_cases(seed)
    yield from fault_cases(seed, NAMES, minutes=12.0)
