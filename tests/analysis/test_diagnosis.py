"""diagnosis: causes and signs as data; a cause is added by editing the file alone."""

import dataclasses
import datetime as dt
from importlib import resources

import msgspec
import pytest

from pipeline.analysis._causes import UNKNOWN, posterior, priors, read_model, stated
from pipeline.analysis.diagnosis import _items, conclude
from pipeline.logbook import Entry
from pipeline.meta import Case, Earlier
from pipeline.results import Finding, LimitOfDetection, Metric, Quantity, Result, Severity
from pipeline.vehicle import DEFAULT_VEHICLE


def finding(kind: str, severity: Severity = "watch", **more: object) -> Finding:
    return Finding(kind=kind, severity=severity, confidence=0.9, start_s=0, end_s=1, title=kind,
                   detail="", step=2, **more)  # type: ignore[arg-type]  # fmt: skip


def case(*findings: Finding, looked: tuple[str, ...] = (), logbook: tuple[Entry, ...] = ()) -> Case:
    limits = {k: LimitOfDetection(could_show=True) for k in looked}
    result = Result(status="found", why="x", findings=list(findings), limits_of_detection=limits)
    return Case(session_id="x", start_time="2026-05-01T10:00:00", duration_s=600,
                vehicle=DEFAULT_VEHICLE, channels=frozenset(), results={"a": result},
                logbook=logbook)  # fmt: skip


@pytest.mark.parametrize(
    ("kind", "cause"),
    [
        ("thermostat_stuck_open", "thermostat stuck open"),
        ("exhaust_leak", "exhaust leak before the sensor"),
        ("controller_reset", "supply relay or ground of the controller"),
        ("low_charging_voltage", "alternator, regulator or belt"),
        ("crank_signal_loss", "crank signal marginal"),
        ("air_in_coolant", "coolant low or air pocket"),
        ("misfire_under_load", "weak spark (gap, coil, dwell)"),
        ("boost_creep", "wastegate creeps, sticks or its hose is off"),
    ],
)
def test_a_telling_sign_names_its_cause(kind: str, cause: str) -> None:
    result = conclude(case(finding(kind)))
    assert result.diagnosis[0].cause == cause
    assert kind in result.diagnosis[0].explains
    assert sum(d.probability for d in result.diagnosis) < 2.0


def test_nothing_found_needs_no_cause() -> None:
    assert conclude(case()).diagnosis == []


def test_what_fits_nothing_stays_unknown() -> None:
    assert conclude(case(finding("log_gap"))).diagnosis[0].cause == (
        "something this list does not know"
    )


def with_metric(one: Case, **values: float) -> Case:
    metrics = {k: Metric(value=v, unit="1") for k, v in values.items()}
    extra = Result(status="clear", why="x", metrics=metrics)
    return dataclasses.replace(one, results={**one.results, "b": extra})


def test_mere_info_needs_no_cause() -> None:
    assert conclude(case(finding("knock_risk", "info"))).diagnosis == []


def test_boost_lost_at_a_much_lower_barometer_is_the_thin_air() -> None:
    lower = {"barometer_lower": Quantity(value=16.0, unit="kPa")}
    told = conclude(case(finding("boost_loss", evidence=lower))).diagnosis
    assert told[0].cause == "thin air: a boost target in absolute pressure"
    plain = conclude(case(finding("boost_loss"))).diagnosis
    assert all("thin air" not in d.cause for d in plain)


def test_a_hot_charge_is_the_coolers_fault_only_where_it_does_not_cool() -> None:
    hot = case(finding("hot_intake"))
    cooler = "intercooler gets no air, is oily or heat-soaked"
    assert conclude(with_metric(hot, intercooler_effectiveness=0.2)).diagnosis[0].cause == cooler
    works = conclude(with_metric(hot, intercooler_effectiveness=0.7)).diagnosis
    assert works[0].cause != cooler
    assert conclude(hot).diagnosis[0].cause == cooler


@pytest.mark.parametrize(
    ("margin", "first"),
    [(-6.0, "too much spark or boost for this fuel and heat"),
     (6.0, "another fuel batch (octane)")],
)  # fmt: skip
def test_knock_the_model_expects_is_spark_knock_it_does_not_is_the_fuel(margin, first) -> None:
    heard = with_metric(case(finding("knock_retard", "act")), knock_margin_min_deg=margin)
    items = conclude(heard).diagnosis
    assert items[0].cause == first
    if margin > 0:
        assert items[1].cause == "base timing wrong"
        assert "cannot be told from" in items[0].next_check


def test_pairs_that_tie_are_said_to_tie() -> None:
    items = conclude(case(finding("rough_running", "act"))).diagnosis
    assert {items[0].cause, items[1].cause} == {
        "one cylinder dead on the ignition side",
        "one cylinder dead on the injector side",
    }
    assert "cannot be told from" in items[0].next_check


