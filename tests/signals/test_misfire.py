"""The detector of missing firings against firing-resolved engines that share no code with it."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.signals import line_claim
from pipeline.signals.matched_filter import excess_probability
from pipeline.signals.misfire import examine, line_amplitude
from pipeline.signals.misfire_decision import decide
from pipeline.signals.misfire_rows import ClassInput, levelled, rounded_alike
from pipeline.signals.sampling import held_rows, in_order, quantisation_step, update_rows
from tests.bench.roughness_truth import Engine, Loads, Logger, Misses, simulate

ENGINE = Engine(noise=0.06)
QUIET = Loads()


def detections(engine, logger, *, share=0.0, logs=12, seed=1, scale=1.0, loads=QUIET, seconds=60):
    truth = simulate(engine, logger, logs=logs, seconds=seconds, seed=seed, misses=Misses(share),
                     loads=loads)  # fmt: skip
    out = []
    for t, y in zip(truth.time, truth.speed, strict=True):
        part = ClassInput("idle", True, t, y, np.arange(t.size) == 0, engine.drop_rpm * scale)
        seen = examine(part, cylinders=engine.cylinders)
        out.append(decide([seen] if seen else []))
    return out


@pytest.mark.parametrize("rate", [8, 10, 25, 50])
@pytest.mark.parametrize("share", [0.02, 0.1, 0.3, 1.0])
def test_misses_are_found_at_every_rate(rate, share):
    found = detections(ENGINE, Logger(rate_hz=rate), share=share)
    assert np.mean([d.found for d in found]) >= 0.9


@pytest.mark.parametrize("rate", [25, 50])
def test_steps_that_the_noise_smooths_hide_no_misses(rate):
    # Some six misses in the minute, in a speed written in steps of 10 rpm.
    logger = Logger(rate_hz=rate, step_rpm=10.0, jitter=0.15)
    found = detections(Engine(noise=0.06, cylinders=5), logger, share=0.015, scale=0.8)
    assert np.mean([d.found for d in found]) >= 0.9


@pytest.mark.parametrize(("moves", "alike"), [(2.0, 10.0), (6.5, 5.0), (9.0, 0.0)])
def test_rows_that_move_by_steps_are_not_rounded_alike(moves, alike):
    rng = np.random.default_rng(1)
    speed = 850.0 + np.cumsum(rng.normal(0.0, moves, 4000))
    time = 0.1 * np.arange(speed.size)
    part = ClassInput("idle", True, time, speed, np.arange(speed.size) == 0, 30.0)
    assert rounded_alike(part, 10.0) == pytest.approx(alike, abs=1.0)


def test_steps_of_a_falling_idle_are_no_misses():
    logger = Logger(rate_hz=10, step_rpm=10.0)
    engine = Engine(noise=0.03, cylinders=6, inertia_kg_m2=0.3)
    got = detections(engine, logger, loads=Loads(cold_s=30.0, cold_rpm=500.0), logs=20)
    assert sum(d.found for d in got) <= 1


@pytest.mark.parametrize("rate", [8, 25, 50])
@pytest.mark.parametrize("logger", [
    {"average": "event"}, {"average": "revolution"}, {"step_rpm": 10.0},
    {"step_rpm": 10.0, "average": "revolution"},
])  # fmt: skip
def test_healthy_engines_are_quiet(rate, logger):
    found = detections(ENGINE, Logger(rate_hz=rate, jitter=0.2, **logger), logs=15)
    assert sum(d.found for d in found) == 0


def test_rows_that_catch_a_firing_twice_are_no_misses():
    # Eight cylinders fire every 18 ms, rows come every 12-28 ms, and the fall is held for small.
    engine = Engine(noise=0.1, cylinders=8, inertia_kg_m2=0.2)
    logger = Logger(rate_hz=50, jitter=0.25)
    found = detections(engine, logger, scale=0.55, logs=40, seed=3)
    assert sum(d.found for d in found) <= 1


def test_uneven_stamps_take_the_past_out_of_step():
    # Against the mean over drawn stamps; the filter sees rows at its own even lags.
    a, f, step, jitter = np.array([0.9, -0.3]), 22.0, 0.04, 0.01
    rng = np.random.default_rng(1)
    off = rng.normal(0, jitter, (40000, 3))
    at = -np.arange(3) * step + off - off[:, :1]
    kept = np.exp(2j * np.pi * f * at).mean(axis=0)
    wanted = abs(kept[0] - kept[1:] @ a)
    both = [
        float(line_amplitude(np.array(f), coefficients=c, interval_s=step, cycle_s=np.array(0.05),
                             averaging_s=np.array(0.01), drop=3.0, jitter_s=jitter))
        for c in (a, np.zeros(2))
    ]  # fmt: skip
    assert both[0] / both[1] == pytest.approx(wanted, rel=0.02)


@pytest.mark.parametrize(
    ("engine", "loads"),
    [
        (ENGINE, Loads(switch_nm=4.0, period_s=6.0)),
        (ENGINE, Loads(hunting_rpm=60.0)),
        (ENGINE, Loads(road_nm=6.0)),
        (ENGINE, Loads(cold_s=30.0, cold_rpm=500.0)),
        (Engine(noise=0.06, lumpy=0.12), Loads()),
        (Engine(noise=0.05, imbalance=0.02), Loads()),
    ],
    ids=["loads", "hunting", "road", "cold", "lumpy", "imbalance"],
)  # fmt: skip
def test_what_looks_like_roughness_is_not_called_so(engine, loads):
    found = [d for rate in (10, 25) for d in detections(engine, Logger(rate_hz=rate), loads=loads)]
    assert sum(d.found for d in found) <= 1


@pytest.mark.parametrize(
    ("share", "scale", "average"),
    [(0.05, 0.6, "event"), (0.05, 1.6, "event"), (0.1, 1.0, "revolution"), (0.03, 1.0, "cycle")],
)
def test_share_is_estimated_within_its_interval(share, scale, average):
    logger = Logger(rate_hz=20, average=average)
    found = [d for d in detections(ENGINE, logger, share=share, scale=scale) if d.found]
    assert np.mean([d.low <= share <= d.high for d in found]) >= 0.8
    assert 0.6 <= np.median([d.share for d in found]) / share <= 1.6


@pytest.mark.parametrize("share", [0.0, 0.05])
def test_a_mean_over_two_turns_does_not_hide_rare_misses(share):
    engine = Engine(noise=0.06, cylinders=8, inertia_kg_m2=0.3, speed_rpm=760.0)
    found = detections(engine, Logger(rate_hz=25, average="cycle"), share=share, logs=8)
    assert sum(d.found for d in found) == (8 if share else 0)


def test_one_miss_is_noted_and_not_called_rough():
    engine, logger = Engine(noise=0.04), Logger(rate_hz=25)
    truth = simulate(engine, logger, logs=24, seconds=60, seed=4, misses=Misses(0.0025))
    one = [k for k, at in enumerate(truth.miss_time) if at.size == 1 and 3.0 < at[0] < 57.0]
    assert len(one) >= 6
    noted = []
    for k in one:
        time = truth.time[k]
        part = ClassInput("idle", True, time, truth.speed[k], np.arange(time.size) == 0,
                          engine.drop_rpm)  # fmt: skip
        got = decide([examine(part, cylinders=engine.cylinders)])
        assert not got.found
        if got.suspected:
            noted.append(abs(got.dip_s - truth.miss_time[k][0]))
            assert 0.5 < got.dip_rpm / engine.drop_rpm < 1.6
    assert len(noted) >= 0.6 * len(one)
    assert max(noted) < 0.2
    healthy = detections(engine, logger, logs=24, seed=5)
    assert not any(d.found or d.suspected for d in healthy)


def test_an_idle_that_wanders_asks_for_more():
    cold = detections(ENGINE, Logger(rate_hz=15), logs=2, loads=Loads(cold_s=30.0, cold_rpm=500.0))
    warm = detections(ENGINE, Logger(rate_hz=15), logs=2)
    assert all(d.classes[0].evidence.loads >= 0.5 for d in cold)
    assert all(d.classes[0].evidence.loads == 0.0 for d in warm)


def test_rises_as_great_as_the_falls_are_loads():
    """A load of 8 Nm that comes and goes every few seconds, and is gone again at once."""
    got = detections(Engine(noise=0.035, damping_s=0.6), Logger(rate_hz=8), logs=40, scale=0.8,
                     loads=Loads(switch_nm=8.0, period_s=5.0))  # fmt: skip
    assert sum(d.found or d.suspected for d in got) <= 1


def test_the_claim_of_a_line_is_borne_out():
    """Where single misses cannot be told, the line of one cylinder is what the log can claim."""
    engine, logger = Engine(noise=0.1, inertia_kg_m2=0.3), Logger(rate_hz=15, step_rpm=10.0)
    part = detections(engine, logger, logs=1)[0].classes[0]
    share = line_claim.claim(
        [line_claim.line_power(part, float(p), 0.001, least=part.line_least)
         for p in line_claim.SHARES], 0.95)  # fmt: skip
    assert share is not None
    assert 0.25 < share < 0.9
    assert np.mean([d.by_line for d in detections(engine, logger, share=share, logs=30)]) >= 0.9
    # Noise hides it, and a log whose line is lost in it claims none.
    lost = replace(part, line_floor=1.5)
    assert line_claim.line_power(lost, 1.0, 0.001, least=part.line_least) < 0.5


def test_dead_cylinder_is_seen_as_one_by_its_line():
    found = detections(ENGINE, Logger(rate_hz=20), share=1.0)
    assert all(d.by_line for d in found)
    assert np.median([d.share for d in found]) > 0.6


@pytest.mark.parametrize(
    ("rpm", "share", "elsewhere", "found"),
    [
        (1370.0, 0.3, 0.03, False),  # the car rocks on its shafts: a few percent show as a third
        (1370.0, 0.3, 0.15, True),  # and idle shows it too
        (1370.0, 0.9, 0.03, True),  # no sound engine's cylinders differ by so much
        (2400.0, 0.3, 0.03, True),  # far above the driveline's own pace
    ],
)
def test_a_line_at_the_driveline_s_own_pace_needs_other_running_to_show_it(
    rpm, share, elsewhere, found
):
    idle = detections(ENGINE, Logger(rate_hz=20), logs=1)[0].classes[0]
    idle = replace(idle, line_share=elsewhere, line_cells=5)
    slow = replace(idle, idle=False, name="driving", speed_rpm=rpm, line_share=share, line_p=1e-9)
    assert decide([idle, slow]).by_line is found
    assert decide([slow]).by_line  # nothing else was looked at


def test_limit_of_detection_is_between_useless_and_boastful():
    limits = [d.smallest_share for d in detections(ENGINE, Logger(rate_hz=20))]
    assert all(x is not None and 0.004 < x < 0.03 for x in limits)
    # At the limit nearly all logs are found, at half of it clearly fewer.
    limit = float(np.median(limits))
    full = np.mean([d.found for d in detections(ENGINE, Logger(rate_hz=20), share=limit, logs=60)])
    half = np.mean(
        [d.found for d in detections(ENGINE, Logger(rate_hz=20), share=limit / 2, logs=60)]
    )
    assert full >= 0.88
    assert half < 0.9


def test_nothing_is_decided_on_nothing():
    assert not decide([]).found
    assert decide([]).smallest_share is None


def test_falls_weigh_less_where_rises_are_as_many():
    assert excess_probability(3, 0, 0.01) < 1e-4
    assert excess_probability(3, 5, 0.01) > 20 * excess_probability(3, 0, 0.01)
    assert excess_probability(10, 10, 9.0) > 0.1
    assert excess_probability(0, 0, 0.01) == 1.0


def test_held_values_are_not_new_readings():
    rng = np.random.default_rng(2)
    fresh = rng.normal(850, 5, 400)
    assert held_rows(fresh) == 1
    assert held_rows(np.repeat(fresh, 5)) == 5
    rounded = np.round(fresh / 10) * 10  # repeats, but live
    assert held_rows(rounded) == 1
    keep = update_rows(np.repeat(fresh, 5), 5)
    assert keep.sum() == 400
    assert quantisation_step(rounded) == 10.0


def test_shuffled_rows_are_recognised():
    truth = simulate(ENGINE, Logger(rate_hz=25), logs=4, seconds=60, seed=3)
    rng = np.random.default_rng(4)
    for t, y in zip(truth.time, truth.speed, strict=True):
        assert in_order(t, y)
        mixed = y.copy()
        for second in range(60):
            rows = np.flatnonzero(np.floor(t) == second)
            mixed[rows] = mixed[rng.permutation(rows)]
        assert not in_order(t, mixed)


@pytest.mark.parametrize("hz", [0.2, 1.9, 2.5, 3.75])
def test_a_line_folded_anywhere_is_order(hz):
    # 2.5 of 10 Hz has no correlation with the next row, only with the one after.
    t = np.arange(0, 60, 0.1) + 0.05
    y = 850 + 15 * np.sin(2 * np.pi * hz * t) + np.random.default_rng(1).normal(0, 5, t.size)
    assert in_order(t, y)


@pytest.mark.parametrize("rate", [8.0, 10.0, 25.0])
@pytest.mark.parametrize("fall", [0.15, 0.3])
def test_an_idle_that_hunts_unevenly_misses_no_firings(rate, fall):
    # A saw-tooth of 0.9 Hz that falls faster than it rises, 36 rpm either way.
    for truth in [simulate(ENGINE, Logger(rate_hz=rate), logs=3, seconds=60, seed=17)]:
        for t, y in zip(truth.time, truth.speed, strict=True):
            at = (0.9 * t) % 1.0
            wave = np.where(at < fall, 1 - 2 * at / fall, 2 * (at - fall) / (1 - fall) - 1)
            part = ClassInput("idle", True, t, y + 36 * wave, np.arange(t.size) == 0,
                              truth.engine.drop_rpm)  # fmt: skip
            found = examine(part, cylinders=4)
            assert not decide([found]).found
            assert found.swing_s > 50


@pytest.mark.parametrize("step", [25.0, 50.0])
def test_coarse_steps_find_and_claim_no_single_misses(step):
    for rate in (10.0, 25.0):
        got = detections(ENGINE, Logger(rate_hz=rate, step_rpm=step), logs=3, seed=9)
        assert not any(d.found for d in got)
        assert all(d.smallest_share is None or d.smallest_share >= 0.2 for d in got)


@pytest.mark.parametrize("rate", [8, 25])
def test_a_speed_that_does_not_come_back_is_a_load_and_no_miss(rate):
    """A step of 60 rpm that lasts 4 s is one; a fall of 60 rpm that returns in 0.4 s is none."""
    time = np.arange(0.0, 60.0, 1.0 / rate)
    noise = 5.0 * np.random.default_rng(1).standard_normal(time.size)
    load = -60.0 * ((time > 20.0) & (time < 24.0))
    late = np.clip(time - 40.02, 0.0, None)
    miss = np.where(time > 40.02, -60.0 * np.exp(-late / 0.4), 0.0)
    starts = np.arange(time.size) == 0
    part = ClassInput("idle", True, time, 850.0 + noise + load + miss, starts, 30.0)
    stays = levelled(part)
    assert stays[(time > 20.0) & (time < 20.0 + 1.5 / rate)].all()
    assert stays[(time > 24.0) & (time < 24.0 + 1.5 / rate)].all()
    assert not stays[(time > 39.9) & (time < 40.4)].any()
    assert stays.mean() < 0.06
    # What lies in two stretches is not compared: another idle may be a warmer one.
    split = replace(part, starts=starts | (np.arange(time.size) == np.searchsorted(time, 20.0)))
    assert not levelled(split)[np.abs(time - 20.0) < 0.4].any()
