"""The wheel holds all the program needs: installed alone, it makes a report."""

import os
import subprocess
import sys
import sysconfig
import venv
import zipfile
from pathlib import Path

import pytest

from tests.spine.helpers import ROOT


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("wheel")
    subprocess.run(
        [sys.executable, "-m", "pip", "wheel", "-q", "--no-deps", "--no-build-isolation",
         "--disable-pip-version-check", "--no-index", "-w", os.fspath(folder), os.fspath(ROOT)],
        check=True,
    )  # fmt: skip
    return next(folder.glob("*.whl"))


def test_everything_is_in_the_wheel(wheel: Path) -> None:
    names = set(zipfile.ZipFile(wheel).namelist())
    for folder in ("pipeline", "report_templates"):
        kept = {
            p.relative_to(ROOT).as_posix()
            for p in (ROOT / folder).rglob("*")
            if p.suffix in (".py", ".html", ".css", ".js", ".toml", ".json")
        }
        assert kept <= names
    assert not any(name.startswith(("tests", "fixtures")) for name in names)


def test_installed_alone_it_makes_a_report(wheel: Path, logs: Path, tmp_path: Path) -> None:
    home = tmp_path / "venv"
    venv.create(home, with_pip=False)
    python = home / "bin" / "python"
    site = subprocess.run(
        [python, "-c", "import sysconfig; print(sysconfig.get_path('purelib'))"],
        capture_output=True, text=True, check=True,
    ).stdout.strip()  # fmt: skip
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(site)
    # The libraries are those of this environment; the program itself must come from the wheel.
    libraries = Path(sysconfig.get_path("purelib"))
    ours = Path(site)
    for entry in libraries.iterdir():
        if not entry.name.startswith(("sparkledger", "_sparkledger", "__editable__", "_editable")):
            target = ours / entry.name
            if not target.exists():
                target.symlink_to(entry)
    done = subprocess.run(
        [python, "-m", "pipeline.cli", "run", logs, "--out", tmp_path / "pages", "--jobs", "1"],
        capture_output=True, text=True, check=False, cwd=tmp_path,
        env={k: v for k, v in os.environ.items() if k != "PYTHONPATH"},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert len(list((tmp_path / "pages" / "sessions").glob("*.html"))) == 3
