"""Vehicle files and logbooks by the ten thousand, and what is accepted put to work.

Run `python -m tests.soak.settings_fuzz [texts] [whole runs] [first seed]`. A text is drawn from
the models' own fields (values inside, on and outside their bounds, of other types, huge, not
finite), then its bytes may be damaged. It has to be accepted or refused with one printable line.
A whole run takes an accepted vehicle and a log with channels missing, torn, frozen or full of
spikes through reading, every analysis, judging and the page: nothing may break off, and every
promise about the files has to hold.
"""

import random
import sys
import tempfile
import time
import types
from collections import Counter
from pathlib import Path
from typing import Any, Literal, Union, get_args, get_origin

import msgspec
import numpy as np
import polars as pl

from fixtures.cars import draw_car
from fixtures.drives import (
    cold_start,
    driver_stalls,
    hot_restart,
    limiter,
    mixed_drive,
    pulls,
    short_idle,
    stop_and_go,
)
from fixtures.faults import FAULTS
from fixtures.simulate import Run, simulate
from pipeline.channels import CHANNELS
from pipeline.document import FirstPass, encode
from pipeline.history import Summary, decode_history, encode_history, judge_session
from pipeline.limits import Limits
from pipeline.logbook import Entry, Logbook, Recheck, parse_logbook
from pipeline.registry import load_registry
from pipeline.report.session_page import session_page
from pipeline.stages import LogTask, read_and_analyse
from pipeline.vehicle import Vehicle, VehicleError, parse_vehicle
from tests.soak.ingest_fuzz import damage
from tests.spine import invariants

HANG_S = 5.0
"""A settings file that takes longer hangs."""

HISTORY = 12
"""Sessions that follow one another as one vehicle's, each judged with those before it."""

WRONG = ["nan", "inf", "-inf", "0", "-1", "1e308", "1e-320", "9" * 400, "true", '"text"', "[]",
         "{}", "[[1]]", "1979-05-27", "07:32:00", '"\\u0007"', "[1, [2, []]]", "0x7fffffffffffffff",
         "{a = {b = {c = 1}}}"]  # fmt: skip
"""Values that are right for few keys or none."""


def number_text(value: float) -> str:
    """A float as TOML has it."""
    return repr(float(value))


def drawn(kind: Any, rng: random.Random, wild: float) -> str:
    """TOML text of a value for a field of this type; wrong with probability ``wild``."""
    if rng.random() < wild:
        return rng.choice(WRONG)
    bounds: dict[str, float] = {}
    while hasattr(kind, "__metadata__"):
        for meta in kind.__metadata__:
            for name in ("ge", "gt", "le", "lt"):
                if getattr(meta, name, None) is not None:
                    bounds[name] = float(getattr(meta, name))
        kind = kind.__origin__
    if get_origin(kind) in (types.UnionType, Union):
        return drawn(rng.choice([k for k in get_args(kind) if k is not type(None)]), rng, wild)
    if get_origin(kind) is Literal:
        return f'"{rng.choice(get_args(kind))}"'
    if get_origin(kind) in (list, tuple):
        count = rng.choice([0, 1, 2, 3, 8, 16])
        cells = [drawn(get_args(kind)[0], rng, wild / 10) for _ in range(count)]
        if rng.random() < 0.9 and all(is_plain(c) for c in cells):
            cells.sort(key=float)  # axes have to rise
        return f"[{', '.join(cells)}]"
    if kind is bool:
        return rng.choice(["true", "false"])
    if kind in (int, float):
        low = bounds.get("ge", bounds.get("gt", 0.0))
        high = min(bounds.get("le", bounds.get("lt", 1000.0)), 1e6)
        value = rng.choice([rng.uniform(low, high), low, high, (low * max(high, 1e-9)) ** 0.5
                            if low > 0 else rng.uniform(low, high)])  # fmt: skip
        return str(int(value)) if kind is int else number_text(value)
    if isinstance(kind, type) and issubclass(kind, msgspec.Struct):
        inner = [f"{f.name} = {drawn(f.type, rng, wild)}" for f in fields_of(kind)]
        return "{" + ", ".join(inner) + "}"
    if kind is str:
        return rng.choice(['"a"', '""', '"=1+1"', '"<b>&amp;"', '"\\u202e"', "'%s {x} \\\\'"])
    return rng.choice(["2026-05-01", "2026-05-01T10:00:00", "2026-05-01T10:00:00Z", "0001-01-01"])


