"""Findings as their readers meet them: one and many, and nothing to drive for on a stop."""

import pytest

from pipeline.analysis._mixture_words import lean_load_finding
from pipeline.analysis._sensor_words import CURES, SAYS, finding
from pipeline.analysis._suspects import Suspect
from pipeline.analysis.mixture import _figure
from pipeline.results import Bars, metric

ABOUT = {"start": 10.0, "end": 12.0, "error": 14.0, "median": 10.0, "lambda": 0.94, "target": 0.82,
         "rpm": 4500.0, "kpa": 160.0, "top_kpa": 170.0, "lasted": 2.0}  # fmt: skip


def suspect(mode: str, *channels: str) -> Suspect:
    return Suspect(channels=channels, mode=mode, start_s=0.0, end_s=1.0, confidence=0.9,
                   seen="it reads so", evidence={})  # fmt: skip


def test_a_stop_asks_for_no_run_first() -> None:
    """ "Do not run it like this" beside "check next: driving" is no order of acting."""
    stop = lean_load_finding(ABOUT, "stop", 0.97, 1).next_checks
    assert [c.engine for c in stop if c.engine == "driving"] == []
    assert lean_load_finding(ABOUT, "act", 0.97, 1).next_checks[0].engine == "driving"


def test_one_reading_moves_and_two_move() -> None:
    one = finding(suspect("ground_shift", "coolant_temperature"))
    many = finding(suspect("reference_lost", "fuel_pressure", "oil_pressure", "lambda"))
    assert one.title == "The coolant temperature moves with the electrical load"
    assert "rests on this reading is not to be trusted until it is mended" in one.detail
    assert many.title == (
        "The fuel pressure, oil pressure and lambda reading lose their supply now and then"
    )
    assert "rests on these readings is not to be trusted until they are mended" in many.detail


@pytest.mark.parametrize("mode", sorted(SAYS))
def test_every_mode_has_its_words_and_its_check(mode: str) -> None:
    check = finding(suspect(mode, "manifold_pressure")).next_checks[0]
    assert check.text.lower() == CURES[mode][0].lower()
    # Nobody takes a hot wideband out with the key on.
    assert mode != "slow" or check.engine == "off_cold"


def test_no_picture_without_a_zone_to_show() -> None:
    """An error of the whole session, and no zone driven long enough: bars of nothing."""
    whole = {"lambda_error_pct": metric(1.0, "%")}
    assert _figure(whole) == []
    (bars,) = _figure({**whole, "lambda_error_idle_pct": metric(2.0, "%", 1.0, 3.0)})
    assert isinstance(bars, Bars)
    assert (bars.labels, bars.values) == (["idle"], [2.0])
