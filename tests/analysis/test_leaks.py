"""Leaks: told by idle air and by the lean bias over flow; healthy engines raise nothing."""

import pytest

from fixtures.cars import draw_car
from fixtures.drives import mixed_drive
from fixtures.faults import FAULTS
from fixtures.simulate import simulate
from pipeline.analysis._leak_shape import LeanShape, RestIdle
from pipeline.analysis.leaks import _conclude, _exhaust, _falls_with_flow, _speed_density
from pipeline.meta import Earlier
from pipeline.registry import Registry, load_registry
from pipeline.runner import analyse
from pipeline.vehicle import Vehicle, parse_vehicle
from tests.analysis.sensor_logs import sensor_log
from tests.judge.bridge import judge_run

ALL = load_registry()
ONLY = Registry(ALL.facts, {"leaks": ALL.analyses["leaks"]})


def result(*faults, sensing="speed_density", earlier=0):
    car = draw_car(0, load_sensing=sensing)
    before = []
    for k in range(earlier):
        healthy = simulate(car, mixed_drive(40 + k, 9.0), (), 20 + k)
        before.append(judge_run(healthy, ONLY, earlier=before, name=f"before-{k}"))
    run = simulate(car, mixed_drive(0, 14.0), faults, 7)
    return judge_run(run, ONLY, earlier=before, strict=True).results["leaks"]


def test_healthy_engine_raises_nothing_and_could_have_shown_both():
    clear = result()
    assert clear.findings == []
    assert clear.limits_of_detection["exhaust_leak"].could_show
    assert clear.limits_of_detection["intake_leak"].could_show


@pytest.mark.parametrize("sensing", ["speed_density", "air_meter"])
def test_exhaust_leak_is_lean_at_little_flow_only(sensing):
    found = result(FAULTS["exhaust_leak"](0.8), sensing=sensing).findings
    assert [f.kind for f in found] == ["exhaust_leak"]
    assert found[0].severity == "watch"
    shown = found[0].evidence
    assert shown["lean_low_flow"].value > 3.0 * shown["lean_large_flow"].value


def test_intake_leak_raises_idle_pressure_over_the_vehicles_own():
    found = result(FAULTS["intake_leak"](0.3), earlier=2).findings
    assert [f.kind for f in found] == ["intake_leak"]
    assert found[0].evidence["over_own"].value >= 4.0


def test_unmetered_air_is_an_intake_leak_and_may_be_said_to_tie():
    found = result(FAULTS["intake_leak"](0.3), sensing="air_meter").findings
    assert [f.kind for f in found] == ["intake_leak"]
    assert "exhaust leak before the sensor" in {c.cause for c in found[0].likely_causes}


@pytest.mark.parametrize(
    ("warm", "own_air", "kind"),
    [(20.1, [], "intake_leak"), (20.1, [15.0, 15.2], "exhaust_leak"), (14.0, [], "exhaust_leak")],
)
def test_a_bias_that_does_not_shrink_with_heat_ties_unless_the_idle_s_air_stands_where_it_did(
    warm, own_air, kind
):
    lean = LeanShape(low=20.2, high=4.3, fit_idle=18.7, misfit=4.6, falling=0.83, cold=20.3,
                     warm=warm, flow_low=4.7, seconds=370.0, volts=13.4)  # fmt: skip
    idle = RestIdle(pressure=None, air_control=15.0, over_target=None, rpm=701.0, lean=20.2,
                    seconds=129.0)  # fmt: skip
    digest = {"sensing": "air_meter", "duration_s": 550.0, "idle": vars(idle), "shape": vars(lean)}
    past = [
        Earlier(session_id=f"e{k}", start_time="2026-05-01T10:00:00", duration_s=900.0, version=1,
                digest={"sensing": "air_meter", "idle": {"air_control": air}, "shape": None},
                metrics={}, findings=[])
        for k, air in enumerate(own_air)
    ]  # fmt: skip
    (found,) = _conclude(digest, Vehicle(), past).findings
    assert found.kind == kind
    assert "apart" in found.detail


@pytest.mark.parametrize(("air_control", "found"), [(18.0, True), (27.5, False), (34.0, False)])
def test_more_idle_pressure_with_the_air_control_further_closed_is_a_leak(air_control, found):
    idle = RestIdle(pressure=39.5, air_control=air_control, over_target=None, rpm=880.0, lean=0.2,
                    seconds=60.0)  # fmt: skip
    leak = _speed_density(idle, [33.2, 33.0], [28.0, 28.3], Vehicle(), 600.0)
    assert (leak is not None and leak.kind == "intake_leak") is found


