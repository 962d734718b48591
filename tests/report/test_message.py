"""The draft message, and what must stand in nothing that is written."""

import email
import getpass
import os
import re
import shutil
import socket
from email.message import EmailMessage
from email.policy import default
from pathlib import Path

import polars as pl
import pytest

from tests.report.conftest import Reported, write_logs
from tests.spine.helpers import program

#: Planted where a log, a vehicle file, a logbook or the environment may carry them.
LATITUDE, LONGITUDE = "48.1372154", "11.5755321"
SECRETS = {
    "position": LATITUDE, "longitude": LONGITUDE, "user": "quillfeather",
    "host": "workshop-tern", "path": "/home/quillfeather/lane 7",
}  # fmt: skip


def _draft(out: Path, session: str) -> EmailMessage:
    raw = (out / "mail" / f"{session}.eml").read_bytes()
    message = email.message_from_bytes(raw, policy=default)
    assert isinstance(message, EmailMessage)
    return message


def test_a_draft_that_nobody_has_sent(hostile: Reported) -> None:
    """Source: RFC 5322 wants Date and From of what is sent; a draft (X-Unsent) has neither."""
    last = hostile.ids[-1]
    assert program("email", hostile.out, last, "--to", "tuner@example.org").returncode == 0
    message = _draft(hostile.out, last)
    assert message["X-Unsent"] == "1"
    assert message["To"] == "tuner@example.org"
    assert message["Subject"]
    for name in ("From", "Date", "Message-ID", "Sender", "X-Mailer", "Received"):
        assert message[name] is None


def test_the_text_says_what_car_what_is_open_and_what_changed(hostile: Reported) -> None:
    done = program("email", hostile.out, hostile.ids[-1], "--to", "a@example.org",
                   "--question", "Is it the plug?")  # fmt: skip
    assert done.returncode == 0, done.stderr
    path = hostile.out / "mail" / f"{hostile.ids[-1]}.eml"
    assert str(path) in done.stdout
    assert f"{path.stat().st_size / 1e6:.2f} MB" in done.stdout
    assert "attach" in done.stdout
    body = _draft(hostile.out, hostile.ids[-1]).get_body(("plain",))
    assert body is not None
    text = body.get_content()
    lines = text.partition("Open findings")[2].splitlines()[1:]
    findings = lines[: lines.index("")]
    assert findings
    assert len({line.partition(":")[2] for line in findings}) == len(findings)
    assert all(len(line) > 40 for line in findings)  # numbers, not a title alone
    assert "Conditions: " in text
    assert re.search(rf"Since the (session before|last mail) \({hostile.ids[0]}\)", text)
    assert "Is it the plug?" in text
    assert "not permission" in text
    assert max(len(line) for line in body.as_bytes().splitlines()) <= 998  # RFC 5322, 2.1.1


@pytest.mark.parametrize("address", ["nobody", "a@b\nBcc: c@d", "@b", "a@", "a b@c"])
def test_what_is_no_address_is_refused(hostile: Reported, address: str) -> None:
    done = program("email", hostile.out, hostile.ids[0], "--to", address)
    assert done.returncode != 0
    assert "not an address" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize("session", ["../../etc", "no-such", ""])
def test_an_unknown_session_is_a_message(hostile: Reported, session: str) -> None:
    done = program("email", hostile.out, session, "--to", "a@example.org")
    assert done.returncode != 0
    assert "no such session" in done.stderr
    assert "Traceback" not in done.stderr


def test_part_of_a_session_s_name_finds_it(hostile: Reported) -> None:
    part = hostile.ids[0][1:-1]
    done = program("email", hostile.out, part, "--to", "a@example.org")
    assert done.returncode != 0
    assert f"did you mean {hostile.ids[0]}" in done.stderr


