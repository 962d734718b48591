"""The short form of the settings' fuzzing: `python -m tests.soak.settings_fuzz` is the long one."""

from pathlib import Path

import pytest

from fixtures.cars import draw_car
from fixtures.drives import mixed_drive
from fixtures.simulate import Run, simulate
from tests.soak.settings_fuzz import one_run, one_text


def test_a_settings_file_is_taken_or_refused_in_one_line() -> None:
    told = [one_text(seed) for seed in range(400)]
    assert told.count("accepted") > 40
    assert told.count("refused") > 40


@pytest.fixture(scope="module")
def drive() -> Run:
    return simulate(draw_car(2), mixed_drive(seed=2, minutes=3, rate_hz=10), seed=2)


@pytest.mark.parametrize("seed", [1006, 1090, 1106, 1330, 1914, 1954, 5140, 1260])
def test_nothing_breaks_off_over_torn_logs_and_odd_vehicles(
    seed: int, drive: Run, tmp_path: Path
) -> None:
    """Seeds that once broke an analysis or the page, drawn anew whenever a field is added."""
    assert one_run(seed, drive, tmp_path) == []
