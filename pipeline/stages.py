"""The work done per log and per page, as plain functions any executor can call.

``read_and_analyse`` is pass A on one log; ``draw_page`` is pass C on one session. Both read and
write files of OUT and give back small records. They never raise for what a log contains; an
error of the output folder (full disk, no permission) goes up as OSError.
"""

import contextlib
import importlib
import os
import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pipeline import __version__
from pipeline.inputs import storable
from pipeline.kept import KeptFacts
from pipeline.records import aside_record, header_of, read_record, state_spans
from pipeline.store import Store, file_hash, whole, write_whole
from pipeline.vehicle import Vehicle


class OutputError(Exception):
    """OUT cannot be written; the text says what and why."""


@dataclass(frozen=True)
class LogTask:
    """One log to read and analyse. ``sessions``: ids to analyse again without reading, if any."""

    out: Path
    file: str
    path: Path
    id: str
    mtime_ns: int
    vehicle: Vehicle
    sessions: tuple[str, ...] = ()
    #: Hash of the sources behind facts and analyses: what is kept belongs to them.
    code: str = ""


@dataclass(frozen=True)
class SessionDone:
    """What the parent keeps of a session after pass A."""

    id: str
    start_time: str
    start_time_source: str
    first_line: int
    results_hash: str
    #: Relative names of kept files the results rest on.
    kept: tuple[str, ...] = ()


@dataclass
class LogDone:
    """What came of one log. ``record`` is its entry in ingest.json, None where only analysed."""

    file: str
    record: dict[str, Any] | None
    raw_sha256: str = ""
    messages: list[tuple[int, str, str]] = field(default_factory=list)
    sessions: list[SessionDone] = field(default_factory=list)
    #: Output's relative name: size, time of change, SHA-256.
    outputs: dict[str, tuple[int, int, str]] = field(default_factory=dict)
    seconds: dict[str, float] = field(default_factory=dict)


def limit_threads() -> None:
    """One thread per worker: the pool is the parallelism; set before numpy or polars load."""
    for name in ("POLARS_MAX_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS",
                 "MKL_NUM_THREADS"):  # fmt: skip
        os.environ[name] = "1"


def load_reading() -> None:
    """Load the libraries and modules of pass A, before there is a log to read."""
    from pipeline.registry import load_registry

    importlib.import_module("pipeline.ingest")
    load_registry()


def read_and_analyse(task: LogTask) -> LogDone:
    """Pass A: read one log (or its samples), analyse each session, write what was found.

    A log that brings the program itself to a stop is set aside with a message, so that the
    others go on. Raises OutputError where OUT cannot be written.
    """
    with _output_guard(Path(task.out)):
        try:
            if task.sessions:
                return _analyse_again(task)
            return _read(task)
        except OSError:
            raise
        except Exception as error:
            return _broke_off(task, error)


def _broke_off(task: LogTask, error: Exception) -> LogDone:
    reason = f"the program broke off over this log ({type(error).__name__})"
    cure = "please report it with the file; the other logs are not affected"
    size = task.path.stat().st_size
    record = aside_record(task.file, size, reason)
    return LogDone(file=task.file, record=record, messages=[(1, reason, cure)])


