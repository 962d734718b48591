import dataclasses
import datetime as dt

import numpy as np
import pytest

from pipeline.analysis import boost
from pipeline.logbook import Entry
from pipeline.meta import Earlier, Own
from pipeline.vehicle import DEFAULT_VEHICLE
from tests.analysis.pull_logs import VEHICLE, kinds, log, results


def test_healthy_runs_say_nothing_and_give_figures() -> None:
    result = results(log(), "boost")["boost"]
    assert result.status == "clear"
    assert result.metrics["manifold_pressure_peak_kpa"].value == pytest.approx(180.0)
    assert result.metrics["gauge_boost_peak_kpa"].value == pytest.approx(80.0)
    assert result.metrics["spool_time_s"].value == pytest.approx(1.08, abs=0.06)
    assert result.metrics["boost_error_kpa"].value == pytest.approx(0.0, abs=0.5)


def test_over_target_and_over_ceiling() -> None:
    assert kinds(results(log(plateau=195.0), "boost")["boost"]) == {"over_boost": "act"}
    assert kinds(results(log(plateau=188.0), "boost")["boost"]) == {}
    toml = VEHICLE + "[limits]\nmanifold_pressure_max_kpa = 170\n"
    assert kinds(results(log(), "boost", toml=toml)["boost"]) == {"over_boost": "act"}


def test_a_rise_that_nothing_holds_is_stop() -> None:
    channels = log(plateau=260.0, target=170.0, spool_s=5.9)
    result = results(channels, "boost")["boost"]
    assert kinds(result)["over_boost"] == "stop"
    assert result.findings[0].step == 0


def test_loss_against_target_and_boost_that_never_comes() -> None:
    assert kinds(results(log(plateau=160.0), "boost")["boost"]) == {"boost_loss": "watch"}
    assert kinds(results(log(plateau=172.0), "boost")["boost"]) == {}
    assert kinds(results(log(plateau=100.0), "boost")["boost"]) == {"boost_loss": "watch"}


def test_lambda_tells_hose_from_leak() -> None:
    for lam, word in ((0.92, "hose"), (0.85, "leak")):
        channels = log(plateau=160.0)
        channels["lambda_target"] = np.full(channels["time"].size, 0.85)
        channels["lambda"] = np.full(channels["time"].size, lam)
        finding = results(channels, "boost")["boost"].findings[0]
        assert word in finding.likely_causes[0].cause


def test_creep_needs_the_wastegate_at_rest() -> None:
    channels = log(target=None, creep=8.0)
    assert kinds(results(channels, "boost")["boost"]) == {"boost_creep": "watch"}
    size = channels["time"].size
    channels["wastegate_duty"] = 40.0 + 5.0 * np.sin(np.arange(size))
    assert kinds(results(channels, "boost")["boost"]) == {}


def _earlier(channels: dict[str, np.ndarray], count: int) -> list[Earlier]:
    result = results(channels, "boost")["boost"]
    return [
        Earlier(session_id=f"e{k}", start_time=f"2026-04-0{k + 1}", duration_s=80.0,
                digest=result.digest, version=1, metrics=result.metrics, findings=[])
        for k in range(count)
    ]  # fmt: skip


def test_loss_against_the_cars_own_earlier_runs() -> None:
    before = _earlier(log(target=None), 2)
    now = log(target=None, plateau=160.0)
    found = results(now, "boost", earlier={"boost": before})["boost"]
    assert kinds(found) == {"boost_loss": "watch"}
    assert found.findings[0].evidence["below_earlier"].value == pytest.approx(20.0, abs=1.0)
    assert not kinds(results(now, "boost")["boost"])  # nothing to compare with
    same = results(log(target=None), "boost", earlier={"boost": before})["boost"]
    assert not kinds(same)


