"""Sorting the index and reading a comparison in a real browser."""

from typing import Any

import pytest

from tests.report.browser import Reader
from tests.report.conftest import Reported

pytestmark = pytest.mark.browser


def _column(page: Any, number: int) -> list[float]:
    cells = page.eval_on_selector_all(
        f"table.sortable tbody td:nth-child({number})", "all => all.map(e => e.dataset.v)"
    )
    assert len(cells) >= 2
    return [float(c) for c in cells]


def _sorted_by(page: Any) -> list[str | None]:
    return page.eval_on_selector_all(  # type: ignore[no-any-return]
        "table.sortable th", "all => all.map(e => e.getAttribute('aria-sort'))"
    )


def test_worst_first_then_by_mouse_and_back(reader: Reader, hostile: Reported) -> None:
    page = reader.open(hostile.index)
    ranks = _column(page, 2)
    assert ranks == sorted(ranks, reverse=True)
    button = page.get_by_role("button", name="Length")
    button.click()
    down = _column(page, 3)
    assert down == sorted(down, reverse=True)
    assert _sorted_by(page) == [None, None, "descending", None, None]
    button.click()
    assert _column(page, 3) == sorted(down)
    assert _sorted_by(page) == [None, None, "ascending", None, None]


def test_sorting_by_keyboard(reader: Reader, hostile: Reported) -> None:
    page = reader.open(hostile.index)
    starts = "table.sortable tbody td:first-child"
    page.get_by_role("button", name="Start").focus()
    page.keyboard.press("Enter")
    down = page.eval_on_selector_all(starts, "all => all.map(e => e.dataset.v)")
    assert down == sorted(down, reverse=True)
    page.keyboard.press("Space")
    assert page.eval_on_selector_all(starts, "all => all.map(e => e.dataset.v)") == down[::-1]


def test_links_of_the_index_open_their_pages(reader: Reader, hostile: Reported) -> None:
    page = reader.open(hostile.index)
    links = page.eval_on_selector_all("table.sortable a", "all => all.map(e => e.href)")
    assert len(links) == 2
    for link in links:
        path = hostile.out / "sessions" / link.rpartition("/")[2]
        assert path.is_file()


def test_a_comparison_reads_without_script(reader: Reader, hostile: Reported) -> None:
    page = reader.open(hostile.compared, script=False)
    text = page.inner_text("body")
    assert "permission" in text
    assert page.query_selector("table.rows")
    assert page.query_selector("script") is None
