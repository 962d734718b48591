"""The contract's numbers for the mixture, just over and just under, in logs made by hand."""

from typing import Any

import numpy as np
import pytest

from pipeline.registry import Registry, load_registry
from pipeline.results import Finding
from pipeline.runner import FactStore, Timings, analyse
from tests.analysis.mixture_logs import Stay, hand_log, pull

_ALL = load_registry()
REGISTRY = Registry(
    facts=_ALL.facts,
    analyses={n: a for n, a in _ALL.analyses.items() if n in ("lean_load", "mixture")},
)


def found(stays: tuple[Stay, ...], **more: Any) -> tuple[list[Finding], list[float]]:
    """What the log's mixture shows, transients left out, and where each stay began."""
    session, began = hand_log(stays, **more)
    results = analyse(session, REGISTRY, strict=True)
    every = [f for r in results.values() for f in r.findings if f.kind != "transient_mixture"]
    return every, began


@pytest.mark.parametrize(
    ("kpa", "target", "error", "seconds", "severity"),
    [
        (85.0, 0.95, 0.042, 2.0, ""),  # less than 5 %
        (76.0, 0.95, 0.20, 2.0, ""),  # no load: below 80 kPa
        (85.0, 0.95, 0.20, 0.15, ""),  # shorter than 0.3 s
        (85.0, 0.95, 0.065, 1.0, "watch"),
        (85.0, 0.90, 0.09, 1.0, "act"),  # 8 %
        (105.0, 0.88, 0.065, 1.0, "act"),  # from 100 kPa
        (120.0, 0.83, 0.14, 1.0, "act"),  # 12 %, but below 130 kPa
        (140.0, 0.82, 0.105, 1.0, "act"),
        (140.0, 0.82, 0.14, 1.0, "stop"),  # 130 kPa with 12 %
        (140.0, 0.88, 0.105, 1.0, "stop"),  # lambda 0.97 for 0.5 s
        (140.0, 0.88, 0.105, 0.4, "act"),  # not as long
    ],
)
def test_lean_under_load_goes_up_its_ladder(
    kpa: float, target: float, error: float, seconds: float, severity: str
) -> None:
    stays = pull(kpa, error, target=target, begin=2.5, end=2.5 + seconds)
    every, began = found((*stays, Stay(4)))
    lean = [f for f in every if f.kind == "lean_under_load"]
    assert [f.severity for f in lean] == ([severity] if severity else [])
    for f in lean:  # in the engine's own time
        assert f.start_s == pytest.approx(began[1] + 2.5, abs=0.2)
        assert f.end_s == pytest.approx(began[1] + 2.5 + seconds, abs=0.2)


def test_findings_that_stand_for_many_moments_tell_of_those_moments_alone() -> None:
    """Between them the engine runs far leaner, but not under load."""
    between = Stay(8, kpa=30.0, throttle=8.0, error=0.30)
    moment = (*pull(85.0, 0.065, target=0.95, begin=2.5, end=3.5), between)
    every, _ = found((*(stay for _ in range(7) for stay in moment), Stay(4)))
    last = [f for f in every if f.kind == "lean_under_load"][-1]
    assert "4 such moments" in last.detail
    assert last.severity == "watch"
    assert last.evidence["pressure"].value == pytest.approx(85.0, abs=2.0)
    assert last.evidence["error"].value < 12.0
    assert last.evidence["lasted"].value == pytest.approx(4.0, abs=1.0)


def test_lean_that_stays_after_a_step_began_where_it_began_and_what_returns_is_a_transient() -> (
    None
):
    every, began = found((*pull(150.0, 0.13, target=0.82, begin=0.7, end=3.0), Stay(4)))
    (lean,) = [f for f in every if f.kind == "lean_under_load"]
    assert lean.start_s == pytest.approx(began[1] + 0.7, abs=0.2)
    every, _ = found((*pull(150.0, 0.13, target=0.82, begin=0.0, end=1.1), Stay(4)))
    assert every == []


