"""Static and live charts from plain figures."""

import json
import re

import altair as alt
import jsonschema
import numpy as np
import pytest

from pipeline.report import chart_templates, specs, svg
from pipeline.report.charts import draw_panels
from pipeline.report.grids import draw_table
from pipeline.report.shape import Shape
from pipeline.report.units import Units
from pipeline.results import Band, Column, Line, Mark, Panel, Panels, TableFigure

X = [float(x) for x in np.linspace(0, 600, 50)]


def _line(label: str, level: float) -> Line:
    return Line(label=label, x=X, y=[level + 0.1 * (i % 5) for i in range(50)])


def _figure(*panels: Panel) -> Panels:
    return Panels(
        id="whole", title="Whole", caption="Read it so.", panels=list(panels),
        bands=[Band(label="idle", start=0.0, end=300.0),
               Band(label="cruise", start=300.0, end=600.0)],
        marks=[Mark(x=120.0, label="<b>here</b>")],
    )  # fmt: skip


def test_a_target_alone_is_not_drawn() -> None:
    alone = Panel(title="lambda", unit="lambda", lines=[_line("target", 1.0)])
    both = Panel(title="speed", unit="rpm", lines=[_line("speed", 900), _line("target", 850)])
    drawn = draw_panels(_figure(alone, both), Units(), name="a")
    assert [c.title for c in drawn.charts if c.keys] == ["speed"]
    only = draw_panels(_figure(alone), Units(), name="b")
    assert [c.title for c in only.charts if c.keys] == ["lambda"]


def test_same_figure_same_bytes_and_ids_are_its_own() -> None:
    figure = _figure(Panel(title="speed", unit="rpm", lines=[_line("speed", 900)]))
    one, again, other = (draw_panels(figure, Units(), name=n) for n in ("a", "a", "b"))
    assert [c.picture for c in one.charts] == [c.picture for c in again.charts]
    ids = [set(re.findall(r'id="([^"]+)"', str(c.picture))) for c in (*one.charts, *other.charts)]
    assert sum(map(len, ids)) == len(set().union(*ids))


def test_panels_share_one_axis_and_words_are_escaped() -> None:
    figure = _figure(
        Panel(title="speed", unit="rpm", lines=[_line("<i>x</i>", 900)]),
        Panel(title="pressure", unit="kPa", lines=[_line("pressure", 100)]),
    )
    drawn = draw_panels(figure, Units(), name="a")
    assert (drawn.alive["x0"], drawn.alive["x1"]) == (0.0, 600.0)
    for chart in drawn.charts:
        assert "<i>" not in str(chart.picture)
        assert "<b>here" not in str(chart.picture)
    assert drawn.flags[0][0] == "A"
    assert "2:00" in drawn.flags[0][2]


def test_units_of_the_reader_reach_the_numbers() -> None:
    figure = _figure(Panel(title="pressure", unit="kPa", lines=[_line("pressure", 100)]))
    chart = draw_panels(figure, Units("us"), name="a").alive["charts"][-1]
    assert 14.4 < chart["data"]["l0"]["y"][0] < 14.6  # NIST SP 811: 100 kPa is 14.504 psi


@pytest.mark.parametrize("alive", [True, False])
def test_every_template_is_sound_vega_lite(alive: bool) -> None:
    """Checked here against Vega-Lite's own schema, so that no run has to."""
    whole = Shape(lines=((True, False), (False, True)), points=True, shade=True, marks=True,
                  flags=True, time=True)  # fmt: skip
    for shape in (whole, Shape(rows=True, whiskers=True), Shape(points=True, labels=False)):
        built = chart_templates.template(shape, alive)
        alt.LayerChart.from_dict(built).to_dict(validate=True)
    with pytest.raises(jsonschema.ValidationError):
        alt.LayerChart.from_dict({**chart_templates.template(whole, alive), "width": "much"})


def test_kept_templates_draw_what_built_ones_do(monkeypatch: pytest.MonkeyPatch) -> None:
    kept = json.loads(chart_templates.kept_templates())
    shape = Shape(lines=((False, False),) * 2, shade=True, time=True)
    ends = {"x0": 0.0, "x1": 9.0, "y0": 0.0, "y1": 1.0}
    data = {"l0": {"x": [0.0, 9.0], "y": [1.0, 0.5]}}
    drawn = []
    for templates in (kept, {"alive": {}, "static": {}}):
        specs._template.cache_clear()
        monkeypatch.setattr(specs, "_kept", lambda t=templates: t)
        drawn.append((specs.alive(shape, ends), specs.static(shape, data)))
    assert shape.key(True) in kept["alive"]
    assert json.dumps(drawn[0]) == json.dumps(drawn[1])
    specs._template.cache_clear()


_ROWS = {
    "l0": {"x": [30.0, 0.0, 10.0, 20.0, 60.0], "y": [5.0, 1.0, 3.0, None, 2.0],
           "low": [4.0, 0.5, 2.0, None, 1.0], "high": [6.0, 2.0, 4.0, None, 3.0]},
    "l1": {"x": [0.0, 25.0, 25.0, 60.0], "y": [50.0, 40.0, 30.0, 20.0]},
    "points": {"x": [9.0, 3.0, 5.0], "y": [1.0, 2.0, 3.0]},
    "shade": {"x": [5.0], "x2": [15.0]},
    "marks": {"x": [12.0, 7.0]},
    "rows": {"x": [1.0, 4.0], "x2": [2.0, 9.0], "y": [9.0, 5.0], "y2": [6.0, 2.0]},
    "whiskers": {"x": [1.0], "x2": [3.0], "y": [7.0]},
}  # fmt: skip


@pytest.mark.parametrize(
    "shape",
    [
        Shape(lines=((True, False), (False, True)), shade=True, marks=True),
        Shape(lines=((False, False),), points=True),
        Shape(rows=True, whiskers=True),
    ],
)
def test_a_lean_spec_draws_what_the_compiler_s_own_does(
    shape: Shape, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Outside reference: the Vega that Vega-Lite's own compiler makes of the same template.
    lean = specs.static(shape, _ROWS)
    monkeypatch.setattr(chart_templates, "lean", lambda vega: vega)
    whole = {**chart_templates.compiled(shape), "width": shape.width, "height": shape.height}
    for part in whole["data"]:
        if part["name"] in _ROWS:
            columns = _ROWS[part["name"]]
            part["values"] = [
                dict(zip(columns, row, strict=True))
                for row in zip(*columns.values(), strict=True)
            ]  # fmt: skip
    whole["signals"] = lean["signals"]
    drawn = svg.marks(lean, prefix="a")
    assert drawn == svg.marks(whole, prefix="a")
    assert drawn.count("M") >= 2


def test_a_row_s_own_unit_is_the_reader_s() -> None:
    figure = TableFigure(
        id="x", title="x", caption="x",
        columns=[Column(title="what"), Column(title="value"), Column(title="unit")],
        rows=[["peak", 144.3, "kW"], ["mass", 1310.0, "kg"], ["factor", 0.553, "1"],
              ["unknown", None, "kW"]],
    )  # fmt: skip
    metric = draw_table(figure, Units(), name="t").more
    assert [c["title"] for c in metric["columns"]] == ["what", "value"]
    assert [row[1] for row in metric["rows"]] == ["144 kW", "1310 kg", "0.55", "–"]
    assert draw_table(figure, Units("us"), name="t").more["rows"][0][1] == "194 hp"
