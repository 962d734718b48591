"""The command line: what is asked, the check whether anything changed, messages, exit status.

Heavy libraries are imported only by the commands that need them: a run over unchanged logs has
to end in the time Python takes to start.
"""

import argparse
import os
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from pipeline.inputs import printable

DONE, NOTHING, USAGE = 0, 1, 2


class UsageError(Exception):
    """Wrong usage, a wrong vehicle file or logbook: exit status 2, nothing written."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit status of the contract."""
    parser = make_parser()
    options = parser.parse_args(arguments)
    try:
        return int(options.run(options))
    except UsageError as error:
        say(str(error))
        return USAGE
    except KeyboardInterrupt:
        say("stopped: what was written before is whole; run again to finish")
        return 130
    except BrokenPipeError:
        sys.stderr.close()
        return NOTHING
    except Exception as error:
        if os.environ.get("SPARKLEDGER_TRACEBACK"):
            raise
        why = f"{type(error).__name__}: {error}" if str(error) else type(error).__name__
        say(f"the program broke off ({printable(why)[:200]}): what was written before is whole; "
            "please report it, with what SPARKLEDGER_TRACEBACK=1 shows")  # fmt: skip
        return NOTHING


def say(text: str) -> None:
    """Print one diagnostic line to stderr."""
    sys.stderr.write(text.replace("\n", " ") + "\n")


def make_parser() -> argparse.ArgumentParser:
    """Every command with its options and its help."""
    parser = argparse.ArgumentParser(
        prog="sparkledger",
        description="Turns the data logs of a home-built car into reports. Estimates are no "
        "permission: local rules and a licensed professional decide.",
    )
    commands = parser.add_subparsers(required=True, metavar="COMMAND")

    run = commands.add_parser("run", help="read all logs below a folder, write all reports")
    run.add_argument("logs", type=Path, metavar="LOGS")
    run.add_argument("--out", type=Path, required=True, metavar="OUT")
    run.add_argument("--vehicle", type=Path, metavar="FILE",
                     help="instead of the vehicle files found")  # fmt: skip
    run.add_argument("--jobs", type=_positive, metavar="N",
                     help="worker processes (default: as many as pay)")  # fmt: skip
    run.add_argument("--force", action="store_true", help="forget what is cached")
    run.add_argument("--strict", action="store_true",
                     help="exit 1 when any log was set aside or an analysis failed")  # fmt: skip
    run.add_argument("--executor", metavar="dask://HOST:PORT",
                     help="hand the logs to a Dask cluster")  # fmt: skip
    run.set_defaults(run=_run)

    channels = commands.add_parser("channels", help="say how one log would be read")
    channels.add_argument("file", type=Path, metavar="FILE")
    channels.add_argument("--vehicle", type=Path, metavar="FILE")
    channels.add_argument("--toml", action="store_true",
                          help="print a [channels] block ready to paste")  # fmt: skip
    channels.set_defaults(run=_channels)

    compare = commands.add_parser("compare", help="compare two sessions on matched points")
    compare.add_argument("out", type=Path, metavar="OUT")
    compare.add_argument("a", metavar="A")
    compare.add_argument("b", metavar="B")
    compare.set_defaults(run=_compare)

    email = commands.add_parser("email", help="write a draft message with the report attached")
    email.add_argument("out", type=Path, metavar="OUT")
    email.add_argument("session", metavar="SESSION")
    email.add_argument("--to", required=True, metavar="ADDRESS")
    email.add_argument("--question", default="", metavar="TEXT")
    email.add_argument("--with", dest="extras", action="append", default=[],
                       choices=["compare", "fuel_table"])  # fmt: skip
    email.set_defaults(run=_email)

    note = commands.add_parser("note", help="add an entry to the logbook")
    note.add_argument("logs", type=Path, metavar="LOGS")
    note.add_argument("text", metavar="TEXT")
    for name in ("kind", "date", "table", "item", "value", "unit"):
        note.add_argument(f"--{name}", metavar=name[0].upper())
    note.set_defaults(run=_note)
    return parser


