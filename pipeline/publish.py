"""The last step of a run: what speaks of all sessions, then the sweep, the index and the state."""

from collections.abc import Sequence

import msgspec

from pipeline import SCHEMA_VERSION
from pipeline.batch import Run, vehicle_names
from pipeline.history import Summary, digest_of, encode_history
from pipeline.inputs import printable, storable
from pipeline.plan import STATE_VERSION, stamp
from pipeline.results import FuelPoint, unpacked_points
from pipeline.store import dump_json, file_hash, files_below, remove_output, write_whole


def publish_data(run: Run, summaries: Sequence[Summary]) -> None:
    """Write ingest.json, history, metrics and the vehicles' tables."""
    newest = _newest(run)
    run.wrote(run.store.ingest, _ingest_json(run), newest)
    run.wrote(run.store.history, encode_history(summaries), newest)
    _write_metrics(run, summaries, newest)
    for vehicle, points in _pooled(summaries).items():
        from pipeline.judging import fuel_table_csv

        path = run.store.vehicle(vehicle, "fuel_table.csv")
        run.wrote(path, fuel_table_csv(points), newest)


def render_index(run: Run, summaries: Sequence[Summary]) -> bytes:
    """Render index.html, which rests on the sessions alone, not on their pages."""
    from pipeline.report.index import index_page

    return index_page(index_data(run, summaries)).encode("utf-8")


def publish_index(run: Run, summaries: Sequence[Summary], index: bytes) -> None:
    """Write the index once every page it leads to is there, and sweep what is left of old runs."""
    _collect_messages(run, summaries)
    run.wrote(run.store.index, index, _newest(run))
    _sweep(run)


def _newest(run: Run) -> int:
    return max((i.mtime_ns for i in run.inputs), default=0)


def publish_state(run: Run) -> None:
    """Write state.json, the last file of a run."""
    state = run.state
    state["version"] = [STATE_VERSION, SCHEMA_VERSION]
    state["code"] = dict(run.code)
    state["options"] = dict(run.options)
    state["settings"] = {
        name: [*(stamp(path) or [0, 0]), file_hash(path)]
        for name, path in run.settings.files.items()
    }
    write_whole(run.store.state, dump_json(state), stamp_ns=_newest(run))


def _ingest_json(run: Run) -> bytes:
    import json

    document = {
        "schema_version": SCHEMA_VERSION,
        "files": [
            {**run.records[i.file], "file": storable(run.records[i.file]["file"])}
            for i in run.inputs
        ],
    }
    # Indented by msgspec: json's own way of it takes ten times as long.
    plain = json.dumps(document, ensure_ascii=True, allow_nan=False).encode()
    return msgspec.json.format(plain, indent=1) + b"\n"


def _write_metrics(run: Run, summaries: Sequence[Summary], stamp_ns: int) -> None:
    import polars as pl

    path = run.store.metrics
    rows = [
        (s, name, m, s.metric_sources.get(name, ""))
        for s in summaries
        for name, m in s.metrics.items()
    ]
    columns = {
        "session_id": pl.Series([s.id for s, _, _, _ in rows], dtype=pl.String),
        "start_time": pl.Series([s.start_time for s, _, _, _ in rows], dtype=pl.String),
        "metric": pl.Series([name for _, name, _, _ in rows], dtype=pl.String),
        "value": pl.Series([m.value for _, _, m, _ in rows], dtype=pl.Float64),
        "unit": pl.Series([m.unit for _, _, m, _ in rows], dtype=pl.String),
        "low": pl.Series([m.low for _, _, m, _ in rows], dtype=pl.Float64),
        "high": pl.Series([m.high for _, _, m, _ in rows], dtype=pl.Float64),
        "analysis": pl.Series([source for _, _, _, source in rows], dtype=pl.String),
        "version": pl.Series([s.versions.get(k, 0) for s, _, _, k in rows], dtype=pl.Int64),
    }
    import io

    buffer = io.BytesIO()
    pl.DataFrame(columns).write_parquet(buffer, statistics=False)
    run.wrote(path, buffer.getvalue(), stamp_ns)


def _pooled(summaries: Sequence[Summary]) -> dict[str, list[FuelPoint]]:
    """The vehicle's pooled correction, as its latest session with one left it, faults heeded."""
    found: dict[str, list[FuelPoint]] = {}
    for summary in reversed(summaries):
        if summary.vehicle not in found and "fuel_steps" in summary.digests:
            rows = digest_of(summary, "fuel_steps").get("pooled")
            if rows:
                found[summary.vehicle] = unpacked_points(rows)
    return found


def _collect_messages(run: Run, summaries: Sequence[Summary]) -> None:
    messages: list[list[object]] = []
    strict = 0
    for item in run.inputs:
        record = run.records[item.file]
        note = run.state["inputs"][item.file]
        own = [[item.file, *m] for m in note.get("messages") or []]
        if record["status"] == "set_aside":
            strict = 1
            if not own:
                cure = "take it out of the folder, or leave it: the other logs are not affected"
                own = [[item.file, 1, f"set aside: {record['reason']}", cure]]
        if record["status"] == "duplicate":
            cure = "nothing to do; remove one of the two if you like"
            own = [[item.file, 1, record["reason"], cure]]
        messages.extend(own)
    for summary in summaries:
        for analysis, status in summary.statuses.items():
            if status == "failed":
                strict = 1
                text = f"analysis {analysis} of session {summary.id} broke off"
                cure = "the session's page says how; please report it, the other analyses stand"
                messages.append([summary.file, summary.first_line, text, cure])
        broke = run.state["sessions"][summary.id].get("page_broke")
        if broke:
            strict = 1
            text = f"the page of session {summary.id} could not be drawn ({broke})"
            cure = "please report it with its analysis.json; what was found stands there"
            messages.append([summary.file, summary.first_line, text, cure])
    run.state["messages"] = messages
    normal = 0 if run.state["sessions"] else 1
    run.state["exit"] = {"normal": normal, "strict": max(normal, strict)}


def _sweep(run: Run) -> None:
    """Remove outputs that no input stands behind any more."""
    for name in sorted(set(run.old["outputs"]) - set(run.state["outputs"])):
        remove_output(run.store, name)
    kept = run.state["outputs"]
    for folder in ("data/sessions", "sessions", "data/vehicles", "data/kept"):
        for name in files_below(run.store.out, folder):
            if name not in kept:
                remove_output(run.store, name)


def index_data(run: Run, summaries: Sequence[Summary]) -> dict[str, object]:
    """Everything the index page shows, as plain data."""
    names = {vid: key for key, vid in vehicle_names(run).items()}
    vehicles = []
    for vid in sorted({s.vehicle for s in summaries}):
        key = names[vid]
        items = [i for i in run.inputs if run.vehicle_key(i) == key]
        books = sorted({i.logbook for i in items if i.logbook})
        entries = [e for b in books for e in run.settings.logbooks[b].entry]
        vehicles.append(
            {
                "id": vid,
                "vehicle": run.settings.vehicles[key],
                "sessions": [s for s in summaries if s.vehicle == vid],
                "logbook": sorted(entries, key=lambda e: e.when),
            }
        )
    files = [
        {**run.records[i.file], "file": printable(i.file),
         "messages": run.state["inputs"][i.file].get("messages") or []}
        for i in run.inputs
    ]  # fmt: skip
    return {"vehicles": vehicles, "files": files}
