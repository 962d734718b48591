"""warm_up and cooling on simulated drives with their truth, and on curves made by hand."""

import datetime as dt
from dataclasses import replace

import numpy as np
import pytest

from fixtures.cars import draw_car
from fixtures.drives import cold_start, hot_restart, mixed_drive, pulls
from fixtures.faults import FAULTS
from fixtures.simulate import simulate
from pipeline.logbook import Entry
from pipeline.meta import Earlier, Own
from pipeline.registry import load_registry
from pipeline.results import Finding, Metric, Result
from pipeline.runner import analyse
from pipeline.vehicle import DEFAULT_VEHICLE
from tests.analysis.hand_logs import hand, through
from tests.judge.bridge import Judged, judge_run, session_of

REGISTRY = load_registry()
COOLING = replace(
    REGISTRY, analyses={name: REGISTRY.analyses[name] for name in ("warm_up", "cooling")}
)


def judged(seed: int, fault: str = "", strength: float = 0.6, minutes: float = 18.0) -> Judged:
    faults = (FAULTS[fault](strength),) if fault else ()
    return judge_run(simulate(draw_car(seed), mixed_drive(seed, minutes), faults, seed), COOLING)


def kinds(run: Judged, *analyses: str) -> dict[str, Finding]:
    return {f.kind: f for a in analyses for f in run.results[a].findings}


@pytest.mark.parametrize("seed", [301, 302])
def test_times_and_opening_are_right_on_a_cold_start(seed: int) -> None:
    run = judge_run(simulate(draw_car(seed), cold_start(seed), (), seed), COOLING)
    truth, metrics = run.run.truth.scalars, run.metrics
    for name in ("time_to_60c_s", "time_to_80c_s"):
        if name in truth:
            assert metrics[name].value == pytest.approx(truth[name], abs=2.0)
    opening: Metric = metrics["thermostat_opening_c"]
    assert opening.value == pytest.approx(truth["thermostat_opening_c"], abs=1.5)
    assert opening.low is not None
    assert opening.high is not None
    assert opening.low <= truth["thermostat_opening_c"] <= opening.high
    assert kinds(run, "warm_up", "cooling") == {}


def test_a_thermostat_stuck_open_is_found_with_its_evidence() -> None:
    found = kinds(judged(303, "thermostat_stuck_open"), "warm_up")
    finding = found["thermostat_stuck_open"]
    assert finding.severity == "watch"
    assert finding.evidence["coolant_at_the_end"].value < 75.0
    assert finding.next_checks
    assert sum(c.probability for c in finding.likely_causes) <= 1.0


def test_overheating_is_graded_by_what_was_measured() -> None:
    finding = kinds(judged(304, "overheating", 0.9), "cooling")["overheating"]
    assert finding.severity in ("act", "stop")
    assert finding.evidence["coolant_max"].value >= 108.0


def test_lost_coolant_stops() -> None:
    run = judged(305, "coolant_loss_suspected", 0.7)
    finding = kinds(run, "cooling")["coolant_loss_suspected"]
    assert finding.severity == "stop"
    assert finding.step == 0
    # The sensor in steam reads cold, the thermostat did not cool it: nothing is said of that.
    assert run.results["warm_up"].findings == []
    assert "thermostat_opening_c" not in run.metrics
    # Nor was the water as cool as the dry sensor said, to the end of the drive.
    assert "coolant_max_c" not in run.metrics
    assert "highest unknown" in run.results["warm_up"].why


def test_air_is_told_by_dips_that_come_back() -> None:
    run = judged(306, "air_in_coolant", 0.7)
    found = kinds(run, "cooling")
    assert found["air_in_coolant"].severity == "watch"
    assert "coolant_loss_suspected" not in found
    # Bubbles are left out of the curve, so the opening is still told, if less surely.
    opening = run.metrics["thermostat_opening_c"]
    assert opening.low is not None
    assert opening.high is not None
    assert opening.low <= run.run.truth.scalars["thermostat_opening_c"] <= opening.high
    assert opening.high - opening.low < 6.0


@pytest.mark.parametrize("fault", ["spike", "ground_shift", "swapped", "stuck"])
def test_a_lying_sensor_is_no_fault_of_the_cooling(fault: str) -> None:
    run = simulate(draw_car(44), mixed_drive(44, 12.0), (FAULTS[f"sensor_fault_{fault}"](0.9),), 44)
    results = analyse(session_of(run), COOLING, strict=True)
    assert [f.kind for a in COOLING.analyses for f in results[a].findings] == []
    if fault == "swapped":
        assert "colder than the intake air" in results["warm_up"].why