def _positive(text: str) -> int:
    number = int(text)
    if number < 1:
        raise argparse.ArgumentTypeError("must be 1 or more")
    return number


def _cluster(address: str | None) -> str | None:
    if address is None:
        return None
    scheme, separator, where = address.partition("://")
    if scheme != "dask" or not separator or ":" not in where:
        raise UsageError(f"--executor {printable(address)}: not understood: give dask://HOST:PORT")
    return f"tcp://{where}"


def _run(options: argparse.Namespace) -> int:
    from pipeline.code_state import code_hashes, code_stamp
    from pipeline.inputs import find_inputs
    from pipeline.plan import empty_state, load_state, nothing_changed, settings_files
    from pipeline.store import Store, only_run

    logs, out = options.logs, options.out
    cluster = _cluster(options.executor)
    if logs.is_file():
        raise UsageError(f"{printable(str(logs))}: is a file: give the folder it lies in")
    if not logs.is_dir():
        raise UsageError(f"{printable(str(logs))}: no such folder: give the folder of your logs")
    if out.exists() and not out.is_dir():
        raise UsageError(f"{printable(str(out))}: is a file: give a folder to write to")
    if _holds(out, logs):
        raise UsageError(f"{printable(str(out))}: holds the logs: give another folder for OUT")
    if options.vehicle is not None and not options.vehicle.is_file():
        raise UsageError(f"{printable(str(options.vehicle))}: no such file: give a vehicle file")
    store = Store(out)
    chosen = {"vehicle": options.vehicle is not None}
    inputs = find_inputs(logs, out)
    files = settings_files(logs, inputs, options.vehicle)
    stamp = code_stamp()
    if not options.force:
        state = load_state(store)
        if nothing_changed(state, store, inputs, files, stamp, chosen):
            return _finish(state, store, options.strict)
    _limit_threads()
    settings = _load_settings(files, inputs, override=options.vehicle is not None)
    from pipeline.batch import Run, execute
    from pipeline.pool import ClusterError
    from pipeline.stages import OutputError

    try:
        out.mkdir(parents=True, exist_ok=True)
        with only_run(out, on_wait=lambda: say("another run works on this folder: waiting")):
            run = Run(
                logs=logs,
                store=store,
                inputs=inputs,
                settings=settings,
                code={"stamp": stamp, **code_hashes()},
                options=chosen,
                old=empty_state() if options.force else load_state(store),
                progress=_progress(),
            )
            execute(run, jobs=options.jobs, cluster=cluster)
    except ClusterError as error:
        say(str(error))
        return NOTHING
    except OutputError as error:
        say(f"{printable(str(error))}: make room or give another folder, then run again")
        return NOTHING
    except OSError as error:
        why = (error.strerror or str(error)).lower()
        say(f"{printable(out.name)}: {why}: give a folder that can be written, then run again")
        return NOTHING
    return _finish(run.state, store, options.strict)


def _holds(out: Path, logs: Path) -> bool:
    """Tell whether OUT is LOGS itself or a folder around it (then nothing could be read)."""
    real_out, real_logs = out.resolve(), logs.resolve()
    return real_out == real_logs or real_out in real_logs.parents


def _limit_threads() -> None:
    from pipeline.stages import limit_threads

    limit_threads()


def _load_settings(files: dict[str, Path], inputs: Sequence[Any], *, override: bool) -> Any:
    from pipeline.batch import Settings
    from pipeline.channels import CHANNELS
    from pipeline.logbook import EMPTY_LOGBOOK, Logbook, load_logbook
    from pipeline.vehicle import DEFAULT_VEHICLE, Vehicle, VehicleError, load_vehicle

    vehicles: dict[str | None, Vehicle] = {None: DEFAULT_VEHICLE}
    logbooks: dict[str | None, Logbook] = {None: EMPTY_LOGBOOK}
    books = {i.logbook for i in inputs}
    for name, path in files.items():
        shown = printable(path.name if name == "--vehicle" else name)
        try:
            if name in books:
                logbooks[name] = load_logbook(path)
            else:
                vehicle = load_vehicle(path, channel_names=CHANNELS)
                vehicles[None if name == "--vehicle" else name] = vehicle
        except VehicleError as error:
            raise UsageError(f"{shown}:{error.line}: {error.what}: {error.cure}") from None
        except OSError as error:
            why = (error.strerror or "cannot be read").lower()
            raise UsageError(f"{shown}:1: {why}: make the file readable") from None
    return Settings(vehicles=vehicles, logbooks=logbooks, files=files, override=override)


