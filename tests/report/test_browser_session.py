"""A session's page in a real browser, with hostile names everywhere."""

import csv
import re
from pathlib import Path
from typing import Any

import pytest

from tests.report.browser import Reader, axe, mail_page
from tests.report.conftest import HOSTILE, Reported

pytestmark = pytest.mark.browser

#: Texts smaller than this are hard to read on a phone (common practice, no source).
LEAST_PX = 11.0
_SMALL = """() => {
  const small = [], walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  for (let n = walk.nextNode(); n; n = walk.nextNode()) {
    const e = n.parentElement, box = e.getBoundingClientRect();
    if (!n.data.trim() || !box.width || ['SCRIPT', 'STYLE'].includes(e.tagName)) continue;
    const svg = e.ownerSVGElement;
    const scale = svg ? e.getScreenCTM().a : 1;
    const size = parseFloat(getComputedStyle(e).fontSize) * scale;
    if (size < %s - 0.05) small.push(size.toFixed(1) + ' ' + n.data.trim().slice(0, 40));
  }
  return small;
}"""


def _charts(page: Any, shown: str) -> tuple[int, int]:
    """Number of charts, and of those that show lines or bars of some size."""
    charts = page.query_selector_all(".chart")
    drawn = page.evaluate(
        """shown => [...document.querySelectorAll(shown)].filter(svg => {
          const box = svg.getBoundingClientRect();
          return box.width > 200 && box.height > 40 && svg.querySelectorAll('path').length > 2;
        }).length""",
        shown,
    )
    return len(charts), drawn


def _open_all(page: Any) -> None:
    page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")


def test_every_chart_is_there_with_and_without_script(reader: Reader, hostile: Reported) -> None:
    still = reader.open(hostile.page, script=False)
    count = len(still.query_selector_all(".chart"))
    assert count >= 4
    for chart in still.query_selector_all(".chart > svg"):
        box = chart.bounding_box()
        assert box["width"] > 200
        assert box["height"] > 40
        assert len(chart.query_selector_all("path")) > 2
    live = reader.open(hostile.page)
    assert _charts(live, ".chart.on .live svg") == (count, count)
    states = live.eval_on_selector_all("[data-alive]", "all => all.map(e => e.dataset.state)")
    assert set(states) == {"alive"}


def test_the_policy_forbids_eval_and_network(reader: Reader, hostile: Reported) -> None:
    page = reader.open(hostile.page, alive=False)
    policy = page.get_attribute('meta[http-equiv="Content-Security-Policy"]', "content")
    assert "unsafe-eval" not in policy
    assert "default-src 'none'" in policy
    assert not re.search(r"script-src[^;]*unsafe-inline", policy)
    # A picture of the page's own kind is refused: the policy is in force, not only written.
    refused = page.evaluate(
        """() => new Promise(done => {
          document.addEventListener('securitypolicyviolation', e => done(e.violatedDirective));
          new Image().src = 'https://example.invalid/x.png';
          setTimeout(() => done('nothing refused'), 3000);
        })"""
    )
    assert refused.startswith("img-src")
    # The refusal itself is told there.
    reader.messages.clear()
    reader.requests = [url for url in reader.requests if "example.invalid" not in url]


def test_the_mailed_page_has_no_script_and_all_charts(
    reader: Reader, hostile: Reported, tmp_path: Path
) -> None:
    path = mail_page(hostile.out / "mail" / f"{hostile.ids[-1]}.eml", tmp_path)
    page = reader.open(path, width=390)
    assert page.query_selector_all("script") == []
    live = reader.open(hostile.page, alive=False)
    assert len(page.query_selector_all(".chart > svg")) == len(live.query_selector_all(".chart"))


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("name", ["page", "index", "compared"])
def test_accessibility(reader: Reader, hostile: Reported, name: str, scheme: str) -> None:
    """Rules: axe-core, from the registry package axe-core-python."""
    page = reader.open(getattr(hostile, name), scheme=scheme, width=900)
    _open_all(page)
    page.evaluate(axe())
    result = page.evaluate("axe.run({resultTypes: ['violations', 'incomplete']})")
    found = [
        (v["id"], [n["target"] for n in v["nodes"]][:4], v["nodes"][0]["failureSummary"][:200])
        for v in result["violations"]
    ]
    assert found == []


@pytest.mark.parametrize("name", ["page", "index", "compared"])
@pytest.mark.parametrize("script", [True, False])
def test_on_a_phone(reader: Reader, hostile: Reported, name: str, script: bool) -> None:
    page = reader.open(getattr(hostile, name), width=390, script=script)
    _open_all(page)
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    assert page.evaluate(_SMALL % LEAST_PX) == []


def test_hostile_words_come_out_as_text(reader: Reader, hostile: Reported) -> None:
    session = reader.open(hostile.page)
    _open_all(session)
    text = session.inner_text("body")
    assert text.count(HOSTILE) >= 4  # vehicle, column, marker, hand check
    assert "<img src=x onerror=window.bad=1>{{7*7}}.csv" in text  # the file's name
    index = reader.open(hostile.index)
    _open_all(index)
    assert HOSTILE in index.inner_text("body")
    assert HOSTILE in reader.open(hostile.compared).inner_text("body")
    for page in (session, index):
        assert "{{49}}" not in page.inner_text("body")
        assert page.query_selector("img") is None


