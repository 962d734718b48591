"""sensors and leaks on simulated faults, and on healthy behaviour that looks like one."""

from dataclasses import replace

import pytest

from fixtures.cars import draw_car
from fixtures.drives import altitude, hot_restart, mixed_drive, very_cold
from fixtures.faults import FAULTS
from fixtures.simulate import simulate
from pipeline.registry import load_registry
from tests.judge.bridge import Judged, judge_run

REGISTRY = load_registry()
MINE = replace(REGISTRY, analyses={name: REGISTRY.analyses[name] for name in ("sensors", "leaks")})


def judged(seed: int, fault: str, strength: float) -> Judged:
    run = simulate(draw_car(seed), mixed_drive(seed, 12.0), (FAULTS[fault](strength),), seed)
    return judge_run(run, MINE)


@pytest.mark.parametrize(
    ("fault", "modes"),
    [
        ("sensor_fault_open", {"open"}),
        ("sensor_fault_short", {"short"}),
        ("sensor_fault_spike", {"spike", "noise"}),
        ("sensor_fault_saturated", {"saturated"}),
        ("sensor_fault_stuck", {"stuck"}),
        ("sensor_fault_dead", {"dead", "stuck"}),
    ],
)
def test_a_failed_sensor_is_named_with_its_mode(fault: str, modes: set[str]) -> None:
    run = judged(321, fault, 0.9)
    truth = next(f for f in run.run.truth.faults if f.kind == "sensor_fault")
    found = [f for f in run.findings if f.kind == "sensor_fault"]
    assert found, fault
    assert any(f.mode in modes and set(f.channels) & set(truth.channels) for f in found), [
        (f.mode, f.channels) for f in found
    ]


@pytest.mark.parametrize("drive", [altitude, hot_restart, very_cold])
def test_healthy_hard_drives_raise_no_sensor_and_no_leak(drive: object) -> None:
    run = judge_run(simulate(draw_car(322), drive(322), (), 322), MINE)  # type: ignore[operator]
    assert [f.kind for a in ("sensors", "leaks") for f in run.results[a].findings] == []


def test_an_exhaust_leak_reads_lean_at_little_flow() -> None:
    run = judged(323, "exhaust_leak", 0.9)
    kinds = [f.kind for f in run.results["leaks"].findings]
    assert kinds == ["exhaust_leak"]
