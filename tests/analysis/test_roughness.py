"""Rough running on whole sessions: found, silent, not judged, compared with the vehicle's own."""

import numpy as np
import pytest

from fixtures.cars import draw_car
from fixtures.drives import DRIVES
from fixtures.faults import FAULTS
from fixtures.simulate import simulate as simulate_drive
from pipeline.analysis import roughness
from pipeline.analysis._rough_signs import could_words
from pipeline.meta import Earlier, Own
from pipeline.vehicle import Vehicle
from tests.analysis.roughness_logs import ENGINE, idle, run, session
from tests.bench.roughness_truth import Logger, Misses, simulate
from tests.judge.bridge import session_of
from tests.judge.harness import healthy_cases


def test_dead_cylinder_is_found_and_acted_on():
    time, speed = idle(1.0)
    result = run(session(time, engine_speed=speed), "roughness")
    (finding,) = result.findings
    assert finding.kind == "rough_running"
    assert finding.severity == "act"
    assert finding.evidence["share_of_one_cylinder"].value > 50
    assert sum(c.probability for c in finding.likely_causes) <= 1
    assert finding.end_s - finding.start_s > 60
    minutes = [c.minutes for c in finding.next_checks]
    assert minutes[0] == min(minutes)


def test_rare_misses_are_watched():
    time, speed = idle(0.04)
    (finding,) = run(session(time, engine_speed=speed), "roughness").findings
    assert finding.severity == "watch"
    low, high = (finding.evidence[k].value for k in ("share_low", "share_high"))
    assert low <= 4.0 <= high


@pytest.mark.parametrize("rate", [8.0, 25.0])
def test_healthy_idle_is_clear_and_says_what_could_have_shown(rate):
    time, speed = idle(rate=rate)
    result = run(session(time, engine_speed=speed), "roughness")
    assert result.status == "clear"
    assert result.findings == []
    limit = result.limits_of_detection["rough_running"]
    assert limit.could_show
    assert 0.3 < limit.smallest.value < 5.0
    assert limit.power == 0.95
    assert "would have shown" in result.why
    for name in ("idle_roughness_pct", "half_order_amplitude_rpm"):
        m = result.metrics[name]
        assert m.low <= m.value <= m.high


def test_one_dip_alone_is_a_note():
    time, speed = idle(rate=25.0, seed=3)
    at = np.searchsorted(time, time[0] + 40.0)
    late = time[at:] - time[at]
    speed = speed.copy()
    speed[at:] -= 50.0 * np.exp(-late / 0.3)
    result = run(session(time, engine_speed=speed), "roughness")
    assert [f.severity for f in result.findings] == ["info"]
    assert result.findings[0].start_s < 40.0 < result.findings[0].end_s
    assert result.findings[0].blocks == []
    assert result.why.startswith("perhaps not")
    assert not result.digest["found"]


def test_fuel_that_the_controller_cuts_is_no_missing_firing():
    """Idle held by cutting the fuel: three times a second, as a line of the crank might be."""
    rng = np.random.default_rng(1)
    rows = rng.choice([6, 7, 8], 220, p=[0.2, 0.6, 0.2])
    part = np.concatenate([np.arange(n) / n for n in rows])
    time = 0.04 * np.arange(part.size)
    speed = 1362.0 + 40.0 * part + rng.normal(0.0, 3.0, part.size)
    pulse = np.where(part < 0.5, 0.0, 4.2)
    result = run(session(time, engine_speed=speed, injector_pulse_width=pulse), "roughness")
    assert result.status == "not_judged"


@pytest.mark.parametrize(("held_back", "status"), [(0.3, "not_judged"), (0.9, "found")])
def test_fuel_held_back_from_every_other_turn_is_no_dead_cylinder(held_back, status):
    """The controller leaves out firings once in two turns; no row is without fuel altogether."""
    time, speed = idle(1.0, rate=25.0)
    pulse = np.where(np.arange(time.size) % 2, 4.2, 4.2 * held_back)
    result = run(session(time, engine_speed=speed, injector_pulse_width=pulse), "roughness")
    assert result.status == status


