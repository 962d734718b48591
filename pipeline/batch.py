"""One run over a folder of logs: plan, read and analyse, judge, draw, publish.

The order of work is design's three passes: (A) per log, in parallel; (B) in order of start,
here; (C) per session, in parallel. Every file is written whole; index and state come last.
"""

import dataclasses
import hashlib
import importlib
import json
import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import msgspec

from pipeline.inputs import InputFile, file_ids, is_candidate, printable, storable, vehicle_ids
from pipeline.logbook import Logbook
from pipeline.plan import empty_state, input_stamp, nothing_to_read, sound_outputs
from pipeline.pool import Pool, WorkerDiedError
from pipeline.records import aside_record
from pipeline.stages import (
    LogDone,
    LogTask,
    OutputError,
    PageDone,
    PageTask,
    SessionDone,
    draw_page,
    load_reading,
    read_and_analyse,
)
from pipeline.store import Store, digest, file_hash, read_json, remove_leftovers, write_whole
from pipeline.vehicle import Vehicle

#: Blocks of the vehicle file that the reading of logs depends on, and limits likewise.
READING_BLOCKS = ("channels", "log", "site", "lambda_sensor", "fuel", "privacy", "engine")
READING_LIMITS = ("max_", "log_gap", "session_gap")

if TYPE_CHECKING:
    from pipeline.history import Summary

    PagesDrawn = Iterator[tuple[str, PageDone | WorkerDiedError]]

#: CPU s that reading and analysing takes per log and per byte of it, and drawing takes per page:
#: what `make bench` shows, rounded. Only the number of workers rests on them.
LOG_S, BYTE_S, PAGE_S = 0.3, 6e-8, 0.4


@dataclass(frozen=True)
class Settings:
    """What the vehicle files and logbooks of a run say; keys relative to LOGS, None for none."""

    vehicles: Mapping[str | None, Vehicle]
    logbooks: Mapping[str | None, Logbook]
    files: Mapping[str, Path]
    override: bool


@dataclass
class Run:
    """Everything one run carries from pass to pass."""

    logs: Path
    store: Store
    inputs: Sequence[InputFile]
    settings: Settings
    code: Mapping[str, str]
    options: Mapping[str, Any]
    old: dict[str, Any]
    progress: Callable[[str, int, int], None]
    #: Entries of the last ingest.json by file, where that file is still as it was written.
    old_records: dict[str, dict[str, Any]] = field(default_factory=dict)
    state: dict[str, Any] = field(default_factory=empty_state)
    records: dict[str, dict[str, Any]] = field(default_factory=dict)
    sound: dict[str, list[Any]] = field(default_factory=dict)
    seconds: dict[str, float] = field(default_factory=dict)
    #: Sessions whose first pass ran in this run, and what it told.
    fresh: dict[str, SessionDone] = field(default_factory=dict)
    #: Session id to the input it came from.
    owner: dict[str, InputFile] = field(default_factory=dict)

    def vehicle_key(self, item: InputFile) -> str | None:
        """Name of the vehicle file of an input, None for none or where one overrides all."""
        return None if self.settings.override else item.vehicle

    def vehicle(self, item: InputFile) -> Vehicle:
        """Vehicle of an input."""
        return self.settings.vehicles[self.vehicle_key(item)]

    def keep(self, name: str) -> bool:
        """Carry a sound output of the last run over; False where it has to be made again."""
        if name in self.sound:
            self.state["outputs"][name] = self.sound[name]
            return True
        return False

    def wrote(self, path: Path, content: bytes, stamp_ns: int) -> None:
        """Write an output whole and note it."""
        name = self.store.relative(path)
        # What this run has written already counts before what the last one left.
        known = self.state["outputs"].get(name) or self.sound.get(name)
        if known and known[1] == stamp_ns and known[2] == digest_of(content):
            self.state["outputs"][name] = known
            return
        sha256 = write_whole(path, content, stamp_ns=stamp_ns)
        info = path.stat()
        self.state["outputs"][name] = [info.st_size, info.st_mtime_ns, sha256]


def digest_of(content: bytes) -> str:
    """SHA-256 of content, as a file with it would have."""
    return hashlib.sha256(content).hexdigest()


