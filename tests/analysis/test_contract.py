"""What every analysis and every fact has to keep, whatever it is about."""

import dataclasses
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pytest

from fixtures.cars import draw_car
from fixtures.drives import mixed_drive
from fixtures.simulate import simulate
from pipeline.registry import load_registry
from pipeline.results import Result
from pipeline.runner import analyse, run_all
from pipeline.session import ChannelInfo, Session
from pipeline.vehicle import DEFAULT_VEHICLE
from tests.judge.bridge import session_of

REGISTRY = load_registry()
OF_THE_LOG = sorted(n for n, a in REGISTRY.analyses.items() if a.analyse is not None)
TESTS = Path(__file__).parent
#: Finding kinds of the contract.
KINDS = frozenset(
    {"rough_running", "misfire_under_load", "idle_hunting", "stall", "lean_under_load",
     "lean_target", "rich_under_load", "lean_running", "rich_running", "trim_limit",
     "transient_mixture", "knock_risk", "knock_retard", "slow_warm_up", "thermostat_stuck_open",
     "overheating", "coolant_loss_suspected", "air_in_coolant", "hard_start", "controller_reset",
     "crank_signal_loss", "sensor_fault", "low_charging_voltage", "high_charging_voltage",
     "over_boost", "boost_loss", "boost_creep", "intake_leak", "exhaust_leak",
     "low_fuel_pressure", "injector_limit", "injector_minimum", "hot_intake", "hot_exhaust",
     "low_oil_pressure", "log_gap"}
)  # fmt: skip
METRIC_UNITS = {"rpm": "rpm", "kpa": "kPa", "pct": "%", "km": "km", "ms": "ms", "deg": "deg",
                "kw": "kW", "c": "degC", "s": "s", "v": "V"}  # fmt: skip


@pytest.fixture(scope="module")
def healthy() -> Session:
    """A drive in which nothing happened that the contract's table names but film and transients."""
    for seed in range(13, 40):
        run = simulate(draw_car(seed), mixed_drive(seed, minutes=14), seed=seed)
        if {f.kind for f in run.truth.faults} <= {"transient_mixture"}:
            return session_of(run)
    raise AssertionError("no healthy drive among many")


@pytest.fixture(scope="module")
def results(healthy: Session) -> Mapping[str, Result]:
    return run_all(healthy, REGISTRY, strict=True)


def fresh(
    session: Session, channels: Mapping[str, np.ndarray], rows: slice | None = None
) -> Session:
    rows = rows or slice(None)
    time = session.time[rows]
    return dataclasses.replace(
        session,
        time=time - time[0],
        channels={k: v[rows] for k, v in channels.items()},
        facts={},
    )


@pytest.mark.parametrize("name", sorted(REGISTRY.analyses))
def test_an_analysis_says_what_it_is(name: str) -> None:
    analysis = REGISTRY.analyses[name]
    meta = analysis.meta
    assert analysis.module.__doc__
    assert meta.question.endswith("?")
    assert meta.version >= 1
    assert set(meta.kinds) <= KINDS
    assert meta.references
    assert 0 <= meta.step <= 5
    assert set(meta.facts) | set(meta.optional_facts) <= set(REGISTRY.facts)


@pytest.mark.parametrize("name", sorted(REGISTRY.facts))
def test_a_fact_says_what_it_is(name: str) -> None:
    fact = REGISTRY.facts[name]
    assert fact.module.__doc__
    assert fact.meta.summary
    assert fact.meta.version >= 1
    assert set(fact.meta.facts) | set(fact.meta.optional_facts) <= set(REGISTRY.facts)


@pytest.mark.parametrize("name", sorted(REGISTRY.analyses))
def test_a_healthy_drive_raises_nothing(results: Mapping[str, Result], name: str) -> None:
    result = results[name]
    assert result.status in ("found", "clear", "not_judged")
    assert [f.kind for f in result.findings if f.severity != "info"] == []
    assert result.why


def test_each_kind_has_one_owner() -> None:
    owners: dict[str, str] = {}
    for name, analysis in REGISTRY.analyses.items():
        for kind in analysis.meta.kinds:
            assert owners.setdefault(kind, name) == name, kind


def test_metrics_carry_their_unit_and_have_one_owner(results: Mapping[str, Result]) -> None:
    seen: dict[str, str] = {}
    for name, result in results.items():
        for metric, value in result.metrics.items():
            assert seen.setdefault(metric, name) == name
            unit = METRIC_UNITS.get(metric.rsplit("_", 1)[-1], "1")
            assert value.unit in (unit, "K") or metric == "intercooler_effectiveness", metric
            assert np.isfinite(value.value)
            if value.low is not None and value.high is not None:
                assert value.low <= value.value <= value.high, metric


@pytest.mark.parametrize("name", OF_THE_LOG)
def test_without_its_channels_it_is_not_judged(healthy: Session, name: str) -> None:
    meta = REGISTRY.analyses[name].meta
    alone = dataclasses.replace(REGISTRY, analyses={name: REGISTRY.analyses[name]})
    for needed in [*meta.needs, *(group for group in meta.needs_any)]:
        gone = {needed} if isinstance(needed, str) else set(needed)
        rest = {k: v for k, v in healthy.channels.items() if k not in gone}
        result = analyse(fresh(healthy, rest), alone, strict=True)[name]
        assert result.status == "not_judged"
        assert result.why
        assert result.findings == []


def every_status(session: Session) -> dict[str, str]:
    results = run_all(session, REGISTRY)
    return {k: r.why for k, r in results.items() if r.status == "failed"}


def test_nothing_breaks_on_holes_noise_and_short_logs(healthy: Session) -> None:
    random = np.random.default_rng(0)
    channels = healthy.channels
    holes = {k: np.where(random.random(v.size) < 0.7, np.nan, v) for k, v in channels.items()}
    noise = {k: v + random.normal(0, np.nanstd(v) + 1, v.size) for k, v in channels.items()}
    constant = {k: np.full(v.size, np.nanmedian(v)) for k, v in channels.items()}
    empty = {k: np.full(v.size, np.nan) for k, v in channels.items()}
    for case in (holes, noise, constant, empty):
        assert every_status(fresh(healthy, case)) == {}
    for rows in (slice(0, 1), slice(0, 2), slice(0, 5), slice(0, 40), slice(0, 750),
                 slice(0, None, 25)):  # fmt: skip
        assert every_status(fresh(healthy, channels, rows)) == {}


def test_each_channel_alone_breaks_nothing(healthy: Session) -> None:
    for name, values in healthy.channels.items():
        assert every_status(fresh(healthy, {name: values}, slice(0, 3000))) == {}, name


def test_a_bare_default_vehicle_is_enough(healthy: Session) -> None:
    session = fresh(healthy, healthy.channels, slice(0, 6000))
    session.vehicle = DEFAULT_VEHICLE
    assert every_status(session) == {}


def test_an_empty_session_breaks_nothing() -> None:
    info = ChannelInfo(unit="rpm", column="n", conversion="none", rows=0, effective_hz=0.0)
    session = Session(id="x", time=np.array([0.0]), channels={"engine_speed": np.array([np.nan])},
                      info={"engine_speed": info}, vehicle=DEFAULT_VEHICLE)  # fmt: skip
    assert every_status(session) == {}


@pytest.mark.parametrize("name", sorted(REGISTRY.analyses))
def test_an_analysis_has_a_test_module(name: str) -> None:
    found = list(TESTS.glob("test_*.py"))
    assert any(f"analysis.{name}" in p.read_text() or f'"{name}"' in p.read_text() for p in found)
