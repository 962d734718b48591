"""Injectors, fuel pressure, charge temperature, exhaust heat."""

import numpy as np
import pytest

from tests.analysis.pull_logs import BAROMETER, kinds, log, results


def _with_pulse(duty_at_6000: float, idle_ms: float = 2.5) -> dict[str, np.ndarray]:
    channels = log()
    rpm = channels["engine_speed"]
    pulse = np.full(rpm.size, idle_ms)
    wide = channels["throttle_position"] > 50.0
    # By definition a pulse of 20 ms is 100 % at 6000 rpm.
    pulse[wide] = duty_at_6000 / 100.0 * 20.0
    channels["injector_pulse_width"] = pulse
    return channels


def test_duty_from_pulse_width_by_definition() -> None:
    result = results(_with_pulse(70.0), "injectors")["injectors"]
    assert result.metrics["injector_duty_max_pct"].value == pytest.approx(70.0, abs=0.5)
    assert result.digest["rev_limit_duty"] == pytest.approx(70.0 * 6500 / 6000, abs=1.0)
    assert not result.findings


@pytest.mark.parametrize(("duty", "severity"), [(90.0, "watch"), (106.0, "act")])
def test_injector_limit(duty: float, severity: str) -> None:
    assert kinds(results(_with_pulse(duty), "injectors")["injectors"]) == {
        "injector_limit": severity
    }


def test_injector_limit_with_lean_is_stop() -> None:
    channels = _with_pulse(106.0)
    channels["lambda_target"] = np.full(channels["time"].size, 0.85)
    channels["lambda"] = np.where(channels["engine_speed"] > 5500.0, 0.98, 0.85)
    assert kinds(results(channels, "injectors")["injectors"]) == {"injector_limit": "stop"}


def test_injector_minimum_is_net_of_dead_time() -> None:
    result = results(_with_pulse(70.0, idle_ms=1.6), "injectors")["injectors"]
    assert kinds(result) == {"injector_minimum": "watch"}
    assert result.findings[0].evidence["net_pulse"].value == pytest.approx(0.6)
    # 0.77 ms is below the limit by less than one number for the dead time leaves open.
    near = results(_with_pulse(70.0, idle_ms=1.77), "injectors")["injectors"]
    assert kinds(near) == {"injector_minimum": "info"}
    assert near.findings[0].confidence < result.findings[0].confidence
    assert not results(_with_pulse(70.0, idle_ms=1.82), "injectors")["injectors"].findings


def _with_rail(drop: float) -> dict[str, np.ndarray]:
    channels = log()
    pressure = channels["manifold_pressure"]
    channels["fuel_pressure"] = 300.0 + pressure - BAROMETER
    channels["fuel_pressure"] -= np.where(channels["engine_speed"] > 4500.0, drop, 0.0)
    return channels


def test_fuel_pressure_over_the_manifold() -> None:
    good = results(_with_rail(5.0), "fuel_pressure")["fuel_pressure"]
    assert good.status == "clear"
    assert good.metrics["fuel_pressure_min_kpa"].value == pytest.approx(295.0, abs=0.5)
    bad = results(_with_rail(35.0), "fuel_pressure")["fuel_pressure"]
    assert kinds(bad) == {"low_fuel_pressure": "act"}
    assert "pump" in bad.findings[0].likely_causes[0].cause


def test_unreferenced_regulator_is_told_from_a_pump() -> None:
    channels = log()
    channels["fuel_pressure"] = np.full(channels["time"].size, 300.0)
    finding = results(channels, "fuel_pressure")["fuel_pressure"].findings[0]
    assert "hose" in finding.likely_causes[0].cause


def _with_intake(celsius: float) -> dict[str, np.ndarray]:
    channels = log(runs=5)
    channels["intake_air_temperature"] = np.full(channels["time"].size, celsius)
    return channels


def test_hot_intake_and_effectiveness() -> None:
    hot = results(_with_intake(65.0), "intake_air")["intake_air"]
    assert kinds(hot) == {"hot_intake": "watch"}
    cool = results(_with_intake(45.0), "intake_air")["intake_air"]
    assert not cool.findings
    # Pressure ratio 1.85 from 20 degC at 68 %: 293.15 (1.85^0.2857 - 1)/0.68 = 82.8 K of rise;
    # 25 K of it left makes an effectiveness of 0.70.
    assert cool.metrics["intercooler_effectiveness"].value == pytest.approx(0.698, abs=0.01)


@pytest.mark.parametrize(("celsius", "severity"), [(920.0, "watch"), (970.0, "act")])
def test_hot_exhaust(celsius: float, severity: str) -> None:
    channels = log()
    wide = channels["throttle_position"] > 50.0
    channels["exhaust_gas_temperature"] = np.where(wide, celsius, 600.0)
    assert kinds(results(channels, "exhaust_heat")["exhaust_heat"]) == {"hot_exhaust": severity}