def execute(run: Run, *, jobs: int | None, cluster: str | None) -> None:
    """Do one run; fills ``run.state`` and writes OUT.

    ``jobs``: worker processes, None for as many as pay. Raises OutputError or OSError where
    OUT cannot be written.
    """
    with Pool(jobs or os.cpu_count() or 1, cluster, exactly=jobs is not None) as pool:
        # A worker loads its libraries for a good second: while old outputs are looked through.
        if not nothing_to_read(run.old, run.inputs, run.settings.files, run.code):
            pool.warm(load_reading)
        remove_leftovers(run.store.out)
        run.sound = sound_outputs(run.old, run.store)
        if run.store.relative(run.store.ingest) in run.sound:
            ingest = read_json(run.store.ingest) or {"files": []}
            run.old_records = {r["file"]: r for r in ingest["files"]}
        with ThreadPoolExecutor(1) as beside:
            # What judging needs takes a second to load: while the workers read, not after.
            past = beside.submit(_load_past, run)
            _pass_a(run, pool)
        _resolve_duplicates(run)
        from pipeline.judging import judge_all
        from pipeline.publish import publish_data, publish_index, publish_state, render_index

        summaries = judge_all(run, past.result())
        pages = _start_pages(run, pool)
        publish_data(run, summaries)
        index = render_index(run, summaries)
        _take_pages(run, *pages)
    publish_index(run, summaries, index)
    publish_state(run)
    timings = os.environ.get("SPARKLEDGER_TIMINGS")
    if timings:
        Path(timings).write_text(json.dumps(run.seconds), encoding="utf-8")


def _load_past(run: Run) -> "dict[str, Summary]":
    """Summaries of the last run's sessions; loads what judging and the index need on the way."""
    from pipeline.judging import known_summaries
    from pipeline.registry import load_registry

    for name in ("pipeline.publish", "pipeline.report.index"):
        importlib.import_module(name)
    load_registry()
    return known_summaries(run)


# --- Pass A ----------------------------------------------------------------------------------


def _pass_a(run: Run, pool: Pool) -> None:
    ids = file_ids([i.file for i in run.inputs if is_candidate(i)])
    tasks: dict[str, LogTask] = {}
    keys = {k: vehicle_keys(run.code, run.settings.vehicles[k])
            for k in {run.vehicle_key(i) for i in run.inputs}}  # fmt: skip
    for item in run.inputs:
        run.state["inputs"][item.file] = {"stamp": input_stamp(item)}
        if item.refused:
            run.records[item.file] = aside_record(item.file, item.size, item.refused)
            continue
        vehicle = run.vehicle(item)
        name = ids.get(item.file) or file_ids([item.file])[item.file]
        task = LogTask(out=run.store.out, file=item.file, path=item.path, id=name,
                       mtime_ns=item.mtime_ns, vehicle=vehicle,
                       code=run.code["analyse"])  # fmt: skip
        again = _reuse(run, item, task, *keys[run.vehicle_key(item)])
        if again is not None:
            tasks[item.file] = again
    by_name = {i.file: i for i in run.inputs}
    seconds = sum(LOG_S + BYTE_S * by_name[file].size for file in tasks)
    results = pool.run(read_and_analyse, tasks, seconds=seconds)
    for done, (file, result) in enumerate(results, start=1):
        run.progress("read and analysed", done, len(tasks))
        item = by_name[file]
        if isinstance(result, WorkerDiedError):
            run.records[file] = aside_record(item.file, item.size, "a worker died over it, twice")
            run.state["inputs"][file]["messages"] = [
                [
                    1,
                    "a worker died over this log, twice",
                    "see whether memory ran out, and run again",
                ]
            ]
            continue
        _take(run, item, result)


def vehicle_keys(code: Mapping[str, str], vehicle: Vehicle) -> tuple[str, str]:
    """What the reading and what the analysing of this vehicle's logs depend on, as hashes.

    code: hash of the sources by stage. Units of pages are in neither: they are drawn again alone.
    """
    blocks = msgspec.to_builtins({b: getattr(vehicle, b) for b in READING_BLOCKS})
    limits = {
        k: v
        for k, v in msgspec.structs.asdict(vehicle.limits).items()
        if k.startswith(READING_LIMITS)
    }
    plain = json.dumps([blocks, msgspec.to_builtins(limits)], sort_keys=True)
    values = msgspec.to_builtins(msgspec.structs.replace(vehicle, given=frozenset()))
    values.pop("units")
    whole = json.dumps([values, sorted(vehicle.given - {"units"})], sort_keys=True)
    return digest(code["ingest"], plain), digest(code["analyse"], whole)