def test_half_order_amplitude_grows_with_the_fault():
    healthy, dead = (
        run(session(time, engine_speed=speed), "roughness").metrics
        for time, speed in (idle(), idle(1.0))
    )
    for name in ("idle_roughness_pct", "half_order_amplitude_rpm"):
        assert dead[name].low > healthy[name].high


def test_one_reading_a_second_is_not_judged():
    time, speed = idle(1.0, rate=25.0)
    held = speed[np.searchsorted(time, np.floor(time)).clip(0, time.size - 1)]
    result = run(session(time, engine_speed=held), "roughness")
    assert result.status == "not_judged"
    assert "times a second" in result.why


def test_shuffled_rows_are_not_judged():
    time, speed = idle(1.0, rate=25.0)
    rng = np.random.default_rng(0)
    time = time - time[0]
    for second in range(90):
        rows = np.flatnonzero(np.floor(time) == second)
        speed[rows] = speed[rng.permutation(rows)]
    result = run(session(time, engine_speed=speed), "roughness")
    assert result.status == "not_judged"
    assert "order" in result.why


def test_nulls_and_short_logs_survive():
    time, speed = idle(rate=20.0, seconds=30.0)
    speed = speed.copy()
    speed[::3] = np.nan
    assert run(session(time, engine_speed=speed), "roughness").status in ("clear", "not_judged")
    short = session(time[:100], engine_speed=speed[:100])
    assert run(short, "roughness").status == "not_judged"


def test_own_quiet_sessions_are_the_judge():
    def digest(value):
        return {"found": False, "idle_roughness_pct": value, "coolant_c": 88.0, "idle_s": 60.0,
                "rate_hz": 20.0}  # fmt: skip

    earlier = [
        Earlier(session_id=f"e{i}", start_time="", duration_s=90, digest=digest(v),
                version=roughness.META.version, metrics={}, findings=[])
        for i, v in enumerate((0.6, 0.65, 0.62, 0.58))
    ]  # fmt: skip

    def own(value):
        result = roughness.Result(status="clear", why="quiet", digest=digest(value))
        return Own(session_id="s", start_time="", duration_s=90.0, result=result, vehicle=Vehicle())

    assert roughness.judge(own(0.75), earlier).findings == []
    (finding,) = roughness.judge(own(1.6), earlier).findings
    assert finding.kind == "rough_running"
    assert finding.severity == "watch"
    assert roughness.judge(own(1.6), earlier[:2]).findings == []


@pytest.mark.parametrize(
    ("share", "words"),
    [(None, "could not"), (0.8, "at all"), (0.125, "one firing in 8"), (0.01, "in 100")],
)
def test_limit_in_words(share, words):
    assert words in could_words(share)


@pytest.mark.parametrize(("rate", "blind"), [(7.08, True), (9.5, False)])
def test_running_in_which_the_rate_hides_the_half_order_is_named(rate, blind):
    """850 rpm turn 7.08 times in two turns: read at 7.08 Hz the line stands still."""
    time, speed = idle(rate=rate)
    why = run(session(time, engine_speed=speed), "roughness").why
    assert ("half the crank's order falls on a multiple of the log's rate" in why) == blind


def test_driving_is_set_against_its_own_bands_in_words_only():
    def digest(noise):
        return {"found": False, "idle_roughness_pct": 0.6, "coolant_c": 88.0, "idle_s": 60.0,
                "rate_hz": 20.0, "bands": {"idle": 1.0, "1600-2100 rpm": noise}}  # fmt: skip

    earlier = [
        Earlier(session_id=f"e{i}", start_time="", duration_s=90, digest=digest(0.2),
                version=roughness.META.version, metrics={}, findings=[])
        for i in range(3)
    ]  # fmt: skip
    result = roughness.Result(status="clear", why="quiet", digest=digest(0.5))
    own = Own(session_id="s", start_time="", duration_s=90.0, result=result, vehicle=Vehicle())
    judged = roughness.judge(own, earlier)
    assert "2.50 times at 1600-2100 rpm" in judged.why
    assert judged.findings == []