@pytest.mark.parametrize(
    ("names", "lost"),
    [
        ([], True),
        ([(1, "a")], True),  # the same since before the first run
        ([(1, "a"), (9, "b")], False),  # lowered on purpose
        ([(9, "b")], False),
        ([(1, "b"), (2, "a"), (9, "a")], True),
    ],
)
def test_boost_that_another_calibration_asked_for_is_not_missed(names, lost) -> None:
    before = _earlier(log(target=None), 5)
    logbook = [
        Entry(date=dt.datetime(2026, 3 + (day == 9), day), text="x", kind="table", calibration=name)
        for day, name in names
    ]
    mine = Own(session_id="z", start_time="2026-04-20", duration_s=80.0, logbook=logbook,
               result=results(log(target=None, plateau=160.0), "boost")["boost"],
               vehicle=DEFAULT_VEHICLE)  # fmt: skip
    assert [f.kind for f in boost.judge(mine, before).findings] == ["boost_loss"] * lost


@pytest.mark.parametrize(("spool_s", "lost"), [(1.6, {}), (4.5, {"boost_loss": "watch"})])
def test_boost_that_comes_late_and_then_in_full_is_a_loss(spool_s, lost) -> None:
    before = _earlier(log(target=None), 2)
    now = log(target=None, spool_s=spool_s)
    assert kinds(results(now, "boost", earlier={"boost": before})["boost"]) == lost


@pytest.mark.parametrize(("before_s", "lost"), [(5.2, {}), (1.2, {"boost_loss": "watch"})])
def test_a_turbocharger_that_always_came_so_late_has_lost_nothing(before_s, lost) -> None:
    """It asks for more than it gets until 65 % of the revs; two sound sessions did the same."""
    now = log(spool_s=5.2, run_s=9.0)
    assert kinds(results(now, "boost")["boost"]) == {"boost_loss": "watch"}
    before = _earlier(log(spool_s=before_s, run_s=9.0), 2)
    found = results(now, "boost", earlier={"boost": before})["boost"]
    assert kinds(found) == lost
    assert found.status == ("found" if lost else "clear")
    told = results(now, "boost")["boost"].findings
    before = [dataclasses.replace(e, findings=told) for e in before]
    again = results(now, "boost", earlier={"boost": before})["boost"]
    assert kinds(again) == {"boost_loss": "watch"}  # what was told then is nothing usual


@pytest.mark.parametrize(
    ("barometer", "plateau", "named"),
    [(117.0, 155.0, True), (105.0, 155.0, False), (117.0, 110.0, False)],
)
def test_thin_air_is_named_where_it_is_thin_and_boost_is_left(barometer, plateau, named) -> None:
    before = [
        dataclasses.replace(e, digest={**e.digest, "runs": [
            {**r, "barometer": barometer} for r in e.digest["runs"]]})
        for e in _earlier(log(), 2)
    ]  # fmt: skip
    found = results(log(plateau=plateau), "boost", earlier={"boost": before})["boost"]
    assert kinds(found) == {"boost_loss": "watch"}
    loss = found.findings[0]
    assert ("barometer stands at 100 kPa, 17 kPa lower" in loss.detail) is named
    assert ("barometer_lower" in loss.evidence) is named
    assert loss.likely_causes[0].cause.startswith("thin air") is named
    once = results(log(plateau=plateau), "boost", earlier={"boost": before[:1]})["boost"]
    assert "barometer stands" not in once.findings[0].detail


@pytest.mark.parametrize(("level", "told"), [(155.0, {"boost_creep": "watch"}), (120.0, {})])
def test_a_run_far_from_the_boost_of_others_is_still_spooling(level, told) -> None:
    """No target and no duty: what rises at half the pressure of another run has not spooled."""
    channels, slow = log(target=None), log(target=None, plateau=level, creep=8.0)
    later = channels["time"] > 45.0  # two of the three runs
    channels["manifold_pressure"][later] = slow["manifold_pressure"][later]
    assert kinds(results(channels, "boost")["boost"]) == told