@pytest.mark.parametrize("drive", [hot_restart, pulls])
def test_a_heat_soaked_restart_and_hard_driving_are_healthy(drive: object) -> None:
    run = judge_run(simulate(draw_car(307), drive(307), (), 307), COOLING)  # type: ignore[operator]
    assert kinds(run, "warm_up", "cooling") == {}


def test_a_first_order_curve_gives_its_own_times() -> None:
    """Own arithmetic: T = 95 - 75 exp(-t/240) passes 80 degC at 386.265 s."""
    from pipeline.session import ChannelInfo, Session
    from pipeline.vehicle import DEFAULT_VEHICLE

    time = np.arange(0.0, 900.0, 0.2)
    running = time > 5.0
    channels = {
        "coolant_temperature": 95.0 - 75.0 * np.exp(-np.maximum(time - 5.0, 0.0) / 240.0),
        "engine_speed": np.where(running, 900.0, 0.0),
    }
    info = {k: ChannelInfo(unit="", column=k, conversion="none", rows=time.size, effective_hz=5.0)
            for k in channels}  # fmt: skip
    session = Session("x", time, channels, info, DEFAULT_VEHICLE)
    metrics = analyse(session, COOLING, strict=True)["warm_up"].metrics
    # The sensor's own lag of 1.5 s is taken off the reading's time.
    assert metrics["time_to_80c_s"].value == pytest.approx(386.265 - 1.5, abs=1.0)


def test_a_thermostat_that_swings_all_the_time_is_no_air() -> None:
    """An open drive swings by 4 K every half minute (86 to 90 degC), up to 6 K, and is sound."""
    from pipeline.session import ChannelInfo, Session
    from pipeline.vehicle import DEFAULT_VEHICLE

    time = np.arange(0.0, 1500.0, 1.0)
    phase = np.mod(time, 30.0)
    swing = np.interp(phase, [0, 12, 18, 24, 30], [88, 90, 86, 87, 88])
    for at in (375, 615, 855, 1095, 1335):  # the far end of the same swing, as it falls
        swing[at : at + 5] -= 1.0

    def found(coolant: np.ndarray) -> list[str]:
        channels = {
            "coolant_temperature": np.round(coolant),
            "engine_speed": np.full(time.size, 2000.0),
            "vehicle_speed": np.full(time.size, 60.0),
        }
        info = {k: ChannelInfo(unit="", column=k, conversion="none", rows=time.size,
                               effective_hz=1.0) for k in channels}  # fmt: skip
        session = Session("x", time, channels, info, DEFAULT_VEHICLE)
        return [f.kind for f in analyse(session, COOLING, strict=True)["cooling"].findings]

    assert found(swing) == []
    calm = np.where(phase < 15.0, 88.0, 89.0)  # the last digit flickers, or it would be stuck
    for at in (300, 700, 1100):
        calm[at : at + 4] -= 8.0
    assert found(calm) == ["air_in_coolant"]


def on_the_road(*points: tuple[float, float], air: float = 1.0) -> Result:
    """Steady road from 100 s on, with the coolant (s, degC) and a share of that load's air."""
    log = hand(5.0, seconds=points[-1][0], begin_c=points[0][1], coolant=through(*points))
    driven = log.time >= 100.0
    log.put("vehicle_speed", driven, 80.0).put("engine_speed", driven, 2400.0)
    log.put("manifold_pressure", driven, 45.0 * air)
    only = replace(REGISTRY, analyses={"warm_up": REGISTRY.analyses["warm_up"]})
    return analyse(log.session(), only)["warm_up"]


@pytest.mark.parametrize(
    ("points", "air", "told"),
    [
        (((0, 8), (600, 66), (900, 60), (1200, 74)), 1.0, True),  # sinks, then climbs on
        (((0, 8), (600, 66), (900, 60), (1200, 74)), 0.3, False),  # downhill, no heat is made
        (((0, 8), (600, 66), (660, 61), (1200, 88)), 1.0, False),  # a heater switched on
        (((0, 8), (600, 85), (900, 79), (1200, 86)), 1.0, False),  # a thermostat that swings
    ],
)
def test_water_that_sinks_on_the_road_goes_through_an_open_thermostat(
    points: tuple[tuple[float, float], ...], air: float, told: bool
) -> None:
    found = [f.kind for f in on_the_road(*points, air=air).findings]
    assert ("thermostat_stuck_open" in found) == told


