"""Whole pages from plain results: one jinja2 environment, everything from logs escaped."""

import functools
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import jinja2
import msgspec
from markupsafe import Markup

from pipeline.logbook import Entry
from pipeline.report import theme, words
from pipeline.report.bundle import TEMPLATES, Assets, kept_folder, load_assets, script_hash
from pipeline.report.grids import colour_rules
from pipeline.report.units import Units, units_of
from pipeline.report.view import SessionView
from pipeline.wording import lasting

_STATIC_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'"
)


class _Compiled(jinja2.FileSystemBytecodeCache):
    """Templates compiled at set-up: a tenth of a second less in each process that draws pages.

    The library holds each against its source's hash, so an edited one is compiled anew.
    """

    def dump_bytecode(self, bucket: jinja2.bccache.Bucket) -> None:
        """Write nothing: a run leaves the installation as it is."""


def keep_compiled(folder: Path) -> None:
    """Compile every template of a page into a folder, where other processes find them."""
    env = environment().overlay(bytecode_cache=jinja2.FileSystemBytecodeCache(str(folder)))
    for name in env.list_templates(extensions=["html"]):
        env.get_template(name)


@functools.cache
def environment() -> jinja2.Environment:
    """The one environment of all pages."""
    env = jinja2.Environment(
        loader=jinja2.FileSystemLoader(TEMPLATES),
        bytecode_cache=_Compiled(str(kept_folder())),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    env.filters["island"] = island
    env.filters["capfirst"] = lambda text: text[:1].upper() + text[1:]
    env.globals["severity_word"] = words.SEVERITY
    env.globals["style"] = Markup(_style())
    return env


def _style() -> str:
    """The one stylesheet, squeezed, with the colours the charts and maps were drawn with."""
    text = (TEMPLATES / "style.css").read_text(encoding="ascii")
    lines = (line.strip() for line in text.splitlines())
    keys = "".join(
        f".k{i}{{stroke:{colour};stroke-dasharray:{' '.join(map(str, dash)) or 'none'}}}"
        for i, (colour, dash) in enumerate(theme.SERIES)
    )
    return keys + colour_rules() + "".join(ln for ln in lines if not ln.startswith("/*"))


def island(value: Any) -> Markup:
    """Plain data as JSON for a script element of type application/json: nothing can end it."""
    text = json.dumps(value, allow_nan=False, separators=(",", ":"))
    for sign in "<>&":
        text = text.replace(sign, f"\\u{ord(sign):04x}")
    return Markup(text)


def _plain(value: Any) -> Any:
    return value if isinstance(value, Mapping) else msgspec.to_builtins(value)


def session_units(document: Any, system: str) -> Units:
    """Display units of a session's page, from the vehicle's ``units`` ("metric" or "us")."""
    return units_of(_plain(document), "us" if system == "us" else "metric")


def render_session(
    document: Any,
    figures: Any,
    *,
    units: Units,
    logbook_entries: Sequence[Entry] = (),
    assets: Assets | None = None,
    alive: bool = True,
) -> str:
    """Render a session's page.

    document, figures: analysis.json and figures.json, as plain data or their models.
    ``alive``: with scripts for zoom and values; without, the page has none at all and is pure
    ASCII, to be mailed. Same input, same text.
    """
    view = SessionView(_plain(document), _plain(figures), units=units, entries=logbook_entries)
    context = view.context()
    if alive:
        scripts = assets or load_assets()
        sources = " ".join(f"'{h}'" for h in scripts.hashes)
        context["policy"] = f"{_STATIC_POLICY}; script-src {sources}"
        context["scripts"] = [Markup(scripts.vega), Markup(scripts.page)]
        context["config"] = theme.CONFIG
    else:
        context["policy"] = _STATIC_POLICY
        context["scripts"] = []
        context["config"] = {}
    html = environment().get_template("session.html").render(context, alive=alive)
    return html if alive else html.encode("ascii", "xmlcharrefreplace").decode("ascii")


@dataclass(frozen=True)
class IndexSession:
    """One line of the index. ``start``: local time; ``page``: link relative to the index."""

    id: str
    start: str
    duration_s: float
    page: str
    severity: str
    #: Severity as a number, to sort by; findings at watch or worse.
    rank: int = 0
    loud: int = 0
    #: The verdict's sentence, "" where there are too many sessions for it.
    said: str = ""
    distance_km: float | None = None


@dataclass(frozen=True)
class OpenPoint:
    """Something still to be done: an open finding or a re-check due."""

    text: str
    severity: str = "watch"
    since: str = ""
    page: str = ""
    next: str = ""


@dataclass(frozen=True)
class IndexVehicle:
    """One vehicle's part of the index, sessions in the order to show them."""

    id: str
    name: str
    units: Units
    sessions: Sequence[IndexSession]
    open_points: Sequence[OpenPoint] = ()
    closed: Sequence[OpenPoint] = ()
    #: The last one by start: what somebody who has just come home looks for.
    latest: IndexSession | None = None
    #: Filled by the trends: whatever blocks/trends.html shows; None where there are none yet.
    trends: Any = None


@dataclass(frozen=True)
class SetAside:
    """A file that could not be read: why, and what to do about it."""

    file: str
    reason: str
    cure: str = ""


@dataclass(frozen=True)
class IndexData:
    """What index.html shows."""

    vehicles: Sequence[IndexVehicle]
    set_aside: Sequence[SetAside] = ()
    partial: Sequence[SetAside] = ()
    demo: bool = False


def render_index(index: IndexData) -> str:
    """Render the index: open points, trends, sessions, files set aside; one small script."""
    script = (TEMPLATES / "sort.js").read_text(encoding="ascii")
    return (
        environment()
        .get_template("index.html")
        .render(
            index=index,
            policy=f"{_STATIC_POLICY}; script-src '{script_hash(script)}'",
            lasting=lasting,
            scripts=[Markup(script)],
            alive=False,
        )
    )