def _finish(state: dict[str, Any], store: Any, strict: bool) -> int:
    for file, line, what, cure in state["messages"]:
        say(f"{printable(file)}:{line}: {printable(what)}: {printable(cure)}")
    if not state["inputs"]:
        say("no file in the folder of logs: put a log in it and run again")
    elif not state["sessions"]:
        say("no session could be read: see the lines above and the index page")
    sys.stdout.write(f"{len(state['sessions'])} sessions: {store.index}\n")
    return int(state["exit"]["strict" if strict else "normal"])


def _progress() -> Callable[[str, int, int], None]:
    if not sys.stderr.isatty():
        return lambda _what, _done, _of: None

    def show(what: str, done: int, of: int) -> None:
        end = "\n" if done == of else ""
        sys.stderr.write(f"\r\x1b[K{what}: {done} of {of}{end}")
        sys.stderr.flush()

    return show


def _channels(options: argparse.Namespace) -> int:
    from pipeline.channels import CHANNELS
    from pipeline.vehicle import DEFAULT_VEHICLE, VehicleError, load_vehicle

    path = options.file
    if not path.is_file():
        raise UsageError(f"{printable(str(path))}: no such file: give one log")
    vehicle = DEFAULT_VEHICLE
    file = options.vehicle or _nearest(path, "vehicle.toml")
    if file is not None:
        try:
            vehicle = load_vehicle(file, channel_names=CHANNELS)
        except VehicleError as error:
            raise UsageError(f"{file.name}:{error.line}: {error.what}: {error.cure}") from None
        except OSError as error:
            raise UsageError(f"{file.name}:1: {error.strerror}: give a readable file") from None
    _limit_threads()
    from pipeline.ingest import explain

    text = explain(path, name=path.name, vehicle=vehicle, toml=options.toml)
    sys.stdout.write(text if text.endswith("\n") else text + "\n")
    return DONE


def _nearest(path: Path, name: str) -> Path | None:
    for folder in path.resolve().parents:
        if (folder / name).is_file():
            return folder / name
    return None


def _compare(options: argparse.Namespace) -> int:
    _limit_threads()
    from pipeline.report.compare import CompareError, compare_sessions

    try:
        path = compare_sessions(options.out, options.a, options.b)
    except CompareError as error:
        raise UsageError(str(error)) from None
    except OSError as error:
        say(f"{error.filename}: {(error.strerror or 'error').lower()}: see whether OUT is whole")
        return NOTHING
    sys.stdout.write(f"{path}\n")
    return DONE


def _email(options: argparse.Namespace) -> int:
    _limit_threads()
    from pipeline.report.message import MessageError, write_draft

    try:
        lines = write_draft(
            options.out,
            options.session,
            to=options.to,
            question=options.question,
            extras=tuple(dict.fromkeys(options.extras)),
        )
    except MessageError as error:
        raise UsageError(str(error)) from None
    except OSError as error:
        say(f"{error.filename}: {(error.strerror or 'error').lower()}: see whether OUT is whole")
        return NOTHING
    sys.stdout.write("\n".join(lines) + "\n")
    return DONE


def _note(options: argparse.Namespace) -> int:
    from pipeline.notes import NoteError, add_note

    names = ("kind", "date", "table", "item", "value", "unit")
    given = {k: getattr(options, k) for k in names if getattr(options, k) is not None}
    try:
        path = add_note(options.logs, options.text, given)
    except NoteError as error:
        raise UsageError(str(error)) from None
    except OSError as error:
        say(f"logbook.toml: {(error.strerror or 'error').lower()}: make the folder writable")
        return NOTHING
    sys.stdout.write(f"{path}\n")
    return DONE


if __name__ == "__main__":
    sys.exit(main())