def _over(page: Any, share: float) -> None:
    """Put the mouse over the first chart, at a share of its width."""
    chart = page.locator("#overview .chart").first
    chart.scroll_into_view_if_needed()
    box = chart.bounding_box()
    page.mouse.move(box["x"] + 46 + share * (box["width"] - 60), box["y"] + box["height"] / 2)


def test_the_mouse_reads_a_value_in_every_panel(reader: Reader, hostile: Reported) -> None:
    page = reader.open(hostile.page)
    figure = page.locator("#overview [data-alive]").first
    _over(page, 0.5)
    at = figure.locator("output").inner_text()
    assert re.fullmatch(r"at \d+:\d\d\.\d", at)
    panels = [p for p in figure.locator(".panel").all() if p.locator(".read").count()]
    assert len(panels) >= 3
    read = [panel.locator(".read").first.inner_text() for panel in panels]
    assert all(re.match(r"[−\d]", value) for value in read)
    # The value read is that of the numbers the chart is drawn from, at the same moment.
    name = figure.get_attribute("data-alive")
    first = page.evaluate(
        "n => JSON.parse(document.getElementById('spec-' + n).textContent).charts"
        ".find(c => c.series.length).data.l0", name
    )  # fmt: skip
    minutes, seconds = at.removeprefix("at ").split(":")
    moment = int(minutes) * 60 + float(seconds)
    near = [y for x, y in zip(first["x"], first["y"], strict=True) if abs(x - moment) < 2 and y]
    value = float(read[0].split()[0].replace("−", "-"))
    assert min(near) - 1 <= value <= max(near) + 1
    _over(page, 0.8)
    assert figure.locator("output").inner_text() != at


def _ticks(page: Any) -> list[str]:
    return page.eval_on_selector_all(  # type: ignore[no-any-return]
        "#overview .panel:last-of-type .live .role-axis-label text",
        "all => all.map(e => e.textContent).sort()",
    )


def test_zoom_changes_the_axis_by_button_and_by_drag(reader: Reader, hostile: Reported) -> None:
    page = reader.open(hostile.page)
    whole = _ticks(page)
    assert whole
    page.locator("#overview").get_by_role("button", name=re.compile("Zoom in")).first.click()
    closer = _ticks(page)
    assert closer != whole
    page.locator("#overview").get_by_role("button", name=re.compile("Show all")).first.click()
    assert _ticks(page) == whole
    # Close by the start no marker stands: a chart with nothing in sight keeps quiet too.
    _over(page, 0.05)
    page.mouse.down()
    _over(page, 0.15)
    page.mouse.up()
    assert _ticks(page) != whole
    page.locator("#overview .chart").first.dblclick()
    assert _ticks(page) == whole


def test_the_cursor_moves_by_keyboard(reader: Reader, hostile: Reported) -> None:
    page = reader.open(hostile.page)
    slider = page.locator("#overview input[type=range]").first
    slider.focus()
    for _ in range(3):
        page.keyboard.press("ArrowRight")
    assert page.locator("#overview output").first.inner_text().startswith("at ")
    assert page.locator("#overview .read").first.inner_text()


def test_the_numbers_behind_a_chart_are_saved(
    reader: Reader, hostile: Reported, tmp_path: Path
) -> None:
    page = reader.open(hostile.page)
    with page.expect_download() as saved:
        page.locator("#overview").get_by_role("button", name=re.compile("Save")).first.click()
    saved.value.save_as(tmp_path / "saved.csv")
    rows = list(csv.reader((tmp_path / "saved.csv").read_text().splitlines()))
    assert rows[0][:3] == ["panel", "series", "unit"]
    assert len(rows) > 50
    assert {len(r) for r in rows} == {7}


def test_print_cuts_no_chart(reader: Reader, hostile: Reported, tmp_path: Path) -> None:
    page = reader.open(hostile.page, scheme="dark")
    page.emulate_media(media="print")
    broken = page.evaluate(
        """() => [...document.querySelectorAll('.panel, .map')]
          .filter(e => getComputedStyle(e).breakInside !== 'avoid').map(e => e.className)"""
    )
    assert broken == []
    # A chart fits a page: A4 less margins is about 1000 px high at 96 per inch (ISO 216).
    heights = page.eval_on_selector_all(
        ".panel", "all => all.map(e => e.getBoundingClientRect().height)"
    )
    assert heights
    assert max(heights) < 900
    # What moves on the screen is still on paper, on white.
    assert page.eval_on_selector_all(".live", "all => all.every(e => !e.offsetHeight)")
    assert page.eval_on_selector_all(".chart > svg", "all => all.every(e => e.clientHeight > 40)")
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
    page.pdf(path=tmp_path / "page.pdf", format="A4")
    assert (tmp_path / "page.pdf").read_bytes().startswith(b"%PDF")