def test_water_within_half_a_digit_of_a_level_may_not_have_reached_it() -> None:
    """It touches 59.9 degC, sinks and comes back: a reading of 60 is no proof before 800 s."""
    result = on_the_road((0, 10), (500, 59.9), (600, 57), (800, 60), (1000, 65))
    time = result.metrics["time_to_60c_s"]
    assert time.low is not None
    assert time.high is not None
    assert time.low < 800.0 - 6.2 - 1.5 < time.high < time.low + 60.0
    assert time.low < time.value < time.high


@pytest.mark.parametrize(("top", "told"), [(122.0, "overheating"), (96.0, "air_in_coolant")])
def test_a_reading_that_jumps_in_steam_is_told_as_overheating(top: float, told: str) -> None:
    """Boiled over at rest, the reading falls to 92 degC and jumps by 8 K now and then."""
    log = hand(5.0, seconds=900.0, begin_c=60.0).park(470.0)
    level = np.interp(log.time, [0, 400, 500, 505, 900], [60, top, top, 92, 92])
    since = np.mod(log.time, 60.0)
    jumps = (log.time > 560.0) & (since < 5.0)
    log.put("coolant_temperature", log.time >= 0.0, level + jumps * 8.0 * np.exp(-since / 3.0))
    only = replace(REGISTRY, analyses={"cooling": REGISTRY.analyses["cooling"]})
    assert [f.kind for f in analyse(log.session(), only)["cooling"].findings] == [told]


@pytest.mark.parametrize(("falls", "told"), [(0.0, []), (9.0, ["air_in_coolant"])])
def test_water_that_warms_fast_in_a_hard_pull_has_fallen_from_nowhere(
    falls: float, told: list[str]
) -> None:
    """22 K in 20 s, twice: below what follows, but never below what came before."""
    log = hand(5.0, seconds=700.0, begin_c=40.0)
    level = through((0, 40), (300, 61), (320, 83), (360, 82), (480, 61), (500, 83), (700, 84))
    bubble = np.zeros(log.time.size)
    for at in (330.0, 510.0):
        bubble[log.where(at, at + 4.0)] = falls
    log.put("coolant_temperature", log.time >= 0.0, np.round(level(log.time) - bubble))
    only = replace(REGISTRY, analyses={"cooling": REGISTRY.analyses["cooling"]})
    assert [f.kind for f in analyse(log.session(), only)["cooling"].findings] == told


@pytest.mark.parametrize(
    ("stood", "renewed", "told"),
    [
        ((88.0, 88.0, 89.0), None, True),
        ((88.0, 88.0, 89.0), 3, False),  # another thermostat opens where it opens
        ((79.0, 80.0, 79.0), None, True),
        ((71.0, 70.0, 72.0, 71.0), None, False),  # stuck open: that is where no engine belongs
    ],
)
def test_only_sound_sessions_of_this_thermostat_say_what_is_usual(
    stood: tuple[float, ...], renewed: int | None, told: bool
) -> None:
    held = [{"level": float(at), "start": 300.0, "end": 400.0} for at in range(85, 98)]
    result = Result(status="clear", why="", digest={"episodes": held})
    entries = () if renewed is None else (
        Entry(date=dt.datetime(2026, 5, renewed, 12), text="renewed", touched=["cooling"]),
    )  # fmt: skip
    mine = Own(session_id="z", start_time="2026-05-09T10:00:00", duration_s=900.0, result=result,
               vehicle=DEFAULT_VEHICLE, logbook=entries)  # fmt: skip
    before = [
        Earlier(session_id=f"{day}", start_time=f"2026-05-0{day}T10:00:00", duration_s=900.0,
                digest={}, version=1, metrics={"coolant_plateau_c": Metric(value=c, unit="degC")},
                findings=[])
        for day, c in enumerate(stood, start=1)
    ]  # fmt: skip
    judge = COOLING.analyses["cooling"].judge
    assert judge is not None
    assert [f.kind for f in judge(mine, before).findings] == ["overheating"] * told
