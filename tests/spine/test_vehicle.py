"""The vehicle file: every key optional, every mistake one line with its cure."""

import re
from pathlib import Path

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.channels import CHANNELS
from pipeline.limits import Limits
from pipeline.vehicle import DEFAULT_VEHICLE, DeadTime, Vehicle, VehicleError, parse_vehicle

WHOLE = b"""
units = "us"
[vehicle]
name = "invented"
mass_kg = 1200
drag_area_m2 = 0.7
rolling_resistance = 0.012
[engine]
displacement_l = 1.8
cylinders = 4
compression_ratio = 8.5
bore_mm = 81
stroke_mm = 86.4
rod_mm = 144
forced_induction = true
rev_limit_rpm = 7000
idle_rpm = 900
thermostat_c = 87
load_sensing = "speed_density"
[fuel]
kind = "e10"
stoichiometric_ratio = 14.1
octane_ron = 98
[site]
altitude_m = 450
[injector]
flow_cc_min = 440
rated_pressure_kpa = 300
dead_time_ms = {volts = [8, 12, 14], ms = [2.4, 1.2, 0.9]}
shots_per_cycle = 1
referenced_regulator = true
[lambda_sensor]
display_ratio = 14.7
position = "after_turbine"
pipe_volume_l = 2.5
[manifold_pressure_sensor]
range_kpa = 300
[fuel_table]
rpm = [800, 1500, 3000]
load_kpa = [30, 60, 100]
[lambda_target]
rpm = [800, 3000]
load_kpa = [40, 100, 180]
values = [[1, 1], [0.95, 0.92], [0.82, 0.8]]
[log]
rate_hz = 20
[channels]
"Foo" = "engine_speed"
"Bar" = {channel = "lambda", unit = "1", scale = 0.1, offset = 0.5}
"Baz" = "ignore"
"Tick" = "time"
[limits]
lean_load_pct = 6
manifold_pressure_max_kpa = 200
[privacy]
keep_position = false
"""


def parse(text: bytes) -> Vehicle:
    return parse_vehicle(text, channel_names=CHANNELS)


def test_every_key_of_the_contract_is_taken() -> None:
    vehicle = parse(WHOLE)
    assert vehicle.units == "us"
    assert vehicle.engine.bore_mm == 81
    assert isinstance(vehicle.injector.dead_time_ms, DeadTime)
    assert vehicle.limits.manifold_pressure_max_kpa == 200
    assert vehicle.is_given("engine.cylinders")
    assert not DEFAULT_VEHICLE.is_given("engine.cylinders")


def test_an_empty_file_is_all_defaults() -> None:
    assert parse(b"") == DEFAULT_VEHICLE


def test_a_byte_order_mark_and_crlf_do_no_harm() -> None:
    text = b"\xef\xbb\xbf[engine]\r\ncylinders = 6\r\n"
    assert parse(text).engine.cylinders == 6


def test_values_keep_where_they_came_from() -> None:
    origin = {name: source for name, _, source in parse(b"[engine]\ncylinders=6").assumed()}
    assert origin["engine.cylinders"] == "vehicle.toml"
    assert origin["engine.compression_ratio"] == "default"


@pytest.mark.parametrize(
    ("text", "line", "says"),
    [
        (b"[engine]\ncylindres = 4", 2, "did you mean 'cylinders'"),
        (b"[engin]\ncylinders = 4", 1, "did you mean 'engine'"),
        (b"[limits]\n\nlean_lod_pct = 4", 3, "did you mean 'lean_load_pct'"),
        (b"[engine]\ncylinders = 4.5", 2, "whole number, not"),
        (b'[vehicle]\nmass_kg = "1200"', 2, "without quotes and with a decimal point"),
        (b"[vehicle]\nmass_kg = 12", 2, "has to be a number, at least 100"),
        (b"[fuel_table]\nrpm = [1, 2]", 1, "add load_kpa"),
        (b"[fuel_table]\nrpm = 1\nload_kpa = [1, 2]", 2, "in brackets"),
        (b"[engine]\ncylinders = 0", 2, "engine.cylinders"),
        (b'[fuel]\nkind = "kerosene"', 2, "one of petrol, e10"),
        (b'[channels]\n"a" = "engine_sped"', 2, "did you mean 'engine_speed'"),
        (b"[engine]\ncylinders = = 4", 2, "not valid TOML"),
        (b"name = \xff", 1, "UTF-8"),
        (b"given = ['x']", 1, "unknown key 'given'"),
        (b"[fuel_table]\nrpm = [3, 2]\nload_kpa = [1, 2]", 1, "rising"),
        (b"[lambda_target]\nrpm=[1,2]\nload_kpa=[1,2]\nvalues=[[1,1]]", 1, "one row per load"),
        (b"[injector]\ndead_time_ms = {volts = [8, 9], ms = [1]}", 2, "as many ms as volts"),
        (b"[injector]\ndead_time_ms = {volt = [8, 9], ms = [1, 2]}", 2, "did you mean 'volts'"),
        (b"[lambda_target]\nrpm=[1,2]\nload_kpa=[1,2]\nvalues=[[1,1],[1,9]]", 4, "values"),
    ],
)
def test_a_mistake_is_one_line_with_its_place_and_cure(text: bytes, line: int, says: str) -> None:
    with pytest.raises(VehicleError) as caught:
        parse(text)
    assert says in str(caught.value)
    assert caught.value.line == line
    assert "\n" not in str(caught.value)


@settings(max_examples=150, deadline=None)
@given(st.binary(max_size=300))
def test_no_bytes_do_worse_than_a_message(raw: bytes) -> None:
    try:
        parse(raw)
    except VehicleError as error:
        assert str(error)


@settings(max_examples=100, deadline=None)
@given(st.integers(0, len(WHOLE) - 1), st.binary(min_size=1, max_size=3))
def test_a_damaged_file_does_no_worse_than_a_message(place: int, put: bytes) -> None:
    try:
        parse(WHOLE[:place] + put + WHOLE[place + 1 :])
    except VehicleError as error:
        assert str(error)


def test_every_limit_says_what_it_is() -> None:
    schema = msgspec.json.schema(Limits)["$defs"]["Limits"]["properties"]
    assert all(len(schema[f].get("description", "")) > 10 for f in schema)


def test_every_limit_is_heeded_somewhere() -> None:
    """A key that nothing reads would be a promise not kept."""
    root = Path(__file__).parents[2] / "pipeline"
    sources = "\n".join(
        path.read_text(encoding="utf-8") for path in root.rglob("*.py") if path.name != "limits.py"
    )
    unread = [f.name for f in msgspec.structs.fields(Limits)
              if not re.search(rf"\b{f.name}\b", sources)]  # fmt: skip
    assert unread == []