@pytest.mark.parametrize(
    ("kpa", "target", "vehicle", "finds"),
    [
        (105.0, 0.97, "", False),
        (113.0, 0.955, "", True),
        (125.0, 0.935, "", True),  # halfway between 0.95 and 0.90
        (125.0, 0.912, "", False),
        (160.0, 0.892, "", True),
        (160.0, 0.868, "", False),
        (185.0, 0.870, "", True),
        (185.0, 0.852, "", False),
        (160.0, 0.960, '[fuel]\nkind = "methanol"\n', False),  # stated for petrol
    ],
)
def test_a_lean_target_is_measured_against_the_interpolated_line(
    kpa: float, target: float, vehicle: str, finds: bool
) -> None:
    every, _ = found((*pull(kpa, target=target, seconds=3.0), Stay(4)), vehicle=vehicle)
    assert [(f.kind, f.severity) for f in every] == [("lean_target", "act")] * finds


@pytest.mark.parametrize(
    ("kpa", "target", "error", "seconds", "without", "finds"),
    [
        (100.0, 0.90, -0.085, 2.0, (), False),
        (100.0, 0.90, -0.125, 0.7, (), False),  # shorter than 1 s
        (70.0, 0.95, -0.20, 2.0, (), False),  # no load
        (100.0, 0.90, -0.12, 1.5, (), True),
        (100.0, 0.90, -0.28, 1.5, (), True),  # 0.65: where instruments end
        (150.0, 0.72, -0.045, 1.5, (), True),  # 0.69, as asked or not
        (150.0, 0.66, 0.0, 5.0, ("lambda_target",), True),
        (150.0, 0.72, 0.0, 5.0, ("lambda_target",), False),
    ],
)
def test_rich_under_load_by_target_or_by_lambda_alone(
    kpa: float, target: float, error: float, seconds: float, without: tuple[str, ...], finds: bool
) -> None:
    stays = pull(kpa, error, target=target, begin=2.0, end=2.0 + seconds)
    every, _ = found((*stays, Stay(4)), without=without)
    assert [(f.kind, f.severity) for f in every] == [("rich_under_load", "watch")] * finds


def test_a_rich_target_that_is_met_is_no_instrument_at_its_end() -> None:
    """Readings that pile up where they were asked for are measured: a lean stretch shows there."""
    every, _ = found((*pull(150.0, 0.07, target=0.70, begin=3.0, end=4.0), Stay(4)))
    assert "lean_under_load" in [f.kind for f in every]


@pytest.mark.parametrize(
    ("error", "trim", "seconds", "coolant_c", "expected"),
    [
        (0.087, 0.0, 13.0, 88.0, ("lean_running", "watch")),
        (0.040, 4.6, 13.0, 88.0, ("lean_running", "watch")),  # error and trims together
        (0.0, 8.7, 13.0, 88.0, ("lean_running", "watch")),
        (0.09, -9.0, 20.0, 88.0, ()),  # one undoes the other
        (0.087, 0.0, 9.0, 88.0, ()),  # shorter than 10 s
        (0.087, 0.0, 13.0, 60.0, ()),  # cold
        (0.072, 0.0, 13.0, 88.0, ("lean_running", "info")),
        (0.043, 0.0, 20.0, 88.0, ()),
        (-0.087, 0.0, 13.0, 88.0, ("rich_running", "watch")),
        (-0.030, -5.8, 13.0, 88.0, ("rich_running", "watch")),
        (-0.060, 0.0, 13.0, 88.0, ("rich_running", "info")),
    ],
)
def test_lean_and_rich_running_take_error_and_trims_together(
    error: float, trim: float, seconds: float, coolant_c: float, expected: tuple[str, ...]
) -> None:
    stays = (Stay(40), Stay(seconds, error=error, trim=trim), Stay(10))
    every, _ = found(stays, coolant_c=coolant_c)
    assert [(f.kind, f.severity) for f in every if f.kind != "trim_limit"] == (
        [expected] if expected else []
    )


