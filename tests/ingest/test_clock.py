"""Time axes from stamps written by hand: each limit of the clock from both sides."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.ingest.clock import Axis, gaps_of, spread, unroll
from pipeline.ingest.stamps import Stamps

SESSION_GAP_S = 60.0


def axis_of(seconds: list[float], kind: str = "elapsed", **more: bool) -> Axis:
    return unroll(Stamps(kind, np.array(seconds), 0.1, **more), SESSION_GAP_S)  # type: ignore[arg-type]


def cuts_of(seconds: list[float], kind: str = "elapsed", **more: bool) -> list[tuple[int, str]]:
    return [(cut.row, cut.reason) for cut in axis_of(seconds, kind, **more).cuts]


@pytest.mark.parametrize(("back_s", "cuts"), [(0.9, []), (1.1, [(3, "clock_restart")])])
def test_a_clock_that_steps_back_by_a_second_began_anew(
    back_s: float, cuts: list[tuple[int, str]]
) -> None:
    assert cuts_of([10.0, 11.0, 12.0, *(12.0 - back_s + k for k in range(5))]) == cuts


@pytest.mark.parametrize(("gap_s", "cuts"), [(59.9, []), (60.0, [(3, "gap")])])
def test_a_minute_without_rows_ends_a_session(gap_s: float, cuts: list[tuple[int, str]]) -> None:
    assert cuts_of([0.0, 1.0, 2.0, *(2.0 + gap_s + k for k in range(5))]) == cuts


def test_midnight_goes_on_and_a_gap_across_it_is_a_gap() -> None:
    assert cuts_of([86398.0, 86399.0, 0.0, 1.0, 2.0], "time") == []
    assert cuts_of([86000.0, 86001.0, 1000.0, 1001.0, 1002.0], "time") == [(2, "gap")]
    assert cuts_of([50000.0, 50001.0, 1000.0, 1001.0, 1002.0], "time") == [(2, "clock_restart")]


def test_a_clock_of_twelve_hours_passes_noon_once() -> None:
    noon = [43198.0, 43199.0, 0.0, 1.0, 2.0]
    assert cuts_of(noon, "time", twelve_hours=True) == []
    assert cuts_of(noon, "time") == [(2, "clock_restart")]
    late = [43198.0, 43199.0, 100.0, 101.0, 102.0]
    assert cuts_of(late, "time", twelve_hours=True) == [(2, "clock_restart")]


def test_a_counter_of_sixteen_bits_wraps_only_where_it_is_full() -> None:
    full = [65.533, 65.534, 65.535, 0.0, 0.001]
    wrapped = unroll(Stamps("elapsed", np.array(full), 0.001), SESSION_GAP_S)
    assert wrapped.cuts == []
    assert wrapped.seconds[-1] == pytest.approx(65.537)
    assert cuts_of([40.0, 40.1, 40.2, 0.0, 0.1]) == [(3, "clock_restart")]


def test_a_lone_wild_stamp_is_no_row_and_a_jump_that_stays_is() -> None:
    assert (
        axis_of([0.0, 1.0, 900.0, 3.0, 4.0, 5.0]).keep.tolist() == [True] * 2 + [False] + [True] * 3
    )
    assert axis_of([0.0, 1.0, 2.0, 3.0, 4.0, 1e6]).keep.tolist() == [True] * 5 + [False]
    assert axis_of([0.0, 1.0, 2.0, 700.0, 600.0, 601.0, 602.0, 603.0]).keep.all()


def test_a_row_out_of_order_takes_its_place_and_moves_no_other() -> None:
    time = spread(np.array([0.0, 1.0, 2.0, 1.5, 3.0, 4.0]))
    assert (np.diff(time) > 0).all()
    assert time[[0, 1, 2, 4, 5]] == pytest.approx([0.0, 1.0, 2.0, 3.0, 4.0])


def test_a_clock_set_back_goes_on_from_where_it_stood() -> None:
    time = spread(np.array([0.0, 1.0, 2.0, 1.2, 1.4, 1.6, 1.8, 2.0, 3.0]))
    assert (np.diff(time) > 0).all()
    assert time[-1] == pytest.approx(4.0)  # 0.8 s lost, and one usual step on


def test_rows_of_one_stamp_share_its_tick_but_not_the_gap_behind_it() -> None:
    time = spread(np.repeat([0.0, 1.0, 2.0, 20.0, 21.0], 2))
    assert time == pytest.approx([0, 0.5, 1, 1.5, 2, 2.5, 20, 20.5, 21, 21.5])


def test_a_log_that_begins_within_a_tick_ends_that_tick() -> None:
    time = spread(np.array([0.0, 1.0, 1.0, 1.0, 1.0, 2.0, 2.0, 2.0, 2.0]))
    assert time[:3] == pytest.approx([0.0, 0.25, 0.5])


def test_a_gap_is_so_long_and_so_many_intervals_long() -> None:
    time = np.array([0.0, 1.0, 2.0, 5.0, 6.0, 12.0])
    assert gaps_of(time, 2.0, 5.0) == [(6.0, 12.0)]
    assert gaps_of(time, 2.0, 3.0) == [(2.0, 5.0), (6.0, 12.0)]
    assert gaps_of(time, 7.0, 3.0) == []


@settings(max_examples=150, deadline=None)
@given(st.lists(st.sampled_from([-3.0, -0.4, 0.0, 0.0, 0.02, 0.1, 0.1, 1.0, 90.0]), max_size=60))
def test_whatever_the_stamps_each_row_kept_has_a_later_time(steps: list[float]) -> None:
    """Equal, coarse, torn and set-back stamps: no row is lost to them, no time stands still."""
    axis = axis_of(list(np.cumsum([10.0, *steps])))
    starts = [0, *(cut.row for cut in axis.cuts)]
    assert starts == sorted(set(starts))
    assert axis.seconds.size == axis.keep.sum()
    for begin, end in zip(starts, [*starts[1:], axis.seconds.size], strict=True):
        time = spread(axis.seconds[begin:end])
        assert time.size == end - begin
        assert time[0] == 0.0
        assert (np.diff(time) > 0.0).all()
