"""How large the pages of an hour's drive are, and that their charts' shapes are kept."""

from pathlib import Path

import pytest

from fixtures.cars import draw_car
from fixtures.drives import mixed_drive
from fixtures.simulate import simulate
from pipeline.report import specs
from pipeline.report.chart_templates import usual_shapes
from pipeline.report.session_page import session_page
from pipeline.report.shape import Shape
from tests.spine.helpers import program, run

#: MB; what a phone opens at once, and what any mail service takes.
PAGE_MB, DRAFT_MB = 2.0, 0.7


def test_an_hour_fits(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
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

    kept = {(alive, s.key(alive)) for s in usual_shapes() for alive in (True, False)}
    asked: set[tuple[bool, str]] = set()
    template = specs._template

    def watched(kind: Shape, alive: bool) -> dict[str, object]:
        asked.add((alive, kind.key(alive)))
        return template(kind, alive)

    monkeypatch.setattr(specs, "_template", watched)
    (results,) = (out / "data" / "sessions").iterdir()
    analysis, figures = (results / f"{n}.json" for n in ("analysis", "figures"))
    session_page(analysis.read_bytes(), figures.read_bytes(), units="metric")
    assert len(asked) > 10
    assert asked <= kept
