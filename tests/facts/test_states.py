"""The states fact: a drive laid out by hand with known edges, simulated truth, open drives.

Definitions of the states are the project's own contract; 60 s, 4 s and 5 % come from there.
"""

from collections.abc import Mapping, Sequence

import numpy as np
import pytest

from fixtures.cars import draw_car
from fixtures.drives import DRIVES
from fixtures.simulate import simulate
from pipeline.facts.states import States
from pipeline.registry import load_registry
from pipeline.runner import FactStore, Timings
from pipeline.session import ChannelInfo, NotAvailableError, Session
from pipeline.vehicle import DEFAULT_VEHICLE
from tests.judge.bridge import fact_of

REGISTRY = load_registry()
ALL = ("throttle_position", "vehicle_speed", "manifold_pressure", "battery_voltage",
       "injector_pulse_width")  # fmt: skip


def states_of(time: np.ndarray, channels: Mapping[str, np.ndarray]) -> States:
    info = {k: ChannelInfo(unit="", column=k, conversion="none", rows=time.size,
                           effective_hz=1.0 / float(np.median(np.diff(time))))
            for k in channels}  # fmt: skip
    session = Session("x", time, channels, info, DEFAULT_VEHICLE)
    value = FactStore(session, REGISTRY, Timings()).get("states", optional=False)
    assert isinstance(value, States)
    return value


def drive(rate_hz: float, without: Sequence[str] = ()) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """Key on 3.5 s, cranking 1.8 s, idle to 70 s, cruise, overrun from 100 s, idle, off at 150 s.

    Speed is seen from 4 s only: the starter's sag begins half a second before.
    """
    random = np.random.default_rng(0)
    time = np.arange(0.0, 180.0, 1.0 / rate_hz)
    rpm = np.interp(
        time,
        [0, 4.0, 4.01, 5.2, 5.5, 6.2, 70, 75, 100, 101, 110, 110.8, 150, 150.5],
        [0, 0, 210, 210, 900, 1000, 850, 2500, 2500, 2400, 1300, 850, 850, 0],
    )
    rpm = np.where(rpm > 0, rpm + random.normal(0, 3, time.size), 0.0).clip(0)
    pulled = (time >= 70) & (time < 100)
    coast = (time >= 100) & (time < 109)
    channels = {
        "engine_speed": rpm,
        "throttle_position": np.round(np.where(pulled, 18.0, 0.4) / 0.4) * 0.4,
        "vehicle_speed": np.round(np.interp(time, [0, 70, 75, 100, 110, 114],
                                            [0, 0, 50, 50, 30, 0])),
        "manifold_pressure": np.where(rpm < 1, 100.0, np.where(pulled, 70.0,
                                      np.where(coast, 24.0, 34.0))),
        "battery_voltage": np.where((time > 3.5) & (time < 5.3), 10.5,
                                    np.where(rpm < 1, 12.4, 13.8)),
        "injector_pulse_width": np.where(coast, 0.0, np.where(rpm > 1, 3.0, 0.0)),
    }  # fmt: skip
    return time, {k: v for k, v in channels.items() if k not in without}


def edges(states: States) -> dict[str, float]:
    """First moment of each state."""
    first: dict[str, float] = {}
    for interval in states.intervals:
        first.setdefault(interval.state, interval.start_s)
    return first


@pytest.mark.parametrize("rate_hz", [1.0, 10.0, 25.0, 50.0])
def test_edges_lie_where_they_were_laid(rate_hz: float) -> None:
    states = states_of(*drive(rate_hz))
    row = 1.0 / rate_hz
    first = edges(states)
    for name, moment in {"key_on": 0.0, "cranking": 3.5, "after_start": 5.3, "idle": 65.3,
                         "cruise": 75.0, "overrun": 100.0, "stopped": 150.2}.items():  # fmt: skip
        assert first[name] == pytest.approx(moment, abs=0.3 + row), name
    assert states.start_seen
    assert len(states.starts) == 1
    assert len(states.starts[0].tries) == 1
    cut = [i for i in states.intervals if i.fuel_cut]
    assert {i.state for i in cut} == {"overrun"}
    assert sum(i.end_s - i.start_s for i in cut) == pytest.approx(9.0, abs=0.3 + row)


