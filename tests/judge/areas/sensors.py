"""Sensors and leaks: every built-in sensor mode, both leaks by load sensing, healthy drives."""

from collections.abc import Iterator

from fixtures.faults import FAULTS
from pipeline.registry import Registry
from tests.judge.bridge import Judged
from tests.judge.harness import Case, fault_cases, healthy_cases

KINDS = ("sensor_fault", "intake_leak", "exhaust_leak")
SENSOR_FAULTS = tuple(sorted(n for n in FAULTS if n.startswith("sensor_fault")))


def cases(seed: int) -> Iterator[Case]:
    """Healthy drives of every kind, each sensor mode, and leaks with two earlier sessions."""
    yield from healthy_cases(seed)
    yield from fault_cases(seed, SENSOR_FAULTS)
    for sensing in ("speed_density", "air_meter", "throttle_speed"):
        yield from fault_cases(seed, ("intake_leak", "exhaust_leak"), earlier=2,
                               load_sensing=sensing)  # fmt: skip


def rows(judged: Judged, _registry: Registry) -> dict[str, float]:
    """Shares of true sensor faults with the right channel and the right mode among findings."""
    real = [f for f in judged.run.truth.faults if f.kind == "sensor_fault"]
    mine = [f for f in judged.findings if f.kind == "sensor_fault" and f.severity != "info"]
    if not real or not mine:
        return {}
    channel = any(set(m.channels) & set(real[0].channels) for m in mine)
    mode = any(m.mode == real[0].mode and set(m.channels) & set(real[0].channels) for m in mine)
    return {"right channel": float(channel), "right mode": float(mode)}
