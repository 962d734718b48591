"""wideband: references at lambda 1, their intervals, and what is no fault of the reading."""

import numpy as np
import pytest

from fixtures.cars import draw_car
from fixtures.drives import mixed_drive
from fixtures.faults import FAULTS
from fixtures.simulate import simulate
from pipeline.analysis._wideband_references import closed_loop, narrowband, two_readings
from pipeline.facts.mixture_inputs import MixtureInputs
from pipeline.registry import load_registry
from tests.judge.bridge import judge_run

TIME = np.arange(0.0, 300.0, 0.1)
ALL = np.ones(TIME.size, dtype=bool)


def inputs(reading: np.ndarray) -> MixtureInputs:
    """Five minutes of warm running at target 1, flow going up and down."""
    nought, flow = np.zeros(TIME.size), 10.0 + 6.0 * np.sin(TIME / 20.0)
    return MixtureInputs(
        channel="lambda", reading=reading, fresh=ALL, update_s=0.1, target=nought + 1.0,
        target_source="log", trim=nought + 1.0, trims_logged=True, rpm=nought + 2000.0,
        pressure=nought + 50.0, pressure_logged=True, flow=flow, flow_source="pressure",
        intake_c=nought + 30.0, coolant_c=nought + 85.0, pulse_ms=nought + 3.0,
        volts=nought + 14.0, fuelled=ALL, cut=~ALL, cut_known=True, settled=ALL, measured=ALL,
        at_rich_end=~ALL, since_start_s=TIME + 100.0, high_limit=np.inf,
        barometer_kpa=100.0, load_from_kpa=80.0,
    )  # fmt: skip


@pytest.mark.parametrize("error", [-0.04, 0.0, 0.03])
def test_a_loop_at_work_tells_the_readings_error_within_its_interval(error: float) -> None:
    rng = np.random.default_rng(5)
    trim = 2.0 * np.sin(TIME) + rng.normal(0.0, 0.2, TIME.size)
    reading = (1.0 + error) * (1.0 + 0.01 * np.sin(TIME * 1.3) + rng.normal(0, 0.005, TIME.size))
    found = closed_loop(TIME, inputs(reading), ALL, trim)
    assert found is not None
    assert found.even
    assert abs(found.error_pct - 100.0 * error) < found.half_pct + 0.1
    assert found.half_pct < 0.5


def test_a_loop_that_stands_still_is_no_reference() -> None:
    assert (
        closed_loop(TIME, inputs(np.full(TIME.size, 1.05)), ALL, np.full(TIME.size, 20.0)) is None
    )


def test_an_error_that_goes_with_flow_is_not_the_readings_scale() -> None:
    flow = inputs(np.ones(TIME.size)).flow
    found = closed_loop(TIME, inputs(1.0 + 0.4 / flow), ALL, np.sin(3.0 * TIME))
    assert found is not None
    assert not found.even


def test_a_narrowband_switches_at_lambda_one_whatever_the_lag() -> None:
    true = 1.0 + 0.02 * np.sin(2.0 * TIME)
    volts = np.where(true < 1.0, 0.8, 0.1)
    late = 1.03 * (1.0 + 0.02 * np.sin(2.0 * (TIME - 0.1)))
    found = narrowband(TIME, inputs(late), ALL, volts)
    assert found is not None
    assert found.error_pct == pytest.approx(3.0, abs=0.3)


@pytest.mark.parametrize(
    ("slope", "offset", "mode"),
    [(1.12, 0.02, "scale"), (0.95, -0.05, "scale"), (1.05, 0.05, "scale"), (1.0, 0.02, "offset"),
     (1.0, 0.1, "offset"), (1.0, -0.05, "offset")],
)  # fmt: skip
def test_two_readings_give_scale_and_offset_apart(slope: float, offset: float, mode: str) -> None:
    off, missed = 0.0, 0
    for seed in range(20):
        rng = np.random.default_rng(seed)
        first = np.repeat(rng.uniform(0.78, 1.05, 30), 100) + rng.normal(0.0, 0.003, TIME.size)
        second = 1.0 + offset + slope * (first - 1.0) + rng.normal(0.0, 0.003, TIME.size)
        found = two_readings(TIME, first, second, ALL)
        assert found is not None
        assert found.slope_half is not None
        assert found.mode == mode
        off = max(off, abs(found.slope - slope), abs(found.error_pct / 100.0 - offset))
        missed += abs(found.slope - slope) > found.slope_half
        missed += abs(found.error_pct - 100.0 * offset) > found.half_pct
    assert off < 0.01
    assert missed <= 4  # of 40, two by chance


def test_one_mixture_gives_the_difference_and_no_slope() -> None:
    first = 1.0 + np.random.default_rng(6).normal(0.0, 0.003, TIME.size)
    found = two_readings(TIME, first, 1.05 * first, ALL)
    assert found is not None
    assert (found.slope_half, found.mode) == (None, "offset")


@pytest.mark.parametrize("strength", [None, 0.8])
def test_a_scaled_gauge_is_found_beside_a_live_loop_and_a_sound_one_is_not(
    strength: float | None,
) -> None:
    faults = () if strength is None else (FAULTS["sensor_fault_scale"](strength),)
    run = simulate(draw_car(301, closed_loop=True), mixed_drive(301, 5.0), faults)
    judged = judge_run(run, load_registry(), strict=True)
    assert [(f.mode, f.channels) for f in judged.findings if f.kind == "sensor_fault"] == (
        [] if strength is None else [("scale", ["lambda"])]
    )
    assert "by the closed loop" in judged.results["wideband"].why
    assert judged.results["sensors"].digest["scale_not_judged"] == []
    first = judged.results["diagnosis"].diagnosis[:1]
    assert [d.cause for d in first if strength] == (
        [] if strength is None else ["wideband scale, offset or ground"]
    )