def test_intervals_cover_every_row_without_overlap() -> None:
    time, channels = drive(25.0)
    states = states_of(time, channels)
    ends = [i.end_s for i in states.intervals]
    assert [i.start_s for i in states.intervals][1:] == ends[:-1]
    assert ends[-1] == time[-1]
    assert states.code.shape == time.shape
    assert (states.mask(*states.labels)).all()
    with pytest.raises(KeyError):
        states.mask("sleeping")


@pytest.mark.parametrize("gone", [("throttle_position",), ("vehicle_speed",),
                                  ("manifold_pressure",), ("battery_voltage",), ALL])  # fmt: skip
def test_it_works_without_its_channels(gone: tuple[str, ...]) -> None:
    states = states_of(*drive(10.0, gone))
    first = edges(states)
    assert first["after_start"] == pytest.approx(5.3, abs=0.4)
    assert first["stopped"] == pytest.approx(150.2, abs=0.4)
    assert "idle" in first
    if gone == ("throttle_position",):
        assert states.pedal_source == "pressure"
        assert first["overrun"] == pytest.approx(100.0, abs=0.4)
    if gone == ALL:
        assert "overrun" not in first  # nothing in the log tells a released pedal from a light one


def test_a_lost_signal_is_no_stop_and_a_stop_is_no_lost_signal() -> None:
    time, channels = drive(25.0)
    channels["engine_speed"][(time > 85.0) & (time < 85.4)] = 0.0
    states = states_of(time, channels)
    assert states.running[(time > 80) & (time < 90)].all()
    assert states.dropout.sum() == pytest.approx(10, abs=1)
    assert len(states.starts) == 1


def test_a_log_that_begins_on_the_road_has_no_start() -> None:
    time, channels = drive(25.0)
    late = time >= 80.0
    cut = {k: v[late].copy() for k, v in channels.items()}
    cut["engine_speed"][0] = 0.0  # many loggers have no speed yet in their first row
    states = states_of(time[late] - 80.0, cut)
    assert not states.start_seen
    assert states.first_running_s == 0.0
    assert "after_start" not in edges(states)


def test_a_throttle_that_stands_open_at_idle_is_no_pedal() -> None:
    """A diesel's throttle rests open and shuts to stop the engine (seen in the open drives)."""
    time, channels = drive(10.0, ("injector_pulse_width", "manifold_pressure"))
    channels["throttle_position"] = np.where(channels["engine_speed"] > 400, 83.5, 13.7)
    states = states_of(time, channels)
    assert states.closed_throttle is None
    assert states.pedal_source == "speed"
    assert edges(states)["idle"] == pytest.approx(65.3, abs=0.5)


def test_strokes_that_swing_about_the_barometer_are_no_boost() -> None:
    """A cruise at 98 kPa whose reading swings by 6 kPa: its mean is below the air's 100 kPa."""
    time, channels = drive(10.0)
    pulled = (time >= 70) & (time < 100)
    swing = 98.0 + 6.0 * np.sin(2.0 * np.pi * time / 0.31)
    channels["manifold_pressure"] = np.where(pulled, swing, channels["manifold_pressure"])
    assert "boost" not in edges(states_of(time, channels))
    channels["manifold_pressure"] = np.where(
        pulled & (time >= 85.0), swing + 12.0, channels["manifold_pressure"]
    )
    assert edges(states_of(time, channels))["boost"] == pytest.approx(85.0, abs=0.3)


def test_a_light_foot_where_the_cold_idle_stood_is_no_overrun() -> None:
    """The control lifts the throttle by 2 % for the idle and lets it go on the move."""
    time, channels = drive(10.0, ("injector_pulse_width",))
    idle = (channels["vehicle_speed"] < 1.0) & (channels["engine_speed"] > 500.0)
    light = (time >= 85.0) & (time < 95.0)
    foot = channels["throttle_position"] + 0.4 * (np.arange(time.size) % 2) * (time > 70.0)
    channels["throttle_position"] = np.where(idle | light, 2.4, foot)
    states = states_of(time, channels)
    assert not states.mask("overrun")[light].any()
    assert states.mask("overrun")[(time > 102.0) & (time < 108.0)].all()
    assert states.mask("idle")[(time > 116.0) & (time < 149.0)].all()