def test_pressure_that_swings_with_the_cylinder_raises_the_confidence():
    time, speed = idle(1.0)
    cycle = np.concatenate([[0.0], np.cumsum(np.diff(time) * speed[1:] / 120.0)])
    noise = np.random.default_rng(3).normal(0.0, 0.3, time.size)
    logs = (session(time, engine_speed=speed, manifold_pressure=38.0 + noise + size *
                    np.cos(2 * np.pi * cycle)) for size in (0.0, 1.0))  # fmt: skip
    without, with_it = (run(log, "roughness").findings[0] for log in logs)
    assert "Manifold pressure" in with_it.detail
    assert "Manifold pressure" not in without.detail
    assert with_it.confidence > without.confidence


def test_lambda_after_the_falls_raises_or_lowers_the_confidence():
    truth = simulate(ENGINE, Logger(rate_hz=20), logs=1, seconds=120.0, seed=4, misses=Misses(0.05))
    time, speed = truth.time[0], truth.speed[0]
    late = time[:, None] - truth.miss_time[0] - 0.3
    peaks = np.where(late > 0, np.exp(-np.maximum(late, 0.0) / 0.15), 0.0).sum(axis=1)
    flat = 1.0 + np.random.default_rng(1).normal(0.0, 1e-4, time.size)
    lean, same = (
        run(session(time, engine_speed=speed, **{"lambda": flat + size * peaks}), "roughness")
        for size in (0.08, 0.0)
    )
    assert "leaner by" in lean.findings[0].detail
    assert "leaner by" not in same.findings[0].detail
    assert lean.findings[0].confidence > same.findings[0].confidence


def test_exhaust_that_differs_where_firings_fail_is_evidence():
    truth = simulate(ENGINE, Logger(rate_hz=20), logs=1, seconds=150.0, seed=5, misses=Misses(0.03))
    whole = simulate(ENGINE, Logger(rate_hz=20), logs=1, seconds=150.0, seed=6)
    time = np.concatenate([whole.time[0], truth.time[0] + 150.0])
    speed = np.concatenate([whole.speed[0], truth.speed[0]])
    hot = np.where(time > 150.0, 480.0, 400.0)
    found = run(session(time, engine_speed=speed, exhaust_gas_temperature=hot), "roughness")
    assert "K hotter" in found.findings[0].detail


@pytest.mark.parametrize(("strength", "status"), [(0.5, "not_judged"), (0.0, "clear")])
def test_a_cylinder_that_misses_every_other_time_is_not_denied_in_a_slow_log(strength, status):
    """At 8 Hz it scatters like a wild cam: nothing is accused, and nothing is cleared."""
    faults = (FAULTS["rough_running"](strength),) if strength else ()
    drive = simulate_drive(draw_car(800), DRIVES["mid_drive"](800, rate_hz=8.0), faults, 800)
    result = run(session_of(drive), "roughness")
    assert result.status == status, result.why
    assert result.limits_of_detection["rough_running"].could_show == (status == "clear")


def test_the_line_of_a_wild_cam_is_no_weak_cylinder():
    """Six cylinders that differ by 3 % (one sigma) and scatter by a fifth: healthy all the same."""
    (case,) = healthy_cases(733, ("mid_drive",))
    drive = simulate_drive(case.car, case.drive, (), case.seed + 733)
    assert run(session_of(drive), "roughness").findings == []


@pytest.mark.parametrize("share", [0.02, 0.8])
def test_what_would_have_shown_is_said_with_what_would_have_hidden_it(share):
    assert "mean over two turns" in could_words(share)
    assert "mean" not in could_words(None)
