"""Stretches of rows: against plain loops and by hand."""

import numpy as np
import pytest

from pipeline.signals import segments

TIME = np.arange(0.0, 10.0, 0.5)


def test_runs_and_spread_are_each_others_inverse() -> None:
    random = np.random.default_rng(0)
    for _ in range(50):
        mask = random.random(40) < 0.5
        assert (segments.spread(mask.size, *segments.runs(mask)) == mask).all()


def test_short_runs_go_and_short_gaps_close() -> None:
    mask = np.zeros(TIME.size, dtype=bool)
    mask[[2, 6, 7, 8, 10]] = True
    assert np.flatnonzero(segments.long_runs(mask, TIME, seconds=1.5)).tolist() == [6, 7, 8]
    closed = segments.fill_gaps(mask, TIME, seconds=0.6)
    assert np.flatnonzero(closed).tolist() == [2, 6, 7, 8, 9, 10]
    ends = np.ones(TIME.size, dtype=bool)
    ends[[0, -1]] = False
    assert (segments.fill_gaps(ends, TIME, seconds=0.6) == ends).all()  # nothing lies beyond


def test_values_are_held_for_so_long_and_no_longer() -> None:
    values = np.full(TIME.size, np.nan)
    values[[4, 5]] = [1.0, 2.0]
    held = segments.hold(TIME, values, seconds=1.0)
    assert np.flatnonzero(np.isfinite(held)).tolist() == [2, 3, 4, 5, 6, 7]
    assert held[7] == 2.0
    assert held[2] == 1.0


@pytest.mark.parametrize("at_once", [segments.WINDOWS, 37])
def test_extremes_of_windows_agree_with_a_plain_loop(
    at_once: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(segments, "WINDOWS", at_once)
    random = np.random.default_rng(1)
    values = random.normal(size=200)
    starts = random.integers(0, 200, 300)
    ends = np.minimum(starts + random.integers(0, 60, 300), 200)
    low, high = segments.window_extremes(values, starts, ends)
    for a, b, x, y in zip(starts, ends, low, high, strict=True):
        if a == b:
            assert np.isnan(x)
        else:
            assert (x, y) == (values[a:b].min(), values[a:b].max())


def test_the_largest_change_looks_back_so_far_and_takes_holes_for_the_middle() -> None:
    values = np.where(TIME < 3.0, 1.0, 5.0)
    values[0] = np.nan
    moved = segments.largest_change(TIME, values, seconds=1.0)
    assert TIME[moved > 3.0].tolist() == [0.5, 1.0, 3.0, 3.5]
    assert not segments.largest_change(TIME, np.full(TIME.size, np.nan), seconds=1.0).any()


def test_steady_needs_the_whole_window() -> None:
    speed = np.where((TIME >= 2.0) & (TIME <= 6.5), 50.0, 10.0 * TIME)
    found = segments.steady(TIME, speed, seconds=4.0, fraction=0.05, slack=0.0)
    assert TIME[found].tolist() == np.arange(2.0, 7.0, 0.5).tolist()
    assert not segments.steady(TIME, speed, seconds=6.0, fraction=0.05, slack=0.0).any()


def test_a_flicker_is_merged_and_a_short_way_from_one_to_another_stays() -> None:
    code = np.array([1, 1, 1, 2, 1, 1, 3, 3, 3, 4, 5, 5, 6, 5, 6, 5], dtype=np.int8)
    merged = segments.merge_short(code, TIME[: code.size], seconds=0.7)
    assert merged.tolist() == [1, 1, 1, 1, 1, 1, 3, 3, 3, 4, 5, 5, 5, 5, 5, 5]