def test_the_quicker_check_of_the_first_two_decides_between_them() -> None:
    # a loss of boost: leak test 30 min, hand pump on the flap 15
    items = conclude(case(finding("boost_loss"))).diagnosis
    assert items[0].cause == "boost leak after the compressor"
    assert items[0].next_check.startswith("Low-pressure leak test")
    assert "”: Move the flap by hand pump" in items[0].next_check
    # causes of different findings may both be at work: nothing to decide
    both = conclude(case(finding("thermostat_stuck_open"), finding("controller_reset", "act")))
    assert "quickest" not in both.diagnosis[0].next_check


def test_what_rests_on_a_broken_sensor_is_no_sign() -> None:
    cold = finding("thermostat_stuck_open")
    broken = finding("sensor_fault", "act", mode="open", channels=["coolant_temperature"],
                     blocks=["thermostat_stuck_open"])  # fmt: skip
    items = conclude(case(cold, broken)).diagnosis
    assert items[0].cause == "one sensor, its plug or its wire"
    assert not any(d.cause == "thermostat stuck open" for d in items)


def table(errors: list[float]) -> Result:
    count = len(errors)
    rpm, kpa = [1000.0 + 500.0 * k for k in range(count)], [40.0, 80.0]
    digest = {"rpm": rpm, "kpa": kpa, "cells": [2 * k for k in range(count)], "mean": errors,
              "sd": [0.01] * count, "seconds": [30.0] * count, "barometer_kpa": 100.0}  # fmt: skip
    return Result(status="found", why="x", digest=digest)


@pytest.mark.parametrize(
    ("errors", "first"),
    [
        ([0.12, 0.13, 0.11, 0.12, 0.12, 0.13, 0.11, 0.12],
         "injector data (flow, dead time) wrong"),
        ([0.0, 0.01, 0.0, 0.15, 0.12, 0.0, 0.0, -0.01], "the fuel table is not finished"),
    ],
)  # fmt: skip
def test_one_error_everywhere_speaks_for_the_injectors_a_patch_for_the_table(
    errors: list[float], first: str
) -> None:
    one = case(finding("lean_running"))
    results = {**one.results, "fuel_table": table(errors)}
    items = conclude(dataclasses.replace(one, results=results)).diagnosis
    assert items[0].cause == first


INJECTOR, PROBE = "injector data (flow, dead time) wrong", "wideband scale, offset or ground"
LOOKED = ("rough_running", "sensor_fault", "low_fuel_pressure", "transient_mixture")
ETHANOL = "another fuel batch (ethanol)"


def causes(one: Case, table_result: Result, *more: Result) -> dict[str, float]:
    extra = {f"more{k}": r for k, r in enumerate(more)}
    results = {**one.results, "fuel_table": table_result, **extra}
    items = conclude(dataclasses.replace(one, results=results)).diagnosis
    return {d.cause: d.probability for d in items}


@pytest.mark.parametrize("share", [0.08, -0.08])
def test_a_probe_and_an_injector_off_by_a_few_per_cent_tie_by_far_they_do_not(share) -> None:
    kind = "lean_running" if share > 0 else "rich_running"
    one = case(finding(kind), finding("transient_mixture"), looked=LOOKED)
    told = causes(one, table([share] * 10))
    assert set(list(told)[:2]) == {INJECTOR, PROBE}
    assert max(told[INJECTOR], told[PROBE]) < 2.0 * min(told[INJECTOR], told[PROBE])
    far = causes(one, table([2.0 * share] * 10))
    assert far[INJECTOR] > 0.9 > 10.0 * far.get(PROBE, 0.0)


def test_a_narrowband_that_bears_the_reading_out_clears_the_probe() -> None:
    bears_out = {"references": {"the narrowband's switching": [0.4, 0.2]}}
    probe = Result(status="clear", why="x", digest=bears_out)
    one = case(finding("lean_running"), finding("transient_mixture"), looked=LOOKED)
    one = dataclasses.replace(one, results={**one.results, "wideband": probe})
    told = causes(one, table([0.08] * 10))
    assert told[INJECTOR] > 0.9 > 10.0 * told.get(PROBE, 0.0)


