"""Imports run one way: read from the sources, so that no cycle and no short cut creeps in."""

import ast
from functools import cache
from pathlib import Path

import pytest

from pipeline.code_state import source_files

ROOT = Path(__file__).parent.parent
#: Rooms below pipeline/ and the pipeline rooms or modules each may import.
ALLOWED = {
    "signals": {"signals"},
    "physics": {"physics"},
    "facts": {"facts", "signals", "physics", "meta", "results", "session", "vehicle", "channels",
              "limits"},
    "analysis": {"analysis", "facts", "signals", "physics", "meta", "results", "session", "vehicle",
                 "channels", "limits", "logbook", "doubt", "wording"},
    "ingest": {"ingest", "channels", "vehicle", "limits", "signals", "physics", "wording"},
    "report": {"report", "results", "document", "history", "logbook", "store", "inputs",
               "changes", "openpoints", "signals", "channels", "vehicle", "stretch", "session",
               "meta", "wording"},
}  # fmt: skip


def modules(folder: str) -> list[Path]:
    return sorted((ROOT / folder).rglob("*.py"))


@cache
def imported(path: Path) -> frozenset[str]:
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            assert node.level == 0, f"{path}: relative import"
            found |= {node.module} | {f"{node.module}.{a.name}" for a in node.names}
    return frozenset(found)


def rooms(path: Path) -> set[str]:
    return {name.split(".")[1] for name in imported(path) if name.startswith("pipeline.")}


@pytest.mark.parametrize("room", sorted(ALLOWED))
def test_rooms_import_only_what_lies_before_them(room: str) -> None:
    for path in modules(f"pipeline/{room}"):
        own = {"__version__", "SCHEMA_VERSION"}
        assert rooms(path) <= ALLOWED[room] | own, path


@pytest.mark.parametrize("room", ["signals", "physics"])
def test_signals_and_physics_know_only_numpy_and_scipy(room: str) -> None:
    standard = {"collections", "dataclasses", "functools", "itertools", "math", "types", "typing",
                "enum", "hashlib", "json", "struct", "io", "__future__"}  # fmt: skip
    for path in modules(f"pipeline/{room}"):
        for name in imported(path):
            top = name.split(".")[0]
            assert top in standard | {"numpy", "scipy", "pipeline"}, f"{path}: {name}"


def test_analyses_never_import_each_other() -> None:
    """Helpers with a leading underscore are shared; what has a META is not."""
    for path in modules("pipeline/analysis"):
        for name in imported(path):
            parts = name.split(".")
            if parts[:2] == ["pipeline", "analysis"] and len(parts) > 2:
                assert parts[2].startswith("_"), f"{path}: {name}"


def test_heavy_statistics_stay_off_the_hot_path() -> None:
    for path in modules("pipeline"):
        for name in imported(path):
            assert not name.startswith(("scipy.stats", "scipy.signal")), f"{path}: {name}"


def test_simulator_and_program_do_not_know_each_other() -> None:
    for path in modules("pipeline"):
        assert not any(n.split(".")[0] in ("fixtures", "tests") for n in imported(path)), path
    for path in modules("fixtures"):
        assert not any(n.split(".")[0] in ("pipeline", "tests") for n in imported(path)), path


@pytest.mark.parametrize("room", ["ingest", "report"])
def test_what_a_stage_rests_on_is_in_its_hash(room: str) -> None:
    """A source that a stage imports, however far down, makes the stage's old outputs stale."""
    hashed = set(source_files()[room])
    open_, seen = modules(f"pipeline/{room}"), set()
    while open_:
        path = open_.pop()
        if path in seen:
            continue
        seen.add(path)
        below = [ROOT / (name.replace(".", "/") + ".py") for name in imported(path)
                 if name.startswith("pipeline.")]  # fmt: skip
        open_ += [found for found in below if found.exists()]
    assert seen <= hashed, sorted(seen - hashed)


def test_modules_stay_readable() -> None:
    for path in modules("pipeline"):
        assert len(path.read_text(encoding="utf-8").splitlines()) <= 400, path


def test_no_room_imports_in_a_circle() -> None:
    """Depth-first over the module graph of the whole package."""
    graph: dict[str, set[str]] = {}
    for path in modules("pipeline"):
        name = ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")
        top_level = {
            n for node in ast.parse(path.read_text(encoding="utf-8")).body
            if isinstance(node, ast.Import | ast.ImportFrom)
            for n in ([a.name for a in node.names] if isinstance(node, ast.Import)
                      else [node.module or "", *(f"{node.module}.{a.name}" for a in node.names)])
        }  # fmt: skip
        graph[name] = {n for n in top_level if n.startswith("pipeline.") and n != name}
    done: set[str] = set()

    def visit(name: str, open_: tuple[str, ...]) -> None:
        assert name not in open_, " > ".join([*open_, name])
        if name in done or name not in graph:
            return
        for other in sorted(graph[name]):
            visit(other, (*open_, name))
        done.add(name)

    for name in sorted(graph):
        visit(name, ())