@pytest.mark.parametrize("rate_hz", [5.0, 25.0])
@pytest.mark.parametrize(
    ("sensing", "leak", "kinds"),
    [
        ("air_meter", {}, []),
        ("air_meter", {"intake_g_s": 0.1}, []),  # 2 % at idle: any idle cell
        ("air_meter", {"intake_g_s": 0.4}, ["intake_leak"]),
        ("throttle_speed", {"intake_g_s": 0.4}, ["intake_leak"]),
        ("air_meter", {"intake_g_s": 6.0}, ["intake_leak"]),  # off the sensor's end at small flow
        ("air_meter", {"exhaust_g_s": 0.6}, ["exhaust_leak"]),
        ("throttle_speed", {"exhaust_g_s": 0.6}, ["exhaust_leak"]),
        ("speed_density", {"exhaust_g_s": 0.6}, ["exhaust_leak"]),
        ("speed_density", {"exhaust_g_s": 0.15}, []),
    ],
)
def test_only_an_exhaust_leak_shrinks_as_its_metal_warms(sensing, leak, kinds, rate_hz):
    vehicle = f'[engine]\nload_sensing = "{sensing}"\n'
    log = sensor_log(rate_hz=rate_hz, vehicle=vehicle, **leak)
    found = analyse(log, ONLY, strict=True)["leaks"].findings
    assert [f.kind for f in found] == kinds


@pytest.mark.parametrize(
    ("seen", "found"),
    [
        (RestIdle(28.6, 24.0, 388.0, 1240.0, 0.0, 60.0), False),  # the control itself holds it up
        (RestIdle(48.0, 56.0, 143.0, 1010.0, 0.0, 60.0, creeping=1.0), False),
        (RestIdle(48.0, 22.0, 143.0, 1010.0, 0.0, 60.0, creeping=1.0), True),
        (RestIdle(48.0, 22.0, 143.0, 1010.0, 0.0, 9.0, creeping=1.0), False),  # rolls to a stop
        (RestIdle(46.0, 24.0, 388.0, 1240.0, 0.0, 60.0), True),  # no throttled idle stands there
        (RestIdle(31.0, 0.4, 64.0, 1004.0, 0.0, 60.0, air_swing=68.0), False),  # it hunts
        (RestIdle(31.0, 0.4, 64.0, 1004.0, 0.0, 60.0, air_swing=1.0), True),
    ],
)
def test_air_that_the_idle_control_gives_is_no_leak(seen, found):
    assert (_speed_density(seen, [], [], Vehicle(), 900.0) is not None) == found


@pytest.mark.parametrize(
    ("air_control", "lean", "hidden", "found"),
    [
        (26.0, 0.0, 0.0, False),  # metered, so let in by the engine's own doing
        (26.0, 0.0, 1.0, False),
        (0.4, 0.5, 0.0, False),  # a stop screw's air is metered too
        (0.4, 0.5, 1.0, True),  # trims that nobody logs may fuel what leaks in
        (26.0, 9.0, 0.0, True),
        (0.4, None, 0.0, True),
    ],
)
def test_air_that_a_metered_engine_fuels_is_not_leaking_in(air_control, lean, hidden, found):
    idle = RestIdle(None, air_control, 410.0, 1130.0, lean, 60.0, lean_hidden=hidden)
    digest = {"sensing": "air_meter", "idle": vars(idle), "shape": None, "duration_s": 300.0}
    assert bool(_conclude(digest, Vehicle(), ()).findings) is found


def shape(low, fit, misfit, cold=None, warm=None, volts=14.0):
    return LeanShape(low, 0.3, fit, misfit, 1.0, cold, warm, 4.0, 600.0, volts)


@pytest.mark.parametrize(
    ("seen", "own", "found"),
    [
        (shape(5.0, 5.4, 4.1), [], False),  # too uneven
        (shape(5.0, 5.4, 4.1), [shape(0.9, 0.4, 3.5)] * 2, True),  # as the table always was
        (shape(2.6, 2.9, 0.4, 3.4, 2.4), [shape(0.2, 0.0, 0.4)] * 2, True),  # slight, and shrinks
        (shape(2.6, 2.9, 0.4, 2.6, 2.6), [shape(0.2, 0.0, 0.4)] * 2, False),
        (shape(2.6, 2.9, 0.4, 3.4, 2.4), [], False),
    ],
)
def test_a_slight_leak_is_told_from_the_table_by_earlier_sessions(seen, own, found):
    assert _falls_with_flow(seen, own, "speed_density") == found