def test_a_step_everywhere_is_the_tank_or_the_probe_and_the_logbook_or_the_cuts_say_which() -> None:
    moved = table([0.045] * 10)
    moved = msgspec.structs.replace(moved, digest={**moved.digest, "_even_step_pct": 4.6})
    one = case(finding("transient_mixture"), finding("lean_under_load", "act"), looked=LOOKED)
    told = causes(one, moved)
    assert next(iter(told)) == ETHANOL
    assert told[ETHANOL] < 3.0 * told[PROBE]
    fill = Entry(date=dt.datetime(2026, 4, 28), text="filled E10", kind="fuel")
    assert causes(dataclasses.replace(one, logbook=(fill,)), moved)[ETHANOL] > 0.8
    cuts = {"overrun_lambda": Metric(value=2.0, unit="1")}
    before = {"overrun_lambda": Metric(value=1.9, unit="1")}
    past = [Earlier(session_id=f"e{k}", start_time="", duration_s=600, digest={}, version=1,
                    metrics=before, findings=[]) for k in range(3)]  # fmt: skip
    shown = Result(status="clear", why="x", metrics=cuts)
    rail = causes(dataclasses.replace(one, earlier=past), moved, shown)
    assert next(iter(rail)) == PROBE
    assert rail[PROBE] > 0.9


def test_the_last_work_moves_the_order() -> None:
    work = Entry(date=dt.datetime(2026, 4, 28), text="injectors cleaned", touched=["fuel"])
    before = conclude(case(finding("rough_running", "act"))).diagnosis
    after = conclude(case(finding("rough_running", "act"), logbook=(work,))).diagnosis
    assert after[0].cause == "one cylinder dead on the injector side"
    fuel = "one cylinder dead on the injector side"
    assert next(d.probability for d in after if d.cause == fuel) > next(
        d.probability for d in before if d.cause == fuel
    )


def test_no_cause_is_named_that_nothing_speaks_for() -> None:
    items = conclude(case(finding("low_charging_voltage"))).diagnosis
    assert [d.cause for d in items] == ["alternator, regulator or belt"]


def test_two_causes_may_be_at_work() -> None:
    items = conclude(case(finding("thermostat_stuck_open"), finding("controller_reset", "act")))
    assert {d.cause for d in items.diagnosis[:2]} == {
        "thermostat stuck open", "supply relay or ground of the controller",
    }  # fmt: skip


def test_a_cause_is_added_by_editing_data_alone() -> None:
    raw = resources.files("pipeline.analysis").joinpath("causes.toml").read_bytes()
    more = b"""
[[cause]]
id = "mouse_nest"
name = "a nest in the air box"
prior = 500
step = 2
signs = {boost_down = 0.9}
check = {text = "Open the air box", tool = "hand", engine = "off_cold", minutes = 5}
reasoning = "It has been standing."
"""
    model = read_model(raw + more)
    seen: dict[str, bool | None] = dict.fromkeys(model.sign)
    seen["boost_down"] = True
    chance = posterior(model, seen, priors(model))
    assert max(chance, key=lambda k: chance[k]) == "mouse_nest"


def test_a_cause_that_names_an_unknown_sign_is_refused() -> None:
    raw = resources.files("pipeline.analysis").joinpath("causes.toml").read_bytes()
    with pytest.raises(ValueError, match="no_such_sign"):
        read_model(raw.replace(b"signs = {boost_gone", b"signs = {no_such_sign = 0.5, boost_gone"))


def test_what_is_stated_keeps_the_order_and_is_the_posterior_where_nothing_calibrates() -> None:
    model = read_model()
    chances = [0.0, 0.02, 0.1, 0.3, 0.5, 0.8, 0.97, 1.0]
    told = [stated(model, p) for p in chances]
    assert told == sorted(told) and len(set(told)) == len(told) and told[0] > 0.0
    plain = msgspec.structs.replace
    bare = plain(model, model=plain(model.model, sharpness=1.0, lift=0.0))
    assert [stated(bare, p) for p in chances[1:-1]] == pytest.approx(chances[1:-1])
    # logit 0.8 = 1.386; by hand: 1 / (1 + exp(-(0.5 + 2 * 1.386))) = 0.9634
    sharp = plain(model, model=plain(model.model, sharpness=2.0, lift=0.5))
    assert stated(sharp, 0.8) == pytest.approx(0.9634, abs=1e-4)


def test_every_cause_has_a_check_and_probabilities_that_are_ones() -> None:
    model = read_model()
    assert len(model.cause) >= 27
    seen: dict[str, bool | None] = dict.fromkeys(model.sign, True)
    chance = posterior(model, seen, priors(model))
    assert all(0.0 <= p <= 1.0 for p in chance.values())
    assert UNKNOWN in chance


def test_every_cause_named_explains_something_found() -> None:
    model = read_model()
    seen: dict[str, bool | None] = dict.fromkeys(model.sign)
    likely = {"thermostat": 0.6, "alternator": 0.3, UNKNOWN: 0.1}
    for cause in model.cause:
        if cause.id in likely:
            seen |= dict.fromkeys(cause.signs, True)
    items = _items(model, seen, likely, ["low_charging_voltage"])
    assert [d.cause for d in items] == [
        "alternator, regulator or belt", "something this list does not know",
    ]  # fmt: skip
