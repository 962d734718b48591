"""start, supply, charging, oil_pressure, drive_summary: simulated truth and rows made by hand."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from fixtures.cars import draw_car
from fixtures.drives import driver_stalls, mixed_drive, stop_and_go
from fixtures.faults import FAULTS
from fixtures.simulate import simulate
from pipeline.analysis.charging import judge as judge_charging
from pipeline.analysis.charging import level_with_interval
from pipeline.analysis.supply import judge as judge_supply
from pipeline.meta import Earlier, Own
from pipeline.registry import load_registry
from pipeline.results import Finding, Result
from pipeline.runner import analyse
from pipeline.session import ChannelInfo, Session
from pipeline.signals.segments import Floats
from pipeline.signals.smoothing import moving_mean
from pipeline.vehicle import DEFAULT_VEHICLE
from tests.analysis.hand_logs import by_name, hand
from tests.judge.bridge import Judged, judge_run, session_of

REGISTRY = load_registry()
SUPPLY = replace(REGISTRY, analyses={"supply": REGISTRY.analyses["supply"]})
MINE = ("start", "supply", "charging", "oil_pressure", "drive_summary")
ONLY = replace(REGISTRY, analyses={name: REGISTRY.analyses[name] for name in MINE})


def judged(seed: int, fault: str = "", strength: float = 0.6) -> Judged:
    faults = (FAULTS[fault](strength),) if fault else ()
    return judge_run(simulate(draw_car(seed), mixed_drive(seed, 8.0), faults, seed), ONLY)


def kinds(run: Judged) -> dict[str, Finding]:
    return {f.kind: f for a in MINE for f in run.results[a].findings}


@pytest.mark.parametrize(
    ("fault", "severities"),
    [
        ("hard_start", {"watch"}),
        ("controller_reset", {"act"}),
        ("crank_signal_loss", {"watch", "act"}),
        ("low_charging_voltage", {"watch", "act"}),
        ("high_charging_voltage", {"act"}),
        ("low_oil_pressure", {"act", "stop"}),
        ("log_gap", {"info"}),
    ],
)
def test_each_fault_is_found_with_causes_and_checks(fault: str, severities: set[str]) -> None:
    finding = kinds(judged(311, fault, 0.8))[fault]
    assert finding.severity in severities
    assert finding.likely_causes
    assert finding.next_checks
    assert 0.5 <= finding.confidence <= 0.99


def test_figures_of_a_healthy_drive_are_right() -> None:
    run = judged(312)
    truth, metrics = run.run.truth.scalars, run.metrics
    assert kinds(run) == {}
    assert metrics["cranking_time_s"].value == pytest.approx(truth["cranking_time_s"], abs=0.15)
    assert metrics["distance_km"].value == pytest.approx(truth["distance_km"], rel=0.01)
    assert 13.0 < metrics["charging_voltage_v"].value < 15.0


def test_a_driver_who_stalls_is_no_hard_start() -> None:
    run = judge_run(simulate(draw_car(313), driver_stalls(313), (), 313), ONLY)
    assert "hard_start" not in kinds(run)
    assert "controller_reset" not in kinds(run)
    stall = kinds(run)["stall"]
    assert stall.severity == "info"
    assert stall.likely_causes[0].cause == "driver's clutch"


@pytest.mark.parametrize(("kmh", "tries"), [(3.0, 1.0), (0.0, 2.0)])
def test_a_start_that_pulled_the_car_before_it_was_choked_did_not_fail(
    kmh: float, tries: float
) -> None:
    """Caught in the first try and set off at once: the next try is another start."""
    log = hand(20.0, tries=((5.0, 6.0), (9.5, 10.3)))
    choked = log.where(6.0, 6.8)
    log.put("engine_speed", choked, 480.0).put("battery_voltage", choked, 13.6)
    log.put("vehicle_speed", log.where(6.2, 8.0), kmh)
    result = by_name(log.session(), "start")
    assert result.metrics["start_tries"].value == tries
    assert [f.kind for f in result.findings] == (["hard_start"] if tries > 1.0 else [])


@pytest.mark.parametrize(
    ("hunts", "creeps", "pushed", "severity"),
    [(60.0, 0.0, 0.0, "info"), (5.0, 7.5, 0.9, "info"), (5.0, 7.5, -4.0, "watch")],
)
def test_a_choked_engine_is_told_by_the_car_and_by_the_idle_it_held(
    hunts: float, creeps: float, pushed: float, severity: str
) -> None:
    """A cold idle hunts about where it stands; a car in gear is pushed as its engine falls."""
    log = hand(20.0, seconds=230.0, begin_c=-5.0).park(150.0)
    at, fallen = log.time - 170.0, log.where(170.0, 190.0)
    swing = hunts * (np.sin(2.1 * log.time) + 0.5 * np.sin(5.3 * log.time))
    log.put("engine_speed", log.time >= 150.0, 1150.0 + swing)
    log.put("engine_speed", fallen, np.maximum(0.0, 1150.0 - at * 1700.0))
    log.put("engine_speed", log.time >= 190.0, 850.0)
    log.put("vehicle_speed", log.time >= 150.0, creeps)
    log.put("vehicle_speed", fallen, np.maximum(0.0, creeps + pushed * np.minimum(at / 0.4, 1.0)))
    log.add("injector_pulse_width", np.where(log.channels["engine_speed"] > 60.0, 2.5, 0.0))
    stalls = [f for f in by_name(log.session(), "supply").findings if f.kind == "stall"]
    assert [f.severity for f in stalls] == [severity]


def test_an_engine_switched_off_from_below_its_usual_idle_did_not_die() -> None:
    """Most of the log it idled fast and cold; it stood at 850 rpm when the key cut injection."""
    log = hand(20.0, seconds=230.0).park(60.0)
    speed = np.interp(log.time, [60, 160, 165.5, 166, 170, 170.8], [1080, 1080, 1400, 850, 850, 0])
    log.put("engine_speed", log.time >= 60.0, speed).put("engine_speed", log.time >= 190.0, 1000.0)
    firing = (log.time < 170.0) | (log.time >= 190.0)
    log.add("injector_pulse_width", np.where(firing, 2.5, 0.0))
    assert "stall" not in {f.kind for f in by_name(log.session(), "supply").findings}


@pytest.mark.parametrize(
    ("pace", "bites", "severity"),
    [
        (900.0, 0.0, "watch"),
        (250.0, 0.0, "watch"),
        (560.0, 0.0, "watch"),
        (400.0, 9000.0, "info"),
        (2600.0, 0.0, "info"),
        (120.0, 300.0, "info"),
    ],
)
@pytest.mark.parametrize("drop", [set(), {"vehicle_speed"}])
def test_an_engine_that_ceases_to_fire_at_idle_falls_as_if_switched_off(
    pace: float, bites: float, severity: str, drop: set[str]
) -> None:
    """Or it sags; a clutch bites ever harder or at once. Injection ends at half of idle."""
    log = hand(20.0, seconds=240.0).park(150.0)
    log.drop |= drop

    def fall(at: float, pace: float, bites: float = 0.0) -> Floats:
        since = np.maximum(0.0, log.time - at)
        return np.maximum(0.0, 850.0 - pace * since - bites * since**2)

    log.put("engine_speed", log.time >= 150.0, fall(170.0, pace, bites))
    log.put("engine_speed", log.time >= 178.0, fall(210.0, 800.0))
    firing = (log.channels["engine_speed"] > 400.0) & (log.time < 210.0)
    log.add("injector_pulse_width", np.where(firing, 2.5, 0.0))
    stalls = [f for f in by_name(log.session(), "supply").findings if f.kind == "stall"]
    assert [f.severity for f in stalls] == [severity]


@pytest.mark.parametrize("without", [(), ("injector_pulse_width", "injector_duty", "run_time")])
def test_an_engine_that_dies_on_its_way_to_idle_is_a_stall(without: tuple[str, ...]) -> None:
    """Told from a key-off, a reset and a lost signal, with and without injection in the log."""
    drive = stop_and_go(40, 4.0, missing=without)
    run = simulate(draw_car(40), drive, (FAULTS["stall"](0.9),), 40)
    true = [f for f in run.truth.faults if f.kind == "stall"]
    found = analyse(session_of(run), SUPPLY, strict=True)["supply"].findings
    assert [(f.kind, f.severity) for f in found] == [("stall", "watch")]
    assert found[0].start_s == pytest.approx(true[0].start_s, abs=2.0)
    assert found[0].end_s == pytest.approx(true[0].end_s, abs=1.0)
    sound = simulate(draw_car(40), drive, (), 40)
    assert analyse(session_of(sound), SUPPLY, strict=True)["supply"].findings == []


def test_an_engine_that_catches_itself_did_not_stop() -> None:
    time = np.arange(0.0, 200.0, 0.1)
    rpm = np.interp(time, [0, 99, 100, 100.6, 102, 150, 150.8], [850, 850, 330, 330, 900, 850, 0])
    found = {f.kind for f in by_hand(engine_speed=rpm)["supply"].findings}
    assert found == set()


def own(digest: dict[str, object], continues: str | None) -> Own:
    result = Result(status="clear", why="x", digest=digest)
    return Own(session_id="b", start_time="2026-05-01T10:05:00", duration_s=60.0, result=result,
               vehicle=DEFAULT_VEHICLE, continues=continues)  # fmt: skip


def earlier(digest: dict[str, object]) -> Earlier:
    return Earlier(session_id="a", start_time="2026-05-01T10:00:00", duration_s=60.0,
                   digest=digest, version=1, metrics={}, findings=[])  # fmt: skip


def test_a_reset_that_cut_the_log_is_told_from_one_that_was_stopped() -> None:
    alive = {"ended_alive": True, "ended_cranking": True, "least_volts": 6.9}
    fresh = {"run_time_start": 0.4, "began_dead": True}
    found = judge_supply(own(fresh, "a"), [earlier(alive)])
    assert [f.kind for f in found.findings] == ["controller_reset"]
    assert found.findings[0].evidence["lowest_voltage"].value == 6.9
    dead = {"ended_alive": False, "ended_cranking": False, "least_volts": 12.0}
    assert judge_supply(own(fresh, "a"), [earlier(dead)]).findings == []
    still = {"run_time_start": 812.0, "began_dead": False}
    assert judge_supply(own(still, "a"), [earlier(alive)]).findings == []
    assert judge_supply(own(fresh, None), [earlier(alive)]).findings == []


def by_hand(**channels: np.ndarray) -> dict[str, Result]:
    time = np.arange(0.0, 200.0, 0.1)
    info = {k: ChannelInfo(unit="", column=k, conversion="none", rows=time.size, effective_hz=10.0)
            for k in channels}  # fmt: skip
    return analyse(Session("x", time, channels, info, DEFAULT_VEHICLE), REGISTRY, strict=True)


def test_limits_are_where_the_contract_puts_them() -> None:
    time = np.arange(0.0, 200.0, 0.1)
    random = np.random.default_rng(1)
    rpm = np.where(time > 3.0, 2000.0, 0.0) + random.normal(0, 2, time.size) * (time > 3.0)
    for volts, wanted in ((12.95, "watch"), (12.4, "act"), (13.05, None)):
        results = by_hand(engine_speed=rpm, battery_voltage=np.full(time.size, volts))
        found = [f.severity for f in results["charging"].findings]
        assert found == ([wanted] if wanted else []), volts
    for pressure, wanted in ((95.0, "stop"), (110.0, None), (5.0, "stop")):
        oil = np.where(time > 4.0, pressure, 0.0)
        results = by_hand(engine_speed=rpm + 200.0 * (time > 3.0), oil_pressure=oil)
        found = [f.severity for f in results["oil_pressure"].findings]
        assert found == ([wanted] if wanted else []), pressure


@pytest.mark.parametrize(
    ("low", "charged", "first"),
    [(12.0, 12.0, "alternator"), (12.0, 13.5, "charging paused"), (12.8, 13.1, "alternator")],
)
def test_charging_that_comes_and_goes_is_told_with_the_time_it_was_away(
    low: float, charged: float, first: str
) -> None:
    """An open log of a sound car: ten minutes at 12.0 V, then 13.5 V with dips to 12.0 V."""
    time = np.arange(0.0, 200.0, 0.1)
    volts = np.where((time > 150.0) & (time < 160.0), low, charged)
    volts = np.where(time < 85.0, low, volts)
    (found,) = by_hand(engine_speed=2000.0 * (time > 3.0), battery_voltage=volts)[
        "charging"
    ].findings
    lasted = found.evidence["for_seconds"].value
    assert lasted == pytest.approx(32.0 if charged > 13.0 else 137.0, abs=6.0)
    best = max(found.likely_causes, key=lambda c: c.probability)
    assert best.cause.startswith(first)


def test_a_log_that_was_paused_for_a_minute_is_no_reset() -> None:
    """A stop-start car in the open drives: 62 s without rows, running before, resting after."""
    alive = {"ended_alive": True, "ended_cranking": False, "least_volts": None}
    after = {"run_time_start": None, "began_dead": True, "continued_after_s": 62.07}
    assert judge_supply(own(after, "a"), [earlier(alive)]).findings == []
    soon = after | {"continued_after_s": 4.0}
    assert [f.kind for f in judge_supply(own(soon, "a"), [earlier(alive)]).findings] == [
        "controller_reset"
    ]


def test_the_battery_is_told_at_rest_and_while_it_takes_back_its_charge() -> None:
    """Own arithmetic: 14.2 - exp(-t/40) V comes within 0.1 V at t = 92 s, in its tenth 10 s."""
    time = np.arange(0.0, 600.0, 0.1)
    rpm = np.where(time < 8.0, 0.0, np.where(time < 9.0, 200.0, 900.0))
    volts = 14.2 - np.exp(-np.maximum(time - 9.0, 0.0) / 40.0)
    volts = np.where(time < 8.0, 11.8, np.where(time < 9.0, 9.5, volts))
    info = {k: ChannelInfo(unit="", column=k, conversion="none", rows=time.size, effective_hz=10.0)
            for k in ("engine_speed", "battery_voltage")}  # fmt: skip
    channels = {"engine_speed": rpm, "battery_voltage": volts}
    result = by_name(Session("x", time, channels, info, DEFAULT_VEHICLE), "charging")
    assert "11.8 V before the start, which is a flat battery" in result.why
    table = next(f for f in result.figures if f.id == "charging-table")
    rows = {row[0]: row[1:] for row in table.rows}  # type: ignore[union-attr]
    assert rows["at idle"][0] == pytest.approx(14.2, abs=0.02)
    assert rows["recharged after the start"][1] == pytest.approx(92.0, abs=10.0)


def test_charging_is_compared_with_the_vehicle_itself_at_its_temperature() -> None:
    """Own arithmetic: 14.3 V at 0 degC are 14.1 V at 20 degC by 0.1 V per 10 K."""
    before = [earlier({"idle": 14.1, "fast": 14.3, "outside_c": 0.0}) for _ in range(3)]

    def why(now: dict[str, object], known: list[Earlier]) -> str:
        return judge_charging(own(now, None), known).why

    worse: dict[str, object] = {"idle": 13.88, "fast": 13.6, "outside_c": 20.0}
    assert "above 1500 rpm 0.5 V less" in why(worse, before)
    assert "(14.1 V at this" in why(worse, before)
    assert "at idle" not in why(worse, before)
    assert why(worse, before[:2]) == "x"
    # What the cold of winter gives is no change of the car's.
    assert why({"idle": 14.5, "fast": 14.7, "outside_c": -40.0}, before) == "x"
    assert "0.6 V more" in why({"fast": 14.7, "outside_c": 20.0}, before)


def test_a_throttle_held_open_before_the_start_is_told() -> None:
    log = hand(10.0)
    log.put("throttle_position", log.time < 5.0, 45.0)
    why = by_name(log.session(), "start").why
    assert "the throttle read 45 % before the starter turned" in why
    # A motor-driven plate rests a little open without current.
    log.put("throttle_position", log.time < 5.0, 12.0)
    assert "throttle" not in by_name(log.session(), "start").why


def test_a_counter_that_starts_with_each_firing_is_no_reset_at_a_restart() -> None:
    """It counts on while the engine stands and is cranked: that looks like a reset while cranked.

    Shared with nothing: a stop of 20 s and a restart put into a log made by hand.
    """
    log = hand(20.0).key_off(120.0)
    cranked, again = log.where(140.0, 140.6), log.time >= 140.6
    log.put("engine_speed", cranked, 210.0).put("engine_speed", again, 860.0)
    log.put("battery_voltage", cranked, 10.2).put("battery_voltage", again, 14.0)
    log.put("manifold_pressure", again, 34.0)
    since = np.where(again, log.time - 140.6, np.maximum(log.time - log.fired, 0.0))
    kinds_of = [
        f.kind for f in analyse(log.add("run_time", since).session(), SUPPLY)["supply"].findings
    ]
    assert "controller_reset" not in kinds_of
    # One that began with the key and is back at nothing while it is cranked did start again.
    reset = np.where(log.time >= 140.3, log.time - 140.3, log.time + 30.0)
    kinds_of = [
        f.kind for f in analyse(log.add("run_time", reset).session(), SUPPLY)["supply"].findings
    ]
    assert "controller_reset" in kinds_of


@pytest.mark.parametrize("moment", [120.1, 120.35])
def test_a_counter_that_falls_back_while_the_engine_spins_out_is_no_reset(
    moment: float,
) -> None:
    """Choked at 120 s, at rest a second later and cranked again: its counter only says so."""
    log = hand(20.0).park(100.0)
    out, rest = log.where(120.0, 121.0), log.where(121.0, 121.8)
    cranked, again = log.where(121.8, 122.4), log.time >= 122.4
    log.put("engine_speed", out, 860.0 - 800.0 * (log.time - 120.0))
    log.put("engine_speed", rest, 0.0).put("engine_speed", cranked, 210.0)
    log.put("battery_voltage", rest, 12.6).put("battery_voltage", cranked, 10.2)
    # It falls back at 780 or 580 rpm, where injection still says that the engine runs.
    log.add("injector_pulse_width", np.where(log.channels["engine_speed"] > 300.0, 2.5, 0.0))
    since = np.where(again, log.time - 122.4, np.where(log.time < moment, log.time + 30.0, 0.0))
    session = log.add("run_time", since).session()
    assert "controller_reset" not in [f.kind for f in analyse(session, SUPPLY)["supply"].findings]
    # In an engine that runs on it is one.
    log = hand(20.0)
    since = np.where(log.time < 120.55, log.time + 30.0, log.time - 120.55)
    session = log.add("run_time", since).session()
    assert "controller_reset" in [f.kind for f in analyse(session, SUPPLY)["supply"].findings]


def test_a_lone_high_value_of_the_counter_while_cranked_is_no_reset() -> None:
    log = hand(20.0).park(100.0)
    rest, cranked, again = log.where(120.0, 122.4), log.where(122.4, 125.0), log.time >= 125.0
    log.put("engine_speed", rest, 0.0).put("engine_speed", cranked, 210.0)
    log.put("battery_voltage", rest, 12.6).put("battery_voltage", cranked, 10.2)
    since = np.where(again, log.time - 125.0, 0.0)
    since[int(np.searchsorted(log.time, 122.8))] = 150.0
    session = log.add("run_time", since).session()
    assert "controller_reset" not in [f.kind for f in analyse(session, SUPPLY)["supply"].findings]


@pytest.mark.parametrize(
    ("idle", "after", "told"), [(1.0, 5.0, False), (1.0, 20.0, True), (1.4, 20.0, True)]
)
def test_a_stop_from_a_held_idle_is_told_only_where_the_key_stayed_on(
    idle: float, after: float, told: bool
) -> None:
    """Injection in the falling rows alone is no sign: some compute it from the speed.

    From a fast idle, held all the while, the speed does not come down either.
    """
    log = hand(20.0).key_off(170.0)
    log.put("engine_speed", log.time >= 158.0, idle * log.channels["engine_speed"])
    log.add("injector_pulse_width", np.where(log.channels["engine_speed"] > 60.0, 2.5, 0.0))
    session = log.session()
    rows = session.time < 171.0 + after
    session = replace(
        session, time=session.time[rows], channels={k: v[rows] for k, v in session.channels.items()}
    )
    stalls = [f for f in analyse(session, SUPPLY)["supply"].findings if f.kind == "stall"]
    assert bool(stalls) == told
    assert all(f.severity == "info" for f in stalls)


@pytest.mark.parametrize(("noise", "digit"), [(0.03, 0.02), (0.002, 0.05)])
@pytest.mark.parametrize("cut", [np.floor, np.round])
def test_the_interval_of_the_voltage_knows_of_loads_and_digits(
    noise: float, digit: float, cut: Callable[[np.ndarray], np.ndarray]
) -> None:
    """Loads of a minute make few independent readings; held against many drawn sessions."""
    random = np.random.default_rng(5)
    time = np.arange(3000) * 0.2
    held, alone = [], []
    for _ in range(200):
        level = 14.1 + random.uniform(0.0, digit)
        load = np.repeat(random.normal(0.0, 0.1, 15), 200)
        shown = cut((level + load + random.normal(0, noise, load.size)) / digit) * digit
        smooth = moving_mean(time, shown, seconds=1.0)
        middle, low, high = level_with_interval(shown, smooth, 600.0)
        held.append(low <= level <= high)
        alone.append(abs(middle - level) < 1.96 * 0.1 * 1.25 / np.sqrt(60.0))
    # Where noise does not spread the readings, where in its digit a voltage lies stays open.
    assert 0.92 < np.mean(held) <= (0.98 if noise > digit else 1.0)
    # Readings of 10 s taken as independent hold far less often.
    assert np.mean(alone) < 0.8


def test_the_noise_of_readings_does_not_move_a_lopsided_voltage() -> None:
    """Regulated 55 % of the time, pulled down by loads the rest: the median is the regulator's."""
    log = hand(20.0, seconds=600.0)
    random = np.random.default_rng(3)
    loads = 0.4 * (np.mod(log.time, 60.0) < 27.0)
    log.put("battery_voltage", log.time >= 30.0, 14.1 - loads + random.normal(0, 0.05, loads.size))
    voltage = by_name(log.session(), "charging").metrics["charging_voltage_v"]
    assert voltage.value == pytest.approx(14.1, abs=0.03)