def is_plain(text: str) -> bool:
    """Tell whether a text is a finite number of ordinary length."""
    try:
        return np.isfinite(float(text)) and len(text) < 40
    except (ValueError, OverflowError):
        return False


def fields_of(model: type[msgspec.Struct]) -> list[Any]:
    """Fields that a file may give."""
    return [f for f in msgspec.structs.fields(model) if f.name not in ("given", "entry")]


def vehicle_text(rng: random.Random, wild: float) -> str:
    """A vehicle file: some keys of some tables."""
    lines = ['units = "us"'] if rng.random() < 0.3 else []
    for field in fields_of(Vehicle):
        options = [field.type, *get_args(field.type)]
        model = next((o for o in options if isinstance(o, type) and issubclass(o, msgspec.Struct)),
                     None)  # fmt: skip
        if field.name == "channels":
            if rng.random() < 0.3:
                name = rng.choice([*CHANNELS, "time", "ignore", "nothing of ours"])
                lines += ["[channels]", f'"Probe {rng.randrange(3)}" = "{name}"']
        elif model is not None and rng.random() < 0.6:
            share = 0.05 if model is Limits else 0.6
            keys = [f for f in fields_of(model) if f.required or rng.random() < share]
            lines += [f"[{field.name}]", *(f"{f.name} = {drawn(f.type, rng, wild)}" for f in keys)]
    return "\n".join(lines) + "\n"


def logbook_text(rng: random.Random, wild: float) -> str:
    """A logbook of a few entries."""
    lines: list[str] = []
    for _ in range(rng.randrange(5)):
        lines.append("[[entry]]")
        for field in fields_of(Entry):
            if field.name == "recheck":
                if rng.random() < 0.3:
                    lines.append(f"recheck = {drawn(Recheck, rng, wild)}")
            elif field.required or rng.random() < 0.5:
                lines.append(f"{field.name} = {drawn(field.type, rng, wild)}")
    return "\n".join(lines) + "\n"


def refusal(raw: bytes, *, logbook: bool) -> str | None:
    """None where a text is accepted, else the refusal; raises AssertionError for a bad one."""
    begin = time.perf_counter()
    try:
        if logbook:
            assert isinstance(parse_logbook(raw), Logbook)
        else:
            parse_vehicle(raw, channel_names=CHANNELS)
        said = None
    except VehicleError as error:
        said = f"{error.what}: {error.cure}"
        assert 1 <= error.line <= raw.count(b"\n") + raw.count(b"\r") + 1, error.line
        assert "\n" not in said, said
        assert len(said) < 2000, said[:300]
    assert time.perf_counter() - begin < HANG_S, "hangs"
    return said


def one_text(seed: int) -> str:
    """Check one text; "accepted" or "refused"."""
    rng = random.Random(seed)
    logbook = rng.random() < 0.3
    wild = rng.choice([0.0, 0.0, 0.02, 0.2])
    text = logbook_text(rng, wild) if logbook else vehicle_text(rng, wild)
    raw = text.encode()
    if rng.random() < 0.3:
        raw = damage(raw, rng)
    return "accepted" if refusal(raw, logbook=logbook) is None else "refused"


def accepted(rng: random.Random, *, logbook: bool) -> bytes:
    """Text that is accepted."""
    while True:
        raw = (logbook_text(rng, 0.0) if logbook else vehicle_text(rng, 0.0)).encode()
        if refusal(raw, logbook=logbook) is None:
            return raw


def torn(frame: pl.DataFrame, rng: random.Random) -> pl.DataFrame:
    """A log with columns missing, holed, frozen, spiked, scaled or zero, and rows cut out."""
    time_cell, *others = frame.columns
    kept = [c for c in others if rng.random() < rng.choice([0.3, 0.9, 1.0])] or others[:1]
    frame = frame.select(time_cell, *kept)
    draw = np.random.default_rng(rng.randrange(2**32))
    changed = []
    for cell in kept:
        values = frame[cell].to_numpy().astype(float).copy()
        kind = rng.choice(["", "", "", "", "holes", "frozen", "spikes", "scaled", "zero", "noise"])
        if kind == "holes":
            values[draw.random(values.size) < rng.choice([0.1, 0.9, 0.999])] = np.nan
        elif kind == "frozen":
            values[rng.randrange(values.size) :] = values[0]
        elif kind == "spikes":
            values[draw.random(values.size) < 0.01] *= rng.choice([-1e3, 1e3, 10.0])
        elif kind == "scaled":
            values *= rng.choice([-1.0, 0.01, 100.0])
        elif kind == "zero":
            values[:] = rng.choice([0.0, -40.0, 1e6])
        elif kind == "noise":
            values += draw.normal(0.0, np.nanstd(values) + 1.0, values.size)
        changed.append(pl.Series(cell, values))
    frame = frame.with_columns(changed)
    if rng.random() < 0.3:
        begin = rng.randrange(frame.height)
        frame = pl.concat([frame[:begin], frame[begin + rng.choice([5, 200]) :]])
    return frame.head(rng.choice([3, 50, 400, frame.height, frame.height]))


