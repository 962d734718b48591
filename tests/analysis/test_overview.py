"""overview: the whole session in linked panels, states as bands."""

from fixtures.cars import draw_car
from fixtures.drives import mixed_drive
from fixtures.simulate import simulate
from pipeline.registry import load_registry
from pipeline.results import Panels
from tests.judge.bridge import judge_run


def test_overview_shows_what_was_logged_with_its_extremes() -> None:
    run = judge_run(simulate(draw_car(5), mixed_drive(5, 4.0), (), 5), load_registry())
    figures = [f for f in run.results["overview"].figures if isinstance(f, Panels)]
    assert figures
    lines = [line for f in figures for p in f.panels for line in p.lines]
    top = max(v for line in lines for v in line.y if v is not None)
    rpm = run.session.channels["engine_speed"]
    assert top >= 0.999 * rpm.max()
    assert all(len(line.x) == len(line.y) <= 2000 for line in lines)
    assert figures[0].bands