def test_same_input_same_bytes(hostile: Reported, tmp_path: Path) -> None:
    """Where the folder of pages lies, and when the draft was made, is nowhere in it."""
    elsewhere = tmp_path / "elsewhere"
    shutil.copytree(hostile.out, elsewhere)
    first = hostile.ids[0]
    for folder in (elsewhere, hostile.out):
        assert program("email", folder, first, "--to", "a@example.org").returncode == 0
    drafts = [(f / "mail" / f"{first}.eml").read_bytes() for f in (elsewhere, hostile.out)]
    assert drafts[0] == drafts[1]


def _everything(out: Path) -> bytes:
    """All bytes written, the parts of drafts and the texts in tables decoded."""
    parts = []
    for path in sorted(p for p in out.rglob("*") if p.is_file()):
        parts.append(str(path.relative_to(out)).encode())
        parts.append(path.read_bytes())
        if path.suffix == ".parquet":
            frame = pl.read_parquet(path)
            parts.append(" ".join(frame.columns).encode())
            parts.append(frame.write_csv().encode())
        if path.suffix == ".eml":
            message = email.message_from_bytes(path.read_bytes(), policy=default)
            for part in message.walk():
                content = part.get_payload(decode=True)
                parts.append(content if isinstance(content, bytes) else b"")
    return b"\n".join(parts)


def test_position_paths_user_and_host_are_nowhere(tmp_path: Path) -> None:
    folder = tmp_path / SECRETS["user"] / SECRETS["host"]
    folder.mkdir(parents=True)
    write_logs(folder, plain=True)
    for day in (1, 2):
        path = folder / f"day{day}.csv"
        lines = path.read_text().splitlines()
        lines[0] += ",Latitude [deg],Longitude [deg],GPS Altitude [m]"
        lines[1:] = [f"{line},{LATITUDE},{LONGITUDE},519.77" for line in lines[1:]]
        # A logger's own remarks before the header, as some write them.
        remarks = [f"# file: {SECRETS['path']}/day{day}.csv", f"# user: {SECRETS['user']}",
                   f"# host: {SECRETS['host']}"]  # fmt: skip
        path.write_text("\n".join([*remarks, *lines]) + "\n")
        os.utime(path, (1_777_000_000 + 86_400 * day,) * 2)
    with (folder / "vehicle.toml").open("a") as file:
        file.write(f"# kept in {SECRETS['path']} on {SECRETS['host']} at {LATITUDE}\n")
    (folder / "logbook.toml").write_text(
        f"# {SECRETS['user']}, {SECRETS['path']}, {LATITUDE} {LONGITUDE}\n"
        "[[entry]]\ndate = 2026-04-20\nkind = 'repair'\ntext = 'hose renewed'\n"
    )
    out = tmp_path / "out"
    env = {
        "USER": SECRETS["user"], "LOGNAME": SECRETS["user"], "HOME": SECRETS["path"],
        "HOSTNAME": SECRETS["host"], "EMAIL": f"{SECRETS['user']}@{SECRETS['host']}",
    }  # fmt: skip
    done = program("run", folder, "--out", out, "--jobs", "2", env=env)
    assert done.returncode == 0, done.stderr
    ids = sorted(p.stem for p in (out / "sessions").glob("*.html"))
    for command in (
        ["compare", out, *ids],
        ["email", out, ids[-1], "--to", "a@example.org", "--with", "compare"],
    ):
        done = program(*command, env=env)
        assert done.returncode == 0, done.stderr
    # The samples keep the position, as the user's own data, unless the vehicle file says no.
    for samples in out.rglob("samples.parquet"):
        frame = pl.read_parquet(samples)
        assert "latitude" in frame.columns
        frame.drop("latitude", "longitude", "altitude", strict=False).write_parquet(samples)
    written = _everything(out)
    assert b"Engine Speed" in written  # what is looked through holds the columns' names
    for what, secret in SECRETS.items():
        assert secret.encode() not in written, what
    assert os.fspath(tmp_path).encode() not in written
    assert socket.gethostname().encode() not in written or len(socket.gethostname()) < 6
    if len(getpass.getuser()) > 5:
        assert getpass.getuser().encode() not in written
    shutil.rmtree(out)
