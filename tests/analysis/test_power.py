import numpy as np
import pytest

from tests.analysis.pull_logs import VEHICLE, log, results


def test_power_by_hand_and_its_interval() -> None:
    result = results(log(), "power")["power"]
    # 600 rpm/s over 60 rpm per km/h is 2.778 m/s2; at 95.8 km/h, the last half second, 1400 kg,
    # rolling, and air of 100 kPa and 20 degC (1.188 kg/m3): force times speed, by hand.
    speed = 95.8 / 3.6
    force = 1400 * (2.7778 + 9.80665 * 0.012) + 0.5 * 1.188 * 0.65 * speed**2
    value = result.metrics["power_peak_kw"]
    assert value.value == pytest.approx(force * speed / 1000.0, rel=0.01)
    assert value.low is not None and value.high is not None
    assert value.low < value.value < value.high
    # Mass is an assumption, said with its interval: 5 % less, 18 % more than the file's 1400 kg.
    assert "a mass of 1400 kg (file; 1330 to 1652 kg" in result.why
    table = next(f for f in result.figures if f.id == "power-assumptions")
    rows = {row[0]: row[1] for row in table.rows}
    assert rows["mass at least (95 %)"] == pytest.approx(1330.0)
    assert rows["mass at most (95 %)"] == pytest.approx(1652.0)


def test_no_power_that_no_air_could_give() -> None:
    """108 kW where 0.3 litres at 180 kPa burn for 25 at most: a bump or a bad speed reading."""
    channels = log()
    channels["intake_air_temperature"] = np.full(channels["time"].size, 30.0)
    given = VEHICLE.replace("displacement_l = 2.0", "displacement_l = 0.3")
    assert results(channels, "power", toml=given)["power"].status == "not_judged"
    assert results(channels, "power")["power"].status == "clear"
    # An assumed size of the engine is no such bound.
    assumed = VEHICLE.replace("displacement_l = 2.0", "").replace(
        "mass_kg = 1400", "mass_kg = 5000"
    )
    assert results(channels, "power", toml=assumed)["power"].status == "clear"


def test_no_gear_no_power() -> None:
    channels = log()
    rng = np.random.default_rng(1)
    size = channels["time"].size
    channels["vehicle_speed"] = channels["vehicle_speed"] * rng.uniform(0.5, 1.5, size)
    assert results(channels, "power")["power"].status == "not_judged"


def test_table_of_runs_times_the_fixed_span() -> None:
    channels = log()
    result = results(channels, "runs_table")["runs_table"]
    table = result.figures[0]
    # 46 and 77 % of 6500 rpm are 3000 and 5000 rpm; at 600 rpm/s that takes 3.33 s.
    assert result.digest["span_rpm"] == [3000.0, 5000.0]
    assert [row[4] for row in table.rows] == pytest.approx([3.33] * 3, abs=0.03)


def test_proven_range_needs_target_and_nothing_open() -> None:
    channels = log()
    size = channels["time"].size
    both = ("operating_range", "proven_range")
    assert results(channels, *both)["proven_range"].status == "not_judged"
    channels["lambda"] = 0.90 + 0.01 * np.sin(np.arange(size))
    channels["lambda_target"] = np.full(size, 0.90)
    good = results(channels, *both)["proven_range"]
    assert good.proven_range and good.next_log
    high = log(plateau=200.0, target=180.0)
    high |= {"lambda": channels["lambda"], "lambda_target": channels["lambda_target"]}
    held = results(high, "boost", *both)["proven_range"]
    assert max(c.kpa for c in held.proven_range) < 200.0 - 20.0
