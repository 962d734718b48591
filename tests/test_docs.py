"""The documents and the schema say what the program does."""

import re

import pytest

from pipeline.cli import make_parser
from pipeline.registry import load_registry
from tests.docs import PARTS, ROOT, SCHEMA, analysis_schema, written


@pytest.mark.parametrize("name", sorted(PARTS))
def test_generated_parts_are_as_they_would_be_written(name: str) -> None:
    assert (ROOT / name).read_text(encoding="utf-8") == written(name), "run python -m tests.docs"


def test_the_schema_is_as_it_would_be_written() -> None:
    assert SCHEMA.read_text(encoding="utf-8") == analysis_schema(), "run python -m tests.docs"


def test_every_make_target_is_in_the_readme() -> None:
    makefile = (ROOT / "Makefile").read_text(encoding="utf-8")
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    for target in re.findall(r"^([a-z]+):.*## ", makefile, re.MULTILINE):
        shown = f"make {target}" in readme or target in ("report", "fmt")
        assert shown, target


def test_every_command_has_help() -> None:
    """Without a help of its own a command stands nowhere in the list."""
    listed = re.findall(r"^ {4}([a-z]+) +\S", make_parser().format_help(), re.MULTILINE)
    assert sorted(listed) == ["channels", "compare", "email", "note", "run"]


def test_every_metric_has_its_definition() -> None:
    """Metrics named in analyses' sources stand in the guide's table."""
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    contract = re.compile(r'"([a-z0-9_]+_(?:rpm|kpa|pct|km|ms|deg|kw|c|s|v))": metric\(')
    for analysis in load_registry().analyses.values():
        source = analysis.module.__file__
        assert source is not None
        with open(source, encoding="utf-8") as stream:  # noqa: PTH123
            for name in contract.findall(stream.read()):
                assert f"`{name}`" in guide, f"{name} has no definition in DEVELOPERS.md"


def test_nothing_outside_the_card_lies_at_the_top() -> None:
    allowed = {"README.md", "DEVELOPERS.md", "pyproject.toml", "pipeline", "report_templates",
               "tests", "fixtures", "Makefile", "reports", "logs"}  # fmt: skip
    found = {p.name for p in ROOT.iterdir() if not p.name.startswith(".")}
    assert found <= allowed
