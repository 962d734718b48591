"""One sentence for each lying sensor, that says of two which contradict each other no more."""

import pytest

from pipeline.analysis._sensor_words import CURES, SAYS, finding, told
from pipeline.analysis._suspects import Suspect

P, B, T = "manifold_pressure", "barometric_pressure", "throttle_position"


def suspect(mode: str, *channels: str) -> Suspect:
    return Suspect(channels=channels, mode=mode, start_s=0.0, end_s=9.0, confidence=0.9, seen="so")


@pytest.mark.parametrize(
    ("mode", "channels", "words"),
    [
        ("offset", (P,), "manifold pressure is off by a fixed amount"),
        ("offset", (P, B), "either manifold pressure or barometric pressure is off by a fixed "
         "amount"),
        ("reference_lost", (P, T, "oil_pressure"), "manifold pressure, throttle position and oil "
         "pressure lose their supply now and then"),
    ],
)  # fmt: skip
def test_one_or_several_readings_are_told_in_one_sentence(
    mode: str, channels: tuple[str, ...], words: str
) -> None:
    assert told(suspect(mode, *channels)) == words


def test_every_mode_has_its_words_and_its_cure() -> None:
    assert set(SAYS) == set(CURES)
    assert all(finding(suspect(mode, P)).next_checks[0].text for mode in SAYS)