@pytest.mark.parametrize(
    ("error", "times", "severity"), [(0.08, 6, ""), (0.14, 3, "info"), (-0.14, 8, "watch")]
)
def test_a_transient_is_off_by_more_than_a_tenth_and_returns(
    error: float, times: int, severity: str
) -> None:
    step = Stay(4, rpm=2600, kpa=65, throttle=35, error=error, begin=0.2, end=0.8)
    session, _ = hand_log((Stay(5, kpa=45, throttle=10), step) * times)
    result = analyse(session, REGISTRY, strict=True)["mixture"]
    assert [(f.kind, f.severity) for f in result.findings] == (
        [("transient_mixture", severity)] if severity else []
    )


@pytest.mark.parametrize(
    ("calm", "step"),
    [
        (Stay(5, kpa=45, throttle=10, error=0.14),
         Stay(4, rpm=2600, kpa=65, throttle=35, error=0.14)),  # off already
        (Stay(5, kpa=45, throttle=10),
         Stay(6, rpm=2600, kpa=65, throttle=35, error=0.14)),  # and stays off: the table there
    ],
)  # fmt: skip
def test_what_was_off_before_a_step_or_stays_off_is_no_transient(calm: Stay, step: Stay) -> None:
    session, _ = hand_log((calm, step) * 6)
    result = analyse(session, REGISTRY, strict=True)["mixture"]
    assert "transient_mixture" not in [f.kind for f in result.findings]


@pytest.mark.parametrize(
    ("coolant_c", "without", "error", "finds"),
    [
        (15.0, ("lambda_target",), -0.14, False),  # a table in the file is the same, cold or warm
        (88.0, ("lambda_target",), -0.14, True),
        (15.0, ("lambda_target",), -0.30, True),  # lambda below 0.70 is too rich for any start
        (15.0, (), -0.14, True),  # the log's own target is what was asked for
    ],
)
def test_a_cold_engine_is_enriched_beyond_the_table_in_the_file(
    coolant_c: float, without: tuple[str, ...], error: float, finds: bool
) -> None:
    table = "[lambda_target]\nrpm = [800, 6000]\nload_kpa = [70, 100]\n"
    table += "values = [[1.0, 1.0], [0.95, 0.95]]\n"
    stays = (*pull(95.0, error, target=0.958), Stay(4))
    every, _ = found(stays, coolant_c=coolant_c, without=without, vehicle=table)
    assert ("rich_under_load" in [f.kind for f in every]) == finds


def test_minutes_just_below_the_limit_are_not_told_of_for_their_noise() -> None:
    """4 % lean for two minutes: noise alone lifts a third of a second of it over 5 %."""
    long = Stay(120.0, kpa=95.0, throttle=60.0, target=0.9, error=0.04)
    for seed in (0, 1, 2, 3):
        every, _ = found((Stay(5), long, Stay(4)), noise=0.006, seed=seed)
        assert not [f for f in every if f.kind == "lean_under_load"]


@pytest.mark.parametrize(("swing", "told"), [(0.4, True), (0.0, False)])
def test_without_a_target_a_loop_at_work_at_lambda_one_is_the_target(
    swing: float, told: bool
) -> None:
    """Its trims are then the table's error; a trim that never moves is no loop at work."""
    session, _ = hand_log([Stay(40, trim=-10.0), *pull(130.0, seconds=6.0, target=0.85)],
                          without=("lambda_target",))  # fmt: skip
    moves = np.random.default_rng(2).normal(0.0, swing, session.time.size)
    session.channels["fuel_trim_short"] = session.channels["fuel_trim_short"] + moves
    results = analyse(session, REGISTRY, strict=True)
    found = [f.kind for f in results["mixture"].findings]
    assert found == (["rich_running"] if told else [])
    assert not results["lean_load"].findings  # under load nobody says what was wanted


def test_what_the_lag_hid_ends_where_the_instrument_does() -> None:
    session, _ = hand_log((Stay(6), Stay(4, error=0.9), Stay(6)) * 3)
    session.channels["lambda"] = np.minimum(session.channels["lambda"], 1.36)
    course = FactStore(session, load_registry(), Timings()).get("mixture_course", optional=False)
    assert 1.3 < np.nanmax(course.lambda_engine) <= 1.36 + 1e-9
