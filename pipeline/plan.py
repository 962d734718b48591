"""What changed since the last run, and what has to be done again because of it.

Only the standard library: a run over unchanged logs ends here, before anything heavy loads.
"""

import contextlib
import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from pipeline import SCHEMA_VERSION
from pipeline.inputs import InputFile
from pipeline.store import Store, file_hash, read_json

#: Shape of state.json; another number means everything is done again.
STATE_VERSION = 1


def load_state(store: Store) -> dict[str, Any]:
    """Read the last run's state; an empty one where there is none that can be understood."""
    state = read_json(store.state)
    wanted = {"inputs", "settings", "sessions", "outputs", "messages", "exit", "code", "options"}
    if (
        isinstance(state, dict)
        and state.get("version") == [STATE_VERSION, SCHEMA_VERSION]
        and wanted <= state.keys()
    ):
        return state
    return empty_state()


def empty_state() -> dict[str, Any]:
    """State before any run."""
    return {"version": [STATE_VERSION, SCHEMA_VERSION], "inputs": {}, "settings": {},
            "sessions": {}, "outputs": {}, "messages": [], "exit": None, "code": {},
            "options": {}}  # fmt: skip


def settings_files(
    logs: Path, inputs: Sequence[InputFile], override: Path | None
) -> dict[str, Path]:
    """Vehicle files and logbooks in use, by name relative to LOGS (the override by its own)."""
    found: dict[str, Path] = {}
    for item in inputs:
        for name in (None if override else item.vehicle, item.logbook):
            if name is not None:
                found[name] = logs / name
    if override is not None:
        found["--vehicle"] = override
    return dict(sorted(found.items()))


def stamp(path: Path) -> list[int] | None:
    """Size and time of change, None where the file is gone."""
    try:
        info = path.stat()
    except OSError:
        return None
    return [info.st_size, info.st_mtime_ns]


def input_stamp(item: InputFile) -> list[Any]:
    """What the quick check compares of an input."""
    return [item.size, item.mtime_ns, item.refused, item.vehicle, item.logbook]


def nothing_changed(
    state: Mapping[str, Any],
    store: Store,
    inputs: Sequence[InputFile],
    settings: Mapping[str, Path],
    code_stamp: str,
    options: Mapping[str, Any],
) -> bool:
    """Tell by sizes and times alone whether a run would do nothing."""
    if state["exit"] is None or state["code"].get("stamp") != code_stamp:
        return False
    if state["options"] != options or len(state["inputs"]) != len(inputs):
        return False
    for item in inputs:
        known = state["inputs"].get(item.file)
        if known is None or known["stamp"] != input_stamp(item):
            return False
    if list(state["settings"]) != sorted(settings):
        return False
    if any(state["settings"][name][:2] != stamp(path) for name, path in settings.items()):
        return False
    root = os.fspath(store.out)
    try:
        for name, known in state["outputs"].items():
            info = os.stat(f"{root}/{name}")  # noqa: PTH116 - a thousand sessions, each 6 files
            if info.st_size != known[0] or info.st_mtime_ns != known[1]:
                return False
    except OSError:
        return False
    return True


def nothing_to_read(
    state: Mapping[str, Any],
    inputs: Sequence[InputFile],
    settings: Mapping[str, Path],
    code: Mapping[str, str],
) -> bool:
    """Tell by sizes and times alone that no log is new, as when some are only gone.

    Outputs that are no longer sound may still ask for one to be read.
    """
    if any(state["code"].get(part) != code[part] for part in ("ingest", "analyse")):
        return False
    known = state["inputs"]
    if any(known.get(i.file, {}).get("stamp") != input_stamp(i) for i in inputs):
        return False
    return all(state["settings"].get(n, ())[:2] == stamp(path) for n, path in settings.items())


def sound_outputs(state: Mapping[str, Any], store: Store) -> dict[str, list[Any]]:
    """Outputs of the last run that are still what was written: by stamp, else by hash."""
    sound = {}
    root = os.fspath(store.out)
    for name, known in state["outputs"].items():
        try:
            info = os.stat(f"{root}/{name}")  # noqa: PTH116 - a thousand sessions, each 6 files
        except OSError:
            continue
        now = [info.st_size, info.st_mtime_ns]
        if now != known[:2]:
            path = store.out / name
            try:
                if now[0] != known[0] or file_hash(path) != known[2]:
                    continue
                with contextlib.suppress(OSError):
                    os.utime(path, ns=(known[1], known[1]))
            except OSError:
                continue
        sound[name] = known
    return sound
