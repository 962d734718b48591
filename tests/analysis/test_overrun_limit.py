"""Free air is beyond any instrument's end: a wideband that stops short of it is cut off."""

from types import SimpleNamespace

import numpy as np
import pytest

from pipeline.analysis._overrun_limit import stops_short

TIME = np.arange(0.0, 300.0, 0.05)
CUT = TIME % 40.0 < 4.0


def reading(end: float, noise: float = 0.003) -> np.ndarray:
    """Lambda near 1, towards free air in cuts, as far as ``end`` lets it."""
    into = np.where(CUT, TIME % 40.0, 0.0)
    free = 1.0 + 1.5 * (1.0 - np.exp(-np.maximum(into - 0.4, 0.0) / 0.15))
    moved = free * (1.0 + noise * np.random.default_rng(2).standard_normal(TIME.size))
    return np.minimum(moved, end)


def told(values: np.ndarray, *, cut_known: bool = True) -> list[tuple[str, tuple[str, ...]]]:
    inputs = SimpleNamespace(channel="lambda", reading=values, cut=CUT, cut_known=cut_known,
                             settled=TIME > 30.0)  # fmt: skip
    return [(s.mode, s.channels) for s in stops_short(TIME, inputs)]


@pytest.mark.parametrize(("end", "cut_off"), [(1.05, True), (1.12, True), (1.2, False), (9, False)])
def test_a_reading_that_ends_below_any_instrument_is_cut_off(end: float, cut_off: bool) -> None:
    assert told(reading(end)) == [("saturated", ("lambda",))] * cut_off


def test_a_display_that_holds_its_last_value_in_cuts_says_nothing_of_its_end() -> None:
    assert told(np.where(CUT, 1.0, reading(9.0))) == []


def test_a_reading_that_ends_differently_each_time_or_goes_further_elsewhere_is_not_cut_off() -> (
    None
):
    other = np.floor(TIME / 40.0) % 3.0
    assert told(np.where(CUT, 1.04 + 0.03 * other, reading(9.0))) == []
    assert told(np.where(~CUT & (TIME % 40.0 > 39.5), 1.3, reading(1.1))) == []


def test_a_cut_known_by_the_reading_alone_proves_nothing() -> None:
    assert told(reading(1.1), cut_known=False) == []