def test_runs_of_several_sessions_lie_over_each_other() -> None:
    now = log(target=None, plateau=170.0)
    before = _earlier(log(target=None), 8)
    found = results(now, "boost", earlier={"boost": before})["boost"]
    curve = next(f for f in found.figures if f.id == "boost-across-sessions")
    labels = [one.label for one in curve.lines]
    # This one and the five latest earlier ones, newest first.
    assert labels == ["this session", *(f"2026-04-0{k}" for k in (8, 7, 6, 5, 4))]
    mine, old = curve.lines[0], curve.lines[1]
    at = [k for k, x in enumerate(mine.x) if x in old.x and x > 4500.0]
    assert at
    for k in at:
        assert old.y[old.x.index(mine.x[k])] - mine.y[k] == pytest.approx(10.0, abs=0.5)


def test_another_gear_is_not_laid_over() -> None:
    before = _earlier(log(target=None), 2)
    other = [
        dataclasses.replace(e, digest={**e.digest, "runs": [
            {**r, "ratio": 1.5 * r["ratio"]} for r in e.digest["runs"]]})
        for e in before
    ]  # fmt: skip
    found = results(log(target=None), "boost", earlier={"boost": other})["boost"]
    assert not any(f.id == "boost-across-sessions" for f in found.figures)


def test_a_lower_barometer_is_no_loss() -> None:
    before = _earlier(log(target=None), 2)
    now = log(target=None, plateau=160.0)
    # The same gauge pressure at 80 kPa: absolute pressure is 20 kPa lower, and no fault.
    now["barometric_pressure"] = np.full(now["time"].size, 80.0)
    assert not kinds(results(now, "boost", earlier={"boost": before})["boost"])


def test_earlier_entries_are_plain() -> None:
    assert dataclasses.is_dataclass(_earlier(log(), 1)[0])


def test_two_earlier_runs_of_the_gear_are_enough_for_a_clear_loss() -> None:
    before = _earlier(log(target=None), 2)
    before = [dataclasses.replace(one, digest={"runs": [dict(one.digest["runs"][number])]})
              for number, one in enumerate(before)]  # fmt: skip
    for now, lost in ((160.0, {"boost_loss": "watch"}), (172.0, {})):
        found = results(log(target=None, plateau=now), "boost", earlier={"boost": before})["boost"]
        assert kinds(found) == lost
    # two that differ by more than the loss say nothing
    before[1].digest["runs"][0]["bins"] = [
        [k, kpa - 30.0, lag] for k, kpa, lag in before[1].digest["runs"][0]["bins"]
    ]
    found = results(log(target=None, plateau=150.0), "boost", earlier={"boost": before})["boost"]
    assert kinds(found) == {}


def test_a_boosted_engine_that_never_leaves_the_barometer_has_lost_its_boost() -> None:
    flat = log(target=None, plateau=100.0)
    found = results(flat, "boost")["boost"]
    assert kinds(found) == {"boost_loss": "watch"}
    assert found.findings[0].title == "No boost comes at all"
    unsaid = VEHICLE.replace("forced_induction = true\n", "")
    assert results(flat, "boost", toml=unsaid)["boost"].status == "not_judged"
    too_short = log(target=None, plateau=100.0, run_s=1.8)
    assert results(too_short, "boost")["boost"].status == "not_judged"


def test_a_lower_gear_s_earlier_runs_are_the_least_a_taller_one_should_have() -> None:
    before = _earlier(log(target=None), 2)
    runs = [dict(one.digest["runs"][0]) for one in before]
    for ratio, lost in ((80.0, {"boost_loss": "watch"}), (40.0, {})):
        runs[1]["ratio"] = ratio
        known = [dataclasses.replace(one, digest={"runs": [run]})
                 for one, run in zip(before, runs, strict=True)]  # fmt: skip
        now = log(target=None, plateau=150.0)
        assert kinds(results(now, "boost", earlier={"boost": known})["boost"]) == lost
