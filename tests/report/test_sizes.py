"""How large the pages of an hour's drive are."""

from pathlib import Path

from fixtures.cars import draw_car
from fixtures.drives import mixed_drive
from fixtures.simulate import simulate
from tests.spine.helpers import program, run

#: MB; what a phone opens at once, and what any mail service takes.
PAGE_MB, DRAFT_MB = 2.0, 0.7


def test_an_hour_fits(tmp_path: Path) -> None:
    car = draw_car(2026, cylinders=4, boosted=True)
    drive = simulate(car, mixed_drive(seed=5, minutes=60, rate_hz=10), seed=5)
    drive.write(tmp_path / "logs", "2026-05-01 1800 hour", vehicle=True)
    out = tmp_path / "out"
    done = run(tmp_path / "logs", out)
    assert done.returncode == 0, done.stderr
    (page,) = (out / "sessions").glob("*.html")
    assert page.stat().st_size <= PAGE_MB * 1e6
    assert page.read_text().count('class="chart"') > 10
    assert program("email", out, page.stem, "--to", "a@example.org").returncode == 0
    (draft,) = (out / "mail").glob("*.eml")
    assert draft.stat().st_size <= DRAFT_MB * 1e6