def _reuse(
    run: Run, item: InputFile, task: LogTask, reading: str, analysing: str
) -> LogTask | None:
    """Carry over what is still right; give the task that remains, None for none."""
    known = run.old["inputs"].get(item.file)
    note = run.state["inputs"][item.file]
    note["reading_key"] = digest(reading, item.file, task.id)
    note["analysing_key"] = analysing
    if known is None or known.get("reading_key") != note["reading_key"]:
        return task
    same = known["stamp"][:2] == note["stamp"][:2]
    if not same:
        if known.get("by_mtime") or known["stamp"][0] != item.size:
            return task
        try:
            same = file_hash(item.path) == known.get("raw_sha256")
        except OSError:
            same = False
    record = run.old_records.get(storable(item.file))
    if not same or record is None or record["status"] == "duplicate":
        return task
    sessions = record["sessions"]
    names = [run.store.session_name(s, "samples.parquet") for s in sessions]
    if not all(name in run.sound for name in names):
        return task
    kept = [run.keep(name) for name in names]
    assert all(kept)
    run.records[item.file] = record
    for key in ("raw_sha256", "by_mtime", "messages"):
        note[key] = known.get(key)
    for session in sessions:
        run.owner[session] = item
    parts = [
        run.store.session_name(s, part)
        for s in sessions
        for part in ("results.json", "figures.json")
    ]
    parts += [n for s in sessions for n in run.old["sessions"].get(s, {}).get("kept", ())]
    results_sound = all(run.store.session_name(s, "results.json") in run.sound for s in sessions)
    if known.get("analysing_key") == note["analysing_key"] and all(p in run.sound for p in parts):
        for name in parts:
            run.keep(name)
        for session in sessions:
            run.state["sessions"][session] = dict(run.old["sessions"][session])
        return None
    if not results_sound:
        return task
    return dataclasses.replace(task, sessions=tuple(sessions)) if sessions else None


def _take(run: Run, item: InputFile, result: LogDone) -> None:
    note = run.state["inputs"][item.file]
    if result.record is not None:
        run.records[item.file] = result.record
        note["raw_sha256"] = result.raw_sha256
        note["by_mtime"] = any(s.start_time_source == "file" for s in result.sessions)
        note["messages"] = [list(m) for m in result.messages]
    for session in result.sessions:
        run.owner[session.id] = item
        run.fresh[session.id] = session
        run.state["sessions"][session.id] = {"results_hash": session.results_hash,
                                             "kept": list(session.kept)}  # fmt: skip
    for name, known in result.outputs.items():
        run.state["outputs"][name] = list(known)
    for stage, seconds in result.seconds.items():
        run.seconds[stage] = run.seconds.get(stage, 0.0) + seconds


def _resolve_duplicates(run: Run) -> None:
    """Keep the first path of each content; the others are duplicates and lose their sessions."""
    first: dict[str, str] = {}
    for item in run.inputs:
        record = run.records[item.file]
        if not record["sha256"] or not record["sessions"]:
            continue
        original = first.setdefault(record["sha256"], item.file)
        if original == item.file:
            continue
        for session in record["sessions"]:
            run.state["sessions"].pop(session, None)
            run.owner.pop(session, None)
            prefix = run.store.session_name(session, "")
            for name in [n for n in run.state["outputs"] if n.startswith(prefix)]:
                del run.state["outputs"][name]
        run.records[item.file] = {
            **record,
            "status": "duplicate",
            "reason": f"same content as {printable(original)}",
            "sessions": [],
            "rows_read": 0,
            "rows_dropped": {},
            "lines_other": {},
        }
        run.state["inputs"][item.file]["messages"] = []
    used = {name for note in run.state["sessions"].values() for name in note.get("kept", ())}
    folder = run.store.relative(run.store.kept("")) + "/"
    for name in [n for n in run.state["outputs"] if n.startswith(folder) and n not in used]:
        del run.state["outputs"][name]


# --- Pass C ----------------------------------------------------------------------------------


def _start_pages(run: Run, pool: Pool) -> "tuple[int, PagesDrawn]":
    """Hand out the pages that have to be drawn; how many, and their results as they come."""
    tasks: dict[str, PageTask] = {}
    for session, note in sorted(run.state["sessions"].items()):
        item = run.owner[session]
        vehicle = run.vehicle(item)
        note["units"] = vehicle.units
        page = run.store.relative(run.store.page(session))
        key = digest(run.code["report"], note["shown_hash"], note["figures_hash"], vehicle.units)
        old = run.old["sessions"].get(session, {})
        note["page_key"] = key
        if old.get("page_key") == key and run.keep(page):
            note["page_broke"] = old.get("page_broke", "")
            continue
        tasks[session] = PageTask(
            out=run.store.out,
            session=session,
            stamp_ns=item.mtime_ns,
            units=vehicle.units,
        )
    return len(tasks), pool.run(draw_page, tasks, seconds=PAGE_S * len(tasks))


def _take_pages(run: Run, count: int, results: "PagesDrawn") -> None:
    for done, (session, result) in enumerate(results, start=1):
        run.progress("pages drawn", done, count)
        if isinstance(result, WorkerDiedError):
            raise OutputError(f"a worker died twice over the page of {session}")
        run.state["outputs"][result.name] = list(result.known)
        run.state["sessions"][session]["page_broke"] = result.broke
        for stage, value in result.seconds.items():
            run.seconds[stage] = run.seconds.get(stage, 0.0) + value


def vehicle_names(run: Run) -> dict[str | None, str]:
    """Vehicle ids by vehicle file, over all inputs in order."""
    return vehicle_ids(sorted({run.vehicle_key(i) for i in run.inputs}, key=lambda v: v or ""))