@contextlib.contextmanager
def _output_guard(out: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise OutputError(
            f"{out.name}: {(error.strerror or 'cannot be written').lower()}"
        ) from None


def _read(task: LogTask) -> LogDone:
    from pipeline.ingest import read_log, resolve_start, write_samples
    from pipeline.session import Source

    start = time.process_time()
    reading = read_log(task.path, vehicle=task.vehicle)
    store = Store(task.out)
    done = LogDone(
        file=task.file,
        record=read_record(task.file, reading),
        raw_sha256=_raw_hash(task.path, reading),
        messages=[(m.line, m.what, m.cure) for m in reading.messages],
    )
    done.seconds["read"] = time.process_time() - start
    for number, raw in enumerate(reading.sessions, start=1):
        name = task.id if number == 1 else f"{task.id}--{number}"
        start = time.process_time()
        start_time, source = resolve_start(
            raw, file_name=task.file.rsplit("/", 1)[-1], mtime_ns=task.mtime_ns
        )
        for at in range(raw.frame.width):  # in one piece, so that analyses need no copy of it
            raw.frame.replace_column(at, raw.frame.to_series(at).rechunk())
        target = store.session(name, "samples.parquet")
        with whole(target, stamp_ns=task.mtime_ns) as partial:
            write_samples(
                partial,
                raw,
                source_name=storable(task.file),
                source_sha256=reading.sha256,
                version=__version__,
                keep_position=task.vehicle.privacy.keep_position,
            )
        _note(done, store, target, file_hash(target))
        done.seconds["write"] = done.seconds.get("write", 0.0) + time.process_time() - start
        previous = task.id if number == 2 else f"{task.id}--{number - 1}"
        header = header_of(
            raw, name, start_time, source, previous,
            Source(file=storable(task.file), sha256=reading.sha256, first_line=raw.first_line,
                   last_line=raw.last_line),
        )  # fmt: skip
        _analyse(done, store, task, name, raw.frame, header)
    assert done.record is not None
    done.record["sessions"] = [s.id for s in done.sessions]
    return done


def _analyse_again(task: LogTask) -> LogDone:
    import msgspec
    import polars as pl

    from pipeline.document import FirstPass

    store = Store(task.out)
    done = LogDone(file=task.file, record=None)
    for name in task.sessions:
        start = time.process_time()
        raw = store.session(name, "results.json").read_bytes()
        header = msgspec.structs.asdict(msgspec.json.decode(raw, type=FirstPass).header)
        frame = pl.read_parquet(store.session(name, "samples.parquet"))
        done.seconds["load"] = done.seconds.get("load", 0.0) + time.process_time() - start
        _analyse(done, store, task, name, frame, header)
    return done


def _analyse(
    done: LogDone, store: Store, task: LogTask, name: str, frame: Any, header: dict[str, Any]
) -> None:
    from pipeline import SCHEMA_VERSION
    from pipeline.assumptions import settle
    from pipeline.document import (
        Assumed,
        Figures,
        FirstPass,
        Header,
        VehicleUsed,
        encode_compact,
        without_figures,
    )  # fmt: skip
    from pipeline.registry import load_registry
    from pipeline.runner import Timings, analyse
    from pipeline.stretch import stretches

    registry = load_registry()
    session = session_of(frame, header, task.vehicle)
    vehicle, assumed = settle(task.vehicle, session.channels)
    session.vehicle = vehicle
    timings = Timings()
    kept = KeptFacts(store, task.code)
    results = analyse(session, registry, timings=timings, kept=kept)
    for path in kept.used:
        _note(done, store, path, file_hash(path))
    for stage, seconds in timings.seconds.items():
        done.seconds[stage] = done.seconds.get(stage, 0.0) + seconds
    start = time.process_time()
    header["vehicle"] = VehicleUsed(
        name=vehicle.vehicle.name,
        values={k: Assumed(value=v, source=s) for k, (v, s) in sorted(assumed.items())},  # type: ignore[arg-type]
    )
    header["states"] = state_spans(session)
    first = FirstPass(
        schema_version=SCHEMA_VERSION,
        header=Header(**header),
        results={k: without_figures(r) for k, r in results.items()},
        versions={k: a.meta.version for k, a in registry.analyses.items()},
    )
    figures = Figures(
        schema_version=SCHEMA_VERSION,
        session_id=name,
        figures={k: r.figures for k, r in results.items() if r.figures},
        references={k: list(a.meta.references) for k, a in registry.analyses.items()},
        stretches=stretches(session, [f for r in results.values() for f in r.findings]),
    )
    path = store.session(name, "results.json")
    results_hash = write_whole(path, encode_compact(first), stamp_ns=task.mtime_ns)
    _note(done, store, path, results_hash)
    path = store.session(name, "figures.json")
    _note(done, store, path, write_whole(path, encode_compact(figures), stamp_ns=task.mtime_ns))
    done.sessions.append(
        SessionDone(
            id=name,
            start_time=header["start_time"],
            start_time_source=header["start_time_source"],
            first_line=header["source"].first_line,
            results_hash=results_hash,
            kept=tuple(store.relative(p) for p in kept.used),
        )
    )
    done.seconds["results"] = done.seconds.get("results", 0.0) + time.process_time() - start


def session_of(frame: Any, header: Mapping[str, Any], vehicle: Vehicle) -> Any:
    """Make the Session of a samples frame and the header that belongs to it.

    Position never reaches an analysis; a channel without any value counts as not logged. The frame
    is taken apart, column by column, and empty afterwards: a long log is not held twice.
    """
    import numpy as np

    from pipeline.channels import CHANNELS
    from pipeline.session import Session

    time = frame.drop_in_place("time").to_numpy()
    channels = {}
    for name in list(frame.columns):
        column = frame.drop_in_place(name)
        if name in CHANNELS and name not in ("latitude", "longitude"):
            values = column.rechunk().to_numpy().astype(np.float64, copy=False)
            if np.isfinite(values).any():
                channels[name] = values
    return Session(
        id=header["session_id"],
        time=time,
        channels=channels,
        info=header["channels"],
        vehicle=vehicle,
        start_time=header["start_time"],
        start_time_source=header["start_time_source"],
        continues=header["continues"],
        source=header["source"],
        markers=header["markers"],
        gaps=header["quality"].gaps,
        rows_dropped=header["quality"].rows_dropped,
    )


def _raw_hash(path: Path, reading: Any) -> str:
    """Hash of the file as it lies there, known already unless the reader inflated it."""
    if path.suffix.lower() != ".gz" and reading.sha256:
        return str(reading.sha256)
    try:
        return file_hash(path)
    except OSError:
        return ""


def _note(done: LogDone, store: Store, path: Path, sha256: str) -> None:
    info = path.stat()
    done.outputs[store.relative(path)] = (info.st_size, info.st_mtime_ns, sha256)


@dataclass(frozen=True)
class PageTask:
    """One session page to draw from its result files."""

    out: Path
    session: str
    stamp_ns: int
    units: str


@dataclass(frozen=True)
class PageDone:
    """One page written; ``broke`` says why it is only a stand-in, "" where it is whole."""

    name: str
    known: tuple[int, int, str]
    seconds: dict[str, float]
    broke: str = ""


def draw_page(task: PageTask) -> PageDone:
    """Pass C: draw one session's page.

    Where drawing breaks off, a stand-in says so and the other pages go on. Raises OutputError
    where OUT cannot be written.
    """
    store = Store(task.out)
    start = time.process_time()
    broke = ""
    with _output_guard(task.out):
        document = store.session(task.session, "analysis.json").read_bytes()
        figures = store.session(task.session, "figures.json").read_bytes()
        try:
            from pipeline.report.session_page import session_page

            html = session_page(document, figures, units=task.units)
        except Exception as error:
            broke = type(error).__name__
            html = STAND_IN.format(id=task.session, why=broke)
        path = store.page(task.session)
        sha256 = write_whole(path, html.encode("utf-8"), stamp_ns=task.stamp_ns)
        info = path.stat()
    known = (info.st_size, info.st_mtime_ns, sha256)
    return PageDone(store.relative(path), known, {"page": time.process_time() - start}, broke)


#: Stands where a page could not be drawn: nothing on it depends on what broke the drawing.
STAND_IN = """<!doctype html>
<html lang="en"><head><meta charset="utf-8"><title>{id}: not drawn</title></head>
<body><h1>{id}: this page could not be drawn</h1>
<p>Drawing broke off ({why}). That says nothing about the engine: what was found stands in
data/sessions/{id}/analysis.json. Please report it with that file.</p>
<p><a href="../index.html">All sessions</a></p></body></html>
"""
