"""The draft message to the tuner: a short text and the script-free page; sends nothing."""

import hashlib
from collections.abc import Sequence
from email.message import EmailMessage
from email.policy import SMTP
from pathlib import Path

import msgspec

from pipeline.document import Document, Figures
from pipeline.history import History, Summary
from pipeline.inputs import printable
from pipeline.report.conditions import conditions
from pipeline.report.session_page import session_page
from pipeline.report.units import Units
from pipeline.report.words import SEVERITY
from pipeline.results import Finding
from pipeline.store import Store, missing_session, read_json, write_whole

#: Findings named in the text; the page holds all of them.
MOST_FINDINGS = 8
#: MB: attachments above this are refused by some mail services (public size tables: 20 to 25 MB
#: per message, base64 adds 37 %).
SAFE_MB = 7.0


class MessageError(Exception):
    """Nothing was written; the text says why and what to do."""


def write_draft(
    out: Path, session: str, *, to: str, question: str = "", extras: Sequence[str] = ()
) -> list[str]:
    """Write ``OUT/mail/<id>.eml``; returns the lines to print.

    extras: "fuel_table" and "compare" (with the session before it of the same vehicle). Raises
    MessageError for an unknown session or address, OSError where a file cannot be read or
    written.
    """
    store = Store(out)
    analysis = store.session(session, "analysis.json")
    missing = missing_session(store, session)
    if missing:
        raise MessageError(missing)
    _check_address(to)
    raw = analysis.read_bytes()
    document = msgspec.json.decode(raw, type=Document)
    state = read_json(store.state) or {}
    system = state.get("sessions", {}).get(session, {}).get("units", "metric")
    figures = store.session(session, "figures.json").read_bytes()
    page = session_page(raw, figures, units=system, alive=False)
    before = _before(store, document)
    message = EmailMessage(policy=SMTP)
    message["To"] = to
    message["Subject"] = _subject(document)
    message["X-Unsent"] = "1"
    units = Units("us" if system == "us" else "metric")
    logbook = msgspec.json.decode(figures, type=Figures).logbook
    driven = conditions(msgspec.json.decode(raw), units, logbook)
    message.set_content(_text(document, driven, before, _mailed(store, document), question, units))
    message.add_attachment(
        page.encode("ascii"), maintype="text", subtype="html", filename=f"{session}.html",
        params={"charset": "us-ascii"},
    )  # fmt: skip
    if "fuel_table" in extras:
        table = store.session(session, "fuel_table.csv")
        if not table.is_file():
            raise MessageError(f"{session}: has no fuel table: leave out --with fuel_table")
        message.add_attachment(
            table.read_bytes(), maintype="text", subtype="csv", filename="fuel_table.csv"
        )
    if "compare" in extras:
        if before is None:
            raise MessageError(f"{session}: no earlier session to compare with: leave it out")
        from pipeline.report.compare import compare_page

        message.add_attachment(
            compare_page(out, before.id, session).encode("ascii"), maintype="text",
            subtype="html", filename=f"{before.id}--{session}.html",
            params={"charset": "us-ascii"},
        )  # fmt: skip
    # The library draws a random boundary; same input has to give the same bytes.
    message.set_boundary("part-" + hashlib.sha256(page.encode()).hexdigest()[:24])
    content = message.as_bytes()
    path = out / "mail" / f"{session}.eml"
    write_whole(path, content, stamp_ns=analysis.stat().st_mtime_ns)
    size = len(content) / 1e6
    lines = [
        f"{path}: {size:.2f} MB, a draft: open it, read it, send it yourself",
        f"or attach {store.page(session)} to a message by hand",
    ]
    if size > SAFE_MB:
        lines.append(f"larger than {SAFE_MB:.0f} MB: some mail services will refuse it")
    return lines


def _check_address(to: str) -> None:
    name, at, host = to.rpartition("@")
    if not at or not name or not host or any(c.isspace() or not c.isprintable() for c in to):
        raise MessageError(f"{printable(to)}: not an address: give --to name@host")


def _history(store: Store) -> list[Summary]:
    try:
        return msgspec.json.decode(store.history.read_bytes(), type=History).sessions
    except (OSError, msgspec.DecodeError):
        return []


def _before(store: Store, document: Document) -> Summary | None:
    """The session before this one of the same vehicle."""
    sessions = _history(store)
    own = [s for s in sessions if s.id == document.session_id]
    if not own:
        return None
    earlier = [s for s in sessions if s.vehicle == own[0].vehicle and s.order < own[0].order]
    return earlier[-1] if earlier else None


def _mailed(store: Store, document: Document) -> Summary | None:
    """The latest earlier session for which a draft lies in OUT."""
    folder = store.out / "mail"
    mailed = {p.stem for p in folder.glob("*.eml")} if folder.is_dir() else set()
    sessions = _history(store)
    own = [s for s in sessions if s.id == document.session_id]
    earlier = [s for s in sessions if own and s.id in mailed and s.order < own[0].order
               and s.vehicle == own[0].vehicle]  # fmt: skip
    return earlier[-1] if earlier else None


def _subject(document: Document) -> str:
    day = document.start_time.replace("T", " ")[:16]
    name = " ".join(document.vehicle.name.split())
    return f"{name}, {day}: {SEVERITY[document.verdict.severity][0].lower()}"


def _text(
    document: Document,
    driven: Sequence[str],
    before: Summary | None,
    mailed: Summary | None,
    question: str,
    units: Units,
) -> str:
    minutes = document.duration_s / 60
    lines = [
        f"Car: {document.vehicle.name}",
        f"Session: {document.session_id}, {document.start_time.replace('T', ' ')}, "
        f"{minutes:.0f} min",
        *([f"Conditions: {', '.join(driven)}"] if driven else []),
        "",
        units.text(document.verdict.text),
        "",
    ]
    loud = [f for f in document.findings if f.severity != "info"]
    if loud:
        lines.append("Open findings, in the order of acting:")
        # Two of a kind and severity are one line: the worst of them, as they stand in order.
        kinds: dict[tuple[str, str], list[Finding]] = {}
        for f in loud:
            kinds.setdefault((f.severity, f.title), []).append(f)
        for (severity, title), found in list(kinds.items())[:MOST_FINDINGS]:
            times = f" ({len(found)} times; the first:)" if len(found) > 1 else ":"
            lines.append(
                f"- {SEVERITY[severity][0]}: {units.text(f'{title}{times} {found[0].detail}')}"
            )
        if len(kinds) > MOST_FINDINGS:
            lines.append(f"- and {len(kinds) - MOST_FINDINGS} more")
    else:
        lines.append("Nothing was found that asks for work; that is no permission, see what was "
                     "not watched.")  # fmt: skip
    against = mailed or before
    if against is not None:
        what = "the last mail" if mailed else "the session before"
        old = {f.kind: f.title for f in against.findings if f.severity != "info"}
        new = {f.kind: f.title for f in loud}
        lines += ["", f"Since {what} ({against.id}):"]
        lines += [f"- new: {units.text(new[k])}" for k in new if k not in old]
        lines += [f"- not seen this time: {units.text(old[k])}" for k in old if k not in new]
        if old.keys() == new.keys():
            lines.append("- the same findings")
    if question:
        lines += ["", "Question:", question]
    lines += [
        "",
        "The attached page opens in any browser, with no network and no scripts. Its figures are "
        "estimates from a log, not permission; local rules and a licensed professional decide.",
        "",
    ]
    return "\n".join(" ".join(line.splitlines()) for line in lines)