@pytest.mark.parametrize(("volts", "severity"), [(14.1, "watch"), (12.2, "info"), (None, "watch")])
def test_a_battery_that_is_not_charged_leans_small_flows_by_itself(volts, severity):
    told = _exhaust(shape(5.0, 5.4, 0.5, volts=volts), [], 900.0, "speed_density", tie=False)
    assert told.severity == severity
    assert ("not judged" in told.detail) == (severity == "info")


@pytest.mark.parametrize(
    ("rpm", "air_control", "creeping", "found"),
    [
        (1000.0, 0.0, 0.0, True),  # 150 over the file with the control shut
        (1000.0, 8.0, 0.0, False),  # the control gives the air: the controller wants it
        (1000.0, None, 0.0, False),
        (1300.0, None, 0.0, False),  # an idle valve that sticks open does that too
        (920.0, 0.0, 0.0, False),
        (1000.0, 0.0, 1.0, False),  # in gear the road holds it up
    ],
)
def test_without_a_target_the_files_idle_speed_tells_air_that_nobody_gives(
    rpm, air_control, creeping, found
):
    idle = RestIdle(38.0, air_control, None, rpm, 0.0, 60.0, creeping)
    given = parse_vehicle(b"[engine]\nidle_rpm = 850\n", channel_names=())
    assert (_speed_density(idle, [], [], given, 900.0) is not None) == found
    assert _speed_density(idle, [], [], Vehicle(), 900.0) is None  # a default is nobody's word


@pytest.mark.parametrize(
    ("seen", "own", "told"),
    [
        # a dead cylinder: most of it stays at large flow (a log of another simulator)
        (LeanShape(17.0, 13.9, 3.9, 0.4, 1.0, 17.2, 17.2, 4.0, 521.0), [0.1] * 2, None),
        (LeanShape(17.0, 13.9, 3.9, 0.4, 1.0, 17.2, 17.2, 4.0, 521.0), [], None),
        # tables with smooth errors of 5 %, no leak (the same)
        (LeanShape(7.3, 3.1, 4.5, 2.6, 0.83, 5.6, 7.9, 3.3, 1165.0), [], "info"),
        (LeanShape(5.5, -5.5, 14.3, 4.0, 0.83, 11.1, 5.1, 6.5, 611.0), [], "info"),
        (LeanShape(7.2, -2.6, 11.2, 2.3, 1.0, 7.5, 6.1, 3.1, 610.0), [], "info"),
        # leaks (a third simulator)
        (LeanShape(7.1, 2.6, 6.1, 1.7, 0.75, 7.2, 6.5, 4.0, 600.0), [], "watch"),
        (LeanShape(15.6, 5.3, 13.1, 1.6, 0.83, 16.0, 15.9, 4.3, 600.0), [], "watch"),
        # a leak in a car whose table always was lean
        (LeanShape(15.0, 6.5, 9.5, 1.0, 0.83, 16.0, 15.0, 4.3, 600.0), [5.5] * 2, "watch"),
    ],
)  # fmt: skip
def test_what_stays_at_large_flow_is_no_leak(seen, own, told):
    digest = {"sensing": "speed_density", "duration_s": 900.0, "idle": None, "shape": vars(seen)}
    past = [
        Earlier(session_id=f"e{k}", start_time="2026-05-01T10:00:00", duration_s=900.0, version=1,
                digest={"sensing": "speed_density", "idle": None,
                        "shape": vars(LeanShape(c, c, 0.0, 0.5, 0.5, c, c, 4.0, 600.0))},
                metrics={}, findings=[])
        for k, c in enumerate(own)
    ]  # fmt: skip
    found = _conclude(digest, Vehicle(), past)
    assert [f.severity for f in found.findings] == ([told] if told else [])
    if told == "info":
        assert "not judged" in found.findings[0].detail
        assert found.findings[0].likely_causes[0].cause == "the fuel table is not finished"


def test_what_heat_does_not_shrink_and_no_earlier_session_lacks_is_told_less_surely():
    def sure(cold, own):
        seen = LeanShape(7.1, 1.1, 7.0, 0.5, 1.0, cold, 7.1, 4.0, 600.0)
        return _exhaust(seen, own, 900.0, "speed_density", tie=False).confidence

    healthy = [shape(0.2, 0.0, 0.4)] * 2
    assert sure(7.0, []) < sure(None, []) < sure(9.0, []) < sure(9.0, healthy)
