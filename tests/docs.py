"""Writes the generated parts of README.md and DEVELOPERS.md: ``python -m tests.docs``.

A test holds that the files are as this would write them, so that docs cannot drift.
"""

import json
import sys
from collections.abc import Callable
from pathlib import Path

import msgspec

from pipeline.channels import CHANNELS
from pipeline.document import Document
from pipeline.limits import Limits
from pipeline.registry import load_registry

ROOT = Path(__file__).parent.parent


def limits_table() -> str:
    """Every key of [limits]: default and reason."""
    properties = msgspec.json.schema(Limits)["$defs"]["Limits"]["properties"]
    rows = ["| key | default | what it is |", "| --- | --- | --- |"]
    for field in msgspec.structs.fields(Limits):
        default = field.default
        shown = "none" if default is None else str(msgspec.to_builtins(default)).strip("[]()")
        rows.append(f"| `{field.name}` | {shown} | {properties[field.name]['description']} |")
    return "\n".join(rows)


def channels_table() -> str:
    """Every canonical channel."""
    rows = ["| channel | unit | possible | meaning |", "| --- | --- | --- | --- |"]
    rows += [
        f"| `{c.name}` | {c.unit} | {c.low:g} to {c.high:g} | {c.meaning} |"
        for c in CHANNELS.values()
    ]
    return "\n".join(rows)


def analyses_table() -> str:
    """Every analysis: its question, what it needs, what it may find."""
    rows = ["| analysis | question | needs | may find |", "| --- | --- | --- | --- |"]
    for name, analysis in load_registry().analyses.items():
        meta = analysis.meta
        needs = [*meta.needs, *(" or ".join(group) for group in meta.needs_any), *meta.facts]
        rows.append(
            f"| `{name}` | {meta.question} | {', '.join(needs)} | {', '.join(meta.kinds)} |"
        )
    return "\n".join(rows)


def facts_table() -> str:
    """Every fact: what it is and what it needs."""
    rows = ["| fact | what it is | needs |", "| --- | --- | --- |"]
    for name, fact in load_registry().facts.items():
        meta = fact.meta
        needs = [*meta.needs, *(" or ".join(group) for group in meta.needs_any), *meta.facts]
        rows.append(f"| `{name}` | {meta.summary} | {', '.join(needs)} |")
    return "\n".join(rows)


PARTS: dict[str, dict[str, Callable[[], str]]] = {
    "README.md": {"limits": limits_table},
    "DEVELOPERS.md": {
        "channels": channels_table,
        "facts": facts_table,
        "analyses": analyses_table,
    },
}


def written(name: str) -> str:
    """Text of a document with its generated parts as they should be."""
    text = (ROOT / name).read_text(encoding="utf-8")
    for part, make in PARTS[name].items():
        begin, end = f"<!-- {part}:begin", f"<!-- {part}:end -->"
        head, _, rest = text.partition(begin)
        note, _, rest = rest.partition("-->")
        _, mark, tail = rest.partition(end)
        if not mark:
            raise ValueError(f"{name} has no place for {part}")
        text = f"{head}{begin}{note}-->\n{make()}\n{end}{tail}"
    return text


SCHEMA = ROOT / "pipeline" / "schemas" / "analysis.schema.json"


def analysis_schema() -> str:
    """JSON Schema of analysis.json, from the model that writes it."""
    schema = {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": "analysis.json"}
    return json.dumps({**schema, **msgspec.json.schema(Document)}, indent=1) + "\n"


def main() -> int:
    """Write the documents and the schema."""
    SCHEMA.write_text(analysis_schema(), encoding="utf-8")
    for name in PARTS:
        (ROOT / name).write_text(written(name), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