def test_key_on_alone_is_key_on() -> None:
    time = np.arange(0.0, 30.0, 0.1)
    states = states_of(time, {"engine_speed": np.zeros(time.size)})
    assert [i.state for i in states.intervals] == ["key_on"]
    assert states.first_running_s is None
    with pytest.raises(NotAvailableError):
        states_of(time, {"engine_speed": np.full(time.size, np.nan)})


@pytest.mark.parametrize(("name", "seed", "rate_hz"), [
    ("mixed_drive", 401, 25.0), ("hot_restart", 402, 10.0), ("mid_drive", 403, 15.0),
])  # fmt: skip
def test_simulated_truth_is_met(name: str, seed: int, rate_hz: float) -> None:
    run = simulate(draw_car(seed), DRIVES[name](seed, rate_hz=rate_hz), (), seed)
    states = fact_of(run, REGISTRY, "states")
    assert isinstance(states, States)
    time = run.frame[run.columns["time"]].to_numpy()
    true = np.full(time.size, "", dtype="<U12")
    for label, start, end in run.truth.states:
        true[(time >= start) & (time < end)] = label
    mine = np.array([*states.labels, ""])[states.code]
    assert (true == mine)[true != ""].mean() > 0.97
    for label in ("after_start", "idle", "cruise", "overrun", "cranking", "key_on"):
        here = true == label
        if here.sum() > 5.0 * rate_hz:
            assert (mine[here] == label).mean() > 0.96, label
    cut = np.zeros(time.size, dtype=bool)
    for start, end in run.truth.fuel_cut:
        cut |= (time >= start) & (time < end)
    if cut.sum() > 2.0 * rate_hz:
        assert states.fuel_cut[cut].mean() > 0.9
        assert not states.fuel_cut[~cut & states.mask("idle", "cruise")].any()


def test_an_engine_that_stumbles_while_it_catches_runs_from_its_first_firing_on() -> None:
    """After the first firing it falls to 200 rpm for 0.2 s: no starter is that quick."""
    time, channels = drive(25.0)
    stumble = (time >= 5.9) & (time < 6.1)
    channels["engine_speed"] = np.where(stumble, 200.0, channels["engine_speed"])
    assert edges(states_of(time, channels))["after_start"] == pytest.approx(5.25, abs=0.15)


@pytest.mark.parametrize(("loads", "charge"), [(0.0, 0.0), (0.6, 0.0), (0.0, 1.5)])
def test_cranking_begins_at_the_sag_also_where_it_eases_before_the_first_speed(
    loads: float, charge: float
) -> None:
    """A starter pulls hardest before it turns: under way the voltage may stand 0.8 V down only.

    Loads before it that pull no further, and a battery just charged that comes down, are none.
    """
    time, channels = drive(25.0)
    volts = 12.4 - loads * ((time >= 1.0) & (time < 3.6)) - 3.0 * ((time >= 3.6) & (time < 3.75))
    volts -= 0.8 * ((time >= 3.75) & (time < 5.3)) - charge * np.clip(1.0 - time / 3.6, 0.0, 1.0)
    channels["battery_voltage"] = np.where(time < 5.3, volts, 14.0)
    begin, end = states_of(time, channels).starts[0].tries[0]
    assert begin == pytest.approx(3.6, abs=0.05)
    assert end == pytest.approx(5.3, abs=0.15)


def test_the_alternators_voltage_that_falls_after_a_stop_is_no_starter() -> None:
    """The speed reads 0 while the voltage still comes down from charging, by 1.4 V in 0.3 s."""
    time, channels = drive(25.0)
    falls = 12.4 + 1.4 * np.exp(-np.clip(time - 150.6, 0.0, None) / 0.1)
    channels["battery_voltage"] = np.where(time < 150.6, channels["battery_voltage"], falls)
    channels["battery_voltage"][(time > 150.4) & (time < 150.6)] = 13.8
    states = states_of(time, channels)
    assert not states.cranking[time > 60.0].any()
    assert len(states.starts) == 1