def one_run(seed: int, run: Run, folder: Path, past: list[Summary] | None = None) -> list[str]:
    """What broke off in one whole run, [] where nothing did.

    past: the sessions before it, as if all were of one vehicle; this one is put to them.
    """
    past = past if past is not None else []
    rng = random.Random(seed)
    vehicle = parse_vehicle(accepted(rng, logbook=False), channel_names=CHANNELS)
    logbook = parse_logbook(accepted(rng, logbook=True))
    log = folder / f"{seed}.csv"
    torn(run.frame, rng).write_csv(log, null_value="")
    out = folder / "out"
    done = read_and_analyse(LogTask(out=out, file=log.name, path=log, id=str(seed), mtime_ns=0,
                                    vehicle=vehicle, code=""))  # fmt: skip
    assert done.record is not None
    broken = [done.record["reason"]] if "broke off" in done.record["reason"] else []
    registry = load_registry()
    for session in done.sessions:
        place = out / "data" / "sessions" / session.id
        first = msgspec.json.decode((place / "results.json").read_bytes(), type=FirstPass)
        document, summary, results = judge_session(
            first, vehicle_id="a", vehicle=vehicle, earlier=tuple(past), logbook=logbook.entry,
            history_digest="", registry=registry,
        )  # fmt: skip
        past.append(next(iter(decode_history(encode_history([summary])).values())))
        broken += [f"{k}: {r.why}" for k, r in results.items() if r.status == "failed"]
        made = msgspec.json.decode(encode(document))
        broken += invariants.samples(place / "samples.parquet", done.record)
        broken += invariants.document(made, registry)
        for name, result in results.items():
            broken += [f"{name}: {text}" for text in invariants.table(result.fuel_table)]
        try:
            session_page(encode(document), (place / "figures.json").read_bytes(),
                         units=vehicle.units)  # fmt: skip
        except Exception as error:
            broken.append(f"page: {error!r}"[:200])
    return broken


def faulty_drives(seed: int, count: int = 16) -> list[Run]:
    """Drives of all sorts, each with one fault, at the rates of common loggers."""
    rng = random.Random(seed)
    kinds = [mixed_drive, cold_start, pulls, hot_restart, short_idle, stop_and_go, limiter,
             driver_stalls]  # fmt: skip
    made = []
    for number in range(count):
        drive = kinds[number % len(kinds)](
            seed=rng.randrange(50), minutes=4.0, rate_hz=rng.choice([5, 10, 25]),
            header_style="plain",
        )  # fmt: skip
        fault = FAULTS[rng.choice(sorted(FAULTS))](rng.uniform(0.3, 1.0))
        made.append(simulate(draw_car(rng.randrange(50)), drive, (fault,), seed=number))
    return made


def main() -> int:
    """Fuzz; 1 where anything was found."""
    texts, runs, first = (
        int(sys.argv[k]) if len(sys.argv) > k else default
        for k, default in ((1, 20_000), (2, 300), (3, 0))
    )
    count: Counter[str] = Counter()
    found = 0
    begin = time.perf_counter()
    for seed in range(first, first + texts):
        try:
            count[one_text(seed)] += 1
        except Exception as error:
            found += 1
            print(f"text {seed}: {error!r}"[:300], flush=True)
    print(f"{texts} texts in {time.perf_counter() - begin:.0f} s: {dict(count)}, {found} found")
    drives = faulty_drives(first) if runs else []
    begin = time.perf_counter()
    with tempfile.TemporaryDirectory() as name:
        past: list[Summary] = []
        for seed in range(first, first + runs):
            if seed % HISTORY == 0:
                past = []
            try:
                broken = one_run(seed, drives[seed // HISTORY % len(drives)],
                                 Path(name), past)  # fmt: skip
            except Exception as error:
                broken = [repr(error)[:300]]
            found += bool(broken)
            for line in broken:
                print(f"run {seed}: {line}", flush=True)
    print(f"{runs} whole runs in {time.perf_counter() - begin:.0f} s; {found} found in all")
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
