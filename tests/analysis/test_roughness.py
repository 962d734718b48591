"""Rough running on whole sessions: found, silent, not judged, compared with the vehicle's own."""

import numpy as np
import pytest

from pipeline.analysis import roughness
from pipeline.meta import Earlier, Own
from pipeline.vehicle import Vehicle
from tests.analysis.roughness_logs import idle, run, session


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
    assert words in roughness.could_words(share)
