"""Structure of a session's page, read as a parser reads it."""

import json
import re
from html.parser import HTMLParser
from pathlib import Path

import pytest

from pipeline.report import page
from pipeline.report.session_page import session_page
from tests.report.browser import mail_page
from tests.report.conftest import HOSTILE, Reported


class Outline(HTMLParser):
    """Ids, links inside the page, elements and text."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.ids: list[str] = []
        self.links: list[str] = []
        self.tags: list[str] = []
        self.outside: list[str] = []
        self.handlers: list[str] = []
        self.feed(html)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        for name, value in attrs:
            if name == "id":
                self.ids.append(value or "")
            if name in ("href", "src"):
                (self.links if (value or "").startswith("#") else self.outside).append(value or "")
            if name.startswith("on"):
                self.handlers.append(name)


@pytest.fixture(scope="module")
def outline(hostile: Reported) -> Outline:
    return Outline(hostile.page.read_text())


def test_a_process_that_draws_pages_compiles_no_template(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    page.keep_compiled(tmp_path)
    written = sorted(tmp_path.iterdir())
    assert len(written) >= 4
    monkeypatch.setattr(page, "kept_folder", lambda: tmp_path)
    env = page.environment.__wrapped__()
    monkeypatch.setattr(env, "compile", None)
    for name in env.list_templates(extensions=["html"]):
        env.get_template(name)
    assert sorted(tmp_path.iterdir()) == written


def test_ids_are_one_each_and_every_link_has_its_end(outline: Outline) -> None:
    assert len(outline.ids) == len(set(outline.ids))
    assert len(outline.links) > 15
    assert {link.removeprefix("#") for link in outline.links} <= set(outline.ids)


def test_the_page_names_nothing_outside_itself(outline: Outline) -> None:
    assert outline.outside == []
    assert outline.handlers == []
    assert not {"img", "link", "iframe", "object", "form"} & set(outline.tags)


def test_every_analysis_has_its_place(hostile: Reported) -> None:
    page = hostile.page.read_text()
    document = json.loads(
        (hostile.out / "data" / "sessions" / hostile.ids[-1] / "analysis.json").read_text()
    )
    assert len(document["analyses"]) > 10
    silent = page.partition('<section id="silent">')[2].partition("</section>")[0]
    for analysis in document["analyses"]:
        if analysis["id"] == "overview":
            assert '<section id="overview">' in page
        elif analysis["status"] in ("not_judged", "failed"):
            assert analysis["question"].replace("'", "&#39;") in silent
        else:
            assert f'id="analysis-{analysis["id"].replace("_", "-")}"' in page
    for number, finding in enumerate(document["findings"], start=1):
        assert f'id="finding-{number}"' in page
        assert finding["title"].split()[0] in page


def test_findings_stand_in_the_order_of_acting(hostile: Reported) -> None:
    document = json.loads(
        (hostile.out / "data" / "sessions" / hostile.ids[-1] / "analysis.json").read_text()
    )
    rank = ["info", "watch", "act", "stop"]
    order = [(f["step"], -rank.index(f["severity"])) for f in document["findings"]]
    assert any(f["kind"] == "rough_running" for f in document["findings"])
    assert order == sorted(order)


def test_the_top_names_the_conditions_and_every_axis_its_quantity(hostile: Reported) -> None:
    page = hostile.page.read_text()
    head = page.partition("</header>")[0]
    assert "coolant at the start" in head
    assert "coolant at most" in head
    across = re.findall(r'<p class="across">Across: ([^<]+)</p>', page)
    assert "engine speed, rpm" in across
    assert page.count('id="analysis-verdict"') == 1


def test_a_page_without_a_vehicle_file_says_what_it_rests_on(hostile: Reported) -> None:
    folder = hostile.out / "data" / "sessions" / hostile.ids[-1]
    given = (folder / "analysis.json").read_bytes()
    none = given.replace(b'"vehicle.toml"', b'"default"')
    figures = (folder / "figures.json").read_bytes()
    says = "No vehicle file says anything of this car"
    pages = [session_page(raw, figures, units="metric", alive=False) for raw in (given, none)]
    assert [says in page for page in pages] == [False, True]


def test_sections_that_every_page_has(outline: Outline) -> None:
    wanted = {"findings", "silent", "hand-checks", "numbers", "quality", "assumptions", "cautions"}
    assert wanted <= set(outline.ids)


def test_hostile_words_are_escaped_in_every_page(hostile: Reported) -> None:
    for path in sorted(hostile.out.rglob("*.html")):
        page = path.read_text()
        assert "<img src=x" not in page
        assert "<script>window.bad" not in page
        assert "{{7*7}}" in page
        assert "{{49}}" not in page
    assert len(HOSTILE) > 60


def test_data_in_script_elements_cannot_end_them(hostile: Reported) -> None:
    islands = re.findall(
        r'<script type="application/json"[^>]*>(.*?)</script>', hostile.page.read_text(), re.S
    )
    assert len(islands) >= 3
    for island in islands:
        assert not set("<>&") & set(island)
        json.loads(island)


def test_the_mailed_page_is_ascii_without_script(hostile: Reported, tmp_path: Path) -> None:
    path = mail_page(hostile.out / "mail" / f"{hostile.ids[-1]}.eml", tmp_path)
    raw = path.read_bytes()
    assert raw.isascii()
    assert "script" not in Outline(raw.decode()).tags
    assert len(raw) < hostile.page.stat().st_size / 2
