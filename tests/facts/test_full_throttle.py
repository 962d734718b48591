import numpy as np
import pytest

from tests.analysis.pull_logs import BAROMETER, RATIO, fact, log


def test_runs_gears_and_barometer() -> None:
    channels = log(runs=3)
    runs = fact(channels, "full_throttle_runs").runs
    assert [round(r.start_s, 1) for r in runs] == [35.0, 56.0, 77.0]
    assert runs[0].rpm_end == pytest.approx(6000.0, abs=130.0)
    gears = fact(channels, "gears")
    assert gears.ratios == pytest.approx([RATIO], rel=0.01)
    air = fact(channels, "atmosphere")
    assert (air.source, air.median_kpa) == ("log", BAROMETER)


def test_a_blip_is_no_run_and_half_throttle_is_none() -> None:
    assert not fact(log(runs=1, run_s=0.8), "full_throttle_runs").runs
    channels = log(runs=1)
    channels["manifold_pressure"] = np.minimum(channels["manifold_pressure"], 75.0)
    assert not fact(channels, "full_throttle_runs").runs


def test_implausible_barometer_is_set_aside_for_the_resting_manifold() -> None:
    channels = log(runs=1)
    channels["barometric_pressure"] = np.full(channels["time"].size, 35.0)
    rest = channels["time"] < 5.0
    channels["engine_speed"] = np.where(rest, 0.0, channels["engine_speed"])
    channels["manifold_pressure"] = np.where(rest, 92.0, channels["manifold_pressure"])
    air = fact(channels, "atmosphere")
    assert (air.source, air.median_kpa) == ("manifold_at_rest", 92.0)


def test_site_pressure_where_nothing_else_is_known() -> None:
    channels = log(runs=1)
    del channels["barometric_pressure"]
    # Source: US Standard Atmosphere 1976, 1000 m: 89.876 kPa.
    air = fact(channels, "atmosphere", "[site]\naltitude_m = 1000\n")
    assert (air.source, air.median_kpa) == ("site", pytest.approx(89.876, abs=0.002))


def test_spool_by_its_definition() -> None:
    # A straight rise to 180 kPa in 1.2 s from 100 kPa is at 90 % of the gauge pressure at 1.08 s.
    run = fact(log(runs=1), "boost_runs").runs[0]
    assert run.spool_s == pytest.approx(1.08, abs=0.06)
    assert run.spool_rpm == pytest.approx(2400 + 3600 * 1.08 / 6, abs=40)
    assert run.error_kpa == pytest.approx(0.0, abs=0.5)
