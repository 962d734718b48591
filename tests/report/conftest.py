"""Pages of two short simulated drives whose every word is hostile, and a browser to read them."""

import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from fixtures.cars import draw_car
from fixtures.drives import mixed_drive
from fixtures.faults import FAULTS
from fixtures.simulate import simulate
from tests.report.browser import NEED, Reader, find_browser
from tests.spine.helpers import program, run

#: Words that would end an element, run a script or be computed by a template.
SCRIPT_END = "</script><script>window.bad=1</script>"
IMAGE = "<img src=x onerror=window.bad=1>"
TEMPLATE = "{{7*7}}${7*7}"
HOSTILE = f"{SCRIPT_END} {IMAGE} {TEMPLATE}"
#: A file's name holds no slash.
FILE = "2026-05-0{day} 1800 <img src=x onerror=window.bad=1>{{{{7*7}}}}.csv"


@dataclass(frozen=True)
class Reported:
    """A folder of logs and the pages made from it; ids in order of time."""

    logs: Path
    out: Path
    ids: tuple[str, ...]

    @property
    def page(self) -> Path:
        return self.out / "sessions" / f"{self.ids[-1]}.html"

    @property
    def index(self) -> Path:
        return self.out / "index.html"

    @property
    def compared(self) -> Path:
        return self.out / "compare" / f"{self.ids[0]}--{self.ids[-1]}.html"


def write_logs(folder: Path, *, plain: bool = False) -> None:
    """Two drives of four minutes on one car; the second idles on three cylinders."""
    for day in (1, 2):
        drive = simulate(
            draw_car(3),
            mixed_drive(seed=day, minutes=4, rate_hz=10),
            [FAULTS["rough_running"](1.0)] if day == 2 else [],
            seed=day,
        )
        path = drive.write(folder, f"day{day}", vehicle=True)
        if not plain:
            lines = path.read_text().splitlines()
            lines[0] += f',"{HOSTILE}"'
            lines[1:] = [f"{line},1" for line in lines[1:]]
            lines.insert(700, f'"MARK {HOSTILE}"')
            path.unlink()
            path = folder / FILE.format(day=day)
            path.write_text("\n".join(lines) + "\n")
        os.utime(path, ns=(1_777_000_000_000_000_000 + day, 1_777_000_000_000_000_000 + day))
    vehicle = folder / "vehicle.toml"
    if not plain:
        text = vehicle.read_text()
        old = next(line for line in text.splitlines() if line.startswith("name ="))
        vehicle.write_text(text.replace(old, f"name = '{HOSTILE}'"))
        (folder / "logbook.toml").write_text(
            f"[[entry]]\ndate = 2026-05-02T08:00:00\nkind = 'repair'\ntext = '{HOSTILE}'\n"
            "recheck = {heat_cycles = 1}\n"
            f"[[entry]]\ndate = 2026-05-01T08:00:00\nkind = 'check'\ntext = '{HOSTILE}'\n"
            f"item = 'base_timing'\nvalue = 10\nunit = '{IMAGE}'\n"
        )


@pytest.fixture(scope="session")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> Reported:
    """Pages, a comparison and a draft of logs whose names and words are hostile."""
    return report(tmp_path_factory.mktemp("hostile"), plain=False)


def report(folder: Path, *, plain: bool) -> Reported:
    """Write the logs, run the program, compare both sessions and draft the mail of the second."""
    logs, out = folder / "logs", folder / "out"
    logs.mkdir()
    write_logs(logs, plain=plain)
    done = run(logs, out)
    assert done.returncode == 0, done.stderr
    ids = tuple(sorted(p.stem for p in (out / "sessions").glob("*.html")))
    assert len(ids) == 2
    for arguments in (["compare", out, *ids], ["email", out, ids[1], "--to", "tuner@example.org"]):
        done = program(*arguments)
        assert done.returncode == 0, done.stderr
    return Reported(logs, out, ids)


@pytest.fixture(scope="session")
def _chromium() -> Iterator[Any]:
    path = find_browser()
    if path is None:
        if os.environ.get(NEED):
            pytest.fail(f"{NEED} is set and no browser is here")
        pytest.skip(f"no Chromium here; set {NEED} to make this a failure")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        browser = play.chromium.launch(
            executable_path=path,
            args=["--no-sandbox", "--disable-gpu", "--disable-background-networking",
                  "--disable-component-update", "--disable-sync"],
        )  # fmt: skip
        yield browser
        browser.close()


@pytest.fixture
def reader(_chromium: Any) -> Iterator[Reader]:
    """Opens pages; on leaving, holds them to: no request, no message, nothing run."""
    with Reader(_chromium) as one:
        yield one
        one.hold_quiet()
