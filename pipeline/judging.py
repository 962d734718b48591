"""Pass B over all sessions: each one judged with the earlier ones of its vehicle, in order."""

import csv
import io
import time
from collections import defaultdict
from collections.abc import Mapping, Sequence
from typing import Any

import msgspec

from pipeline.assumptions import settled_as
from pipeline.batch import Run, vehicle_names
from pipeline.document import Figures, FirstPass, encode, encode_compact
from pipeline.history import (
    WINDOW,
    Summary,
    decode_history,
    entries_until,
    judge_session,
    local_time,
    summary_hash,
    window_hash,
)
from pipeline.inputs import storable
from pipeline.logbook import Entry
from pipeline.registry import Registry, load_registry
from pipeline.results import FuelPoint, Result
from pipeline.store import digest


def judge_all(run: Run, known: Mapping[str, Summary]) -> list[Summary]:
    """Judge what changed or whose past changed; returns all summaries in order of start.

    ``known``: the last run's summaries by session.
    Writes analysis.json, figures.json and fuel_table.csv of each session judged.
    """
    start = time.process_time()
    names = vehicle_names(run)
    by_vehicle: dict[str, list[tuple[tuple[str, str, int], str]]] = defaultdict(list)
    for session in sorted(run.state["sessions"]):
        note = run.state["sessions"][session]
        if session in run.fresh:
            done = run.fresh[session]
            note["start_time"] = done.start_time
            file = storable(run.owner[session].file)
            order = (local_time(done.start_time), file, done.first_line)
        elif session in known:
            order = known[session].order
        else:
            header = _first_pass(run, session).header
            note["start_time"] = header.start_time
            order = (local_time(header.start_time), header.source.file, header.source.first_line)
        vehicle = names[run.vehicle_key(run.owner[session])]
        by_vehicle[vehicle].append((order, session))
    registry: Registry | None = None
    summaries: list[Summary] = []
    for vehicle, ordered in sorted(by_vehicle.items()):
        past: list[Summary] = []
        hashes: list[str] = []
        for _, session in sorted(ordered):
            note = run.state["sessions"][session]
            item = run.owner[session]
            entries = run.settings.logbooks[item.logbook].entry
            logbook = entries_until(entries, note["start_time"])
            against = window_hash(hashes[-WINDOW:], logbook)
            key = digest(run.code["analyse"], note["results_hash"], against, vehicle)
            if _kept(run, session, key) and session in known:
                summary = known[session]
            else:
                registry = registry or load_registry()
                first = _first_pass(run, session)
                summary = _judge_one(run, session, first, vehicle, past[-WINDOW:], logbook,
                                     against, registry)  # fmt: skip
                note["judge_key"] = key
                note["summary_hash"] = summary_hash(summary)
            past.append(summary)
            hashes.append(note["summary_hash"])
        summaries.extend(past)
    run.seconds["judge"] = run.seconds.get("judge", 0.0) + time.process_time() - start
    return sorted(summaries, key=lambda s: s.order)


def known_summaries(run: Run) -> dict[str, Summary]:
    """Summaries the last run left, by session; {} where its history is not as it was written."""
    name = run.store.relative(run.store.history)
    return decode_history(run.store.history.read_bytes()) if name in run.sound else {}


def _first_pass(run: Run, session: str) -> FirstPass:
    return msgspec.json.decode(
        run.store.session(session, "results.json").read_bytes(), type=FirstPass
    )


def _judged_files(run: Run, session: str) -> list[str]:
    return [run.store.session_name(session, n) for n in ("analysis.json", "fuel_table.csv")]


def _kept(run: Run, session: str, key: str) -> bool:
    """Carry a session's judgement over if nothing it rests on has changed."""
    old = run.old["sessions"].get(session, {})
    if session in run.fresh or old.get("judge_key") != key:
        return False
    analysis, table = _judged_files(run, session)
    if table in run.old["outputs"] and not run.keep(table):
        return False
    return run.keep(analysis)


def _judge_one(
    run: Run,
    session: str,
    first: FirstPass,
    vehicle_id: str,
    earlier: Sequence[Summary],
    logbook: Sequence[Entry],
    against: str,
    registry: Registry,
) -> Summary:
    item = run.owner[session]
    values = {k: v.value for k, v in first.header.vehicle.values.items()}
    document, summary, results = judge_session(
        first,
        vehicle_id=vehicle_id,
        vehicle=settled_as(run.vehicle(item), values),
        earlier=earlier,
        logbook=logbook,
        history_digest=against,
        registry=registry,
    )
    note = run.state["sessions"][session]
    run.wrote(run.store.session(session, "analysis.json"), encode(document), item.mtime_ns)
    # A page shows how many sessions it was compared with, not which: one late log must not
    # redraw every later page.
    shown = msgspec.structs.replace(
        document, history=msgspec.structs.replace(document.history, digest="")
    )
    note["shown_hash"] = digest(encode_compact(shown))
    note["start_time"] = document.start_time
    note["figures_hash"] = _write_figures(run, session, results, logbook, item.mtime_ns)
    # Those that conclude see what is open and have the last word on the table.
    by_order = sorted(results, key=lambda name: (registry.analyses[name].meta.order, name))
    points = next((results[n].fuel_table for n in by_order[::-1] if results[n].fuel_table), [])
    if points:
        content = fuel_table_csv(points)
        run.wrote(run.store.session(session, "fuel_table.csv"), content, item.mtime_ns)
    return summary


def _write_figures(
    run: Run, session: str, results: dict[str, Result], logbook: Sequence[Entry], stamp_ns: int
) -> str:
    """Put figures that needed history, and the logbook, beside pass A's; the file's hash."""
    path = run.store.session(session, "figures.json")
    name = run.store.relative(path)
    added = {k: r.figures for k, r in sorted(results.items()) if r.figures}
    figures = msgspec.json.decode(path.read_bytes(), type=Figures)
    if figures.history != added or figures.logbook != list(logbook):
        figures = msgspec.structs.replace(figures, history=added, logbook=list(logbook))
        run.wrote(path, encode_compact(figures), stamp_ns)
    return str(run.state["outputs"][name][2])


FUEL_COLUMNS = ("rpm", "load_kpa", "correction_pct", "low_pct", "high_pct", "step_pct",
                "sensor_pct", "evidence_s", "verdict", "reason")  # fmt: skip


def fuel_table_csv(points: Sequence[FuelPoint]) -> bytes:
    """``fuel_table.csv``; a text cell that a spreadsheet would run as a formula is quoted."""
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(FUEL_COLUMNS)
    for point in points:
        row = [getattr(point, name) for name in FUEL_COLUMNS]
        writer.writerow([_cell(value) for value in row])
    return buffer.getvalue().encode("utf-8")


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, float):
        return f"{value:.10g}"
    text = str(value)
    return "'" + text if text[:1] in ("=", "+", "-", "@", "\t", "\r") else text
