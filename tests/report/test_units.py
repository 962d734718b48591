"""Quantities as the reader wants them."""

import pytest

from pipeline.report.figures import draw
from pipeline.report.units import Units, plain
from pipeline.report.view import _evidence
from pipeline.results import Bars

US = Units("us", ratio=14.7)


@pytest.mark.parametrize(
    ("value", "unit", "number"),
    [
        (100.0, "kPa", 14.504),  # NIST SP 811: 1 psi = 6.894757 kPa
        (100.0, "degC", 212.0),  # definition: boiling water
        (-40.0, "degC", -40.0),
        (100.0, "km/h", 62.137),  # NIST SP 811: 1 mile = 1.609344 km
        (0.9, "lambda", 13.23),  # own arithmetic: 0.9 times 14.7
    ],
)
def test_us_values(value: float, unit: str, number: float) -> None:
    assert US.value(value, unit) == pytest.approx(number, abs=2e-3)


def test_a_difference_has_no_offset() -> None:
    assert US.span(10.0, "degC") == pytest.approx(18.0)


def test_prose_is_converted_and_the_rest_stays() -> None:
    text = "Lambda 0.80 at 100 kPa and 95 °C, 3200 rpm, 12.4 V"
    assert Units().text(text) == text
    shown = US.text(text)
    assert shown.startswith("Air-fuel ratio 11.8 at")
    assert US.text("where lambda 0.80 was wanted") == "where air-fuel ratio 11.8 was wanted"
    assert "14.5" in shown
    assert "203 °F" in shown
    assert shown.endswith("3200 rpm, 12.4 V")


@pytest.mark.parametrize(
    ("prose", "shown"),
    [
        ("between 60 and 80 °C", "between 140 and 176 °F"),
        ("100 to 200 kPa", "14.5 to 29.0 psi"),
        ("100-200 kPa", "14.5-29.0 psi"),
        ("50–100 km/h", "31–62 mph"),
        ("90 ± 5 °C", "194 ± 9 °F"),
        ("4 K (3 to 5)", "7 °F (5 to 9)"),
        ("-20 to -10 °C", "−4 to 14 °F"),
    ],
)
def test_a_pair_of_numbers_is_converted_whole(prose: str, shown: str) -> None:
    """Values by hand: 1 psi = 6.894757 kPa, 1 mile = 1.609344 km, degF = 1.8 degC + 32 (SP 811)."""
    assert US.text(prose) == shown


def test_numbers_have_a_true_minus_and_no_negative_nought() -> None:
    assert plain(-1.25, 1) in ("−1.2", "−1.3")
    assert plain(-0.01, 1) == "0.0"


def test_a_chance_is_never_nought() -> None:
    assert _evidence(Units(), 0.0004, "%") == "under 0.1 %"
    assert _evidence(Units(), 3.0, "%") == "3.0 %"
    assert _evidence(Units(), 0.0, "%") == "0.0 %"


def test_a_caption_speaks_the_reader_s_units() -> None:
    figure = Bars(id="a", title="Above 100 kPa", caption="Between 40 and 50 kW.", unit="s",
                  value_label="time", labels=["x"], values=[1.0])  # fmt: skip
    drawn = draw(figure, US, name="a")
    assert drawn.title == "Above 14.5 psi"
    assert drawn.caption == "Between 54 and 67 hp."
