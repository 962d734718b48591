"""Three short drives of one invented car, and a folder of pages made from them."""

import os
import shutil
from pathlib import Path

import pytest

from fixtures.cars import draw_car
from fixtures.drives import mixed_drive
from fixtures.simulate import simulate
from tests.spine.helpers import run

NAMES = ("2026-05-01 1800 first", "2026-05-02 1800 second", "2026-05-03 1800 third")


def make_log(folder: Path, number: int, name: str) -> Path:
    """Write one two-minute drive; its time of change is fixed."""
    drive = simulate(draw_car(3), mixed_drive(seed=number, minutes=2, rate_hz=10), seed=number)
    path = folder / f"{name}.csv"
    drive.write(folder, name)
    os.utime(path, ns=(1_777_000_000_000_000_000 + number, 1_777_000_000_000_000_000 + number))
    return path


@pytest.fixture(scope="session")
def _week(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("week")
    for number, name in enumerate(NAMES):
        make_log(folder, number, name)
    drive = simulate(draw_car(3), mixed_drive(seed=9, minutes=1, rate_hz=10), seed=9)
    (folder / "vehicle.toml").write_text(drive.vehicle_toml)
    return folder


@pytest.fixture(scope="session")
def _reported(_week: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("reported") / "out"
    done = run(_week, out, "--jobs", "2")
    assert done.returncode == 0, done.stderr
    return out


@pytest.fixture
def logs(_week: Path, tmp_path: Path) -> Path:
    """A copy of the three logs that a test may change."""
    return Path(shutil.copytree(_week, tmp_path / "logs"))


@pytest.fixture
def out(_reported: Path, tmp_path: Path) -> Path:
    """A copy of the pages made from them, times of change included."""
    return Path(shutil.copytree(_reported, tmp_path / "out"))
