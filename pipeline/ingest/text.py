"""From a path to text: regular files only, inflated within bounds, decoded, lines ended by LF."""

import hashlib
import io
import os
import re
import stat
import threading
import zlib
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from pipeline.limits import Limits

MAX_INFLATION = 200
"""Largest ratio of inflated to packed size. Logs pack 3 to 30 times; a file of one repeated
byte a thousand times."""

FREE_INFLATION_BYTES = 20_000_000
"""Content up to this size is inflated whatever its ratio: it costs a blink."""

MAX_LINE_BYTES = 1_000_000
"""Longest line looked at as a row: 1,000 columns of 40 characters are 40 kB."""

HEAD_LINES = 1000
"""Lines that may stand in a log beside its rows: a preamble, comments, markers."""

HASH_APART_BYTES = 1 << 22
"""Content from this size on is hashed in a thread of its own: 4 ms of work pay for starting one."""

_CHUNK = 1 << 16
_HEAD = 1 << 16

_MAGIC = (
    (b"\x89PNG", "a picture (PNG)"),
    (b"\xff\xd8\xff", "a picture (JPEG)"),
    (b"GIF8", "a picture (GIF)"),
    (b"BM", "a picture (BMP)"),
    (b"RIFF", "a sound, picture or film (RIFF)"),
    (b"PK\x03\x04", "a ZIP archive or spreadsheet"),
    (b"PK\x05\x06", "an empty ZIP archive"),
    (b"\xd0\xcf\x11\xe0", "an office document or spreadsheet"),
    (b"%PDF", "a PDF document"),
    (b"PAR1", "a Parquet file"),
    (b"\x7fELF", "a program"),
    (b"MZ\x90", "a program"),
    (b"7z\xbc\xaf", "a 7z archive"),
    (b"BZh", "a bzip2 archive"),
    (b"\xfd7zXZ", "an xz archive"),
    (b"(\xb5/\xfd", "a zstd archive"),
    (b"Rar!", "a RAR archive"),
    (b"SQLite format 3", "a database"),
    (b"OggS", "a sound file"),
    (b"ID3", "a sound file"),
)


class Refused(Exception):  # noqa: N818 - a reason, not a programming error
    """The file is set aside; the text of the exception is the reason."""

    def __init__(self, reason: str, cure: str = "nothing to do if it is no log") -> None:
        super().__init__(reason)
        self.reason, self.cure = reason, cure


class Content:
    """Bytes of a file after inflating, their number and hash."""

    def __init__(self, data: bytes) -> None:
        self.data, self.size = data, len(data)
        self._sha256 = ""
        self._hashing: threading.Thread | None = None
        if len(data) < HASH_APART_BYTES:
            self._hash(data)
        else:
            # A large log is hashed beside its reading: hashlib lets other threads run.
            self._hashing = threading.Thread(target=self._hash, args=(data,))
            self._hashing.start()

    def _hash(self, data: bytes) -> None:
        self._sha256 = hashlib.sha256(data).hexdigest()

    @property
    def sha256(self) -> str:
        """Hash of the bytes as lower-case hexadecimal digits."""
        if self._hashing is not None:
            self._hashing.join()
            self._hashing = None
        return self._sha256

    def release(self) -> None:
        """Let go of the bytes, once they are decoded: a log may be as large as the memory."""
        self.data = b""


@dataclass(frozen=True, slots=True)
class Text:
    """UTF-8 bytes, every line ended by LF, and whether the last line had an end of its own."""

    data: bytes
    encoding: str
    finished: bool


def load(path: Path, limits: Limits) -> Content:
    """Read a regular file whole, inflating gzip within bounds. Raises Refused or OSError."""
    flags = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_CLOEXEC", 0)
    flags |= getattr(os, "O_BINARY", 0)
    if not stat.S_ISREG(path.lstat().st_mode):
        raise Refused("not a regular file")
    handle = os.open(path, flags)
    with os.fdopen(handle, "rb") as stream:
        status = os.fstat(stream.fileno())
        if not stat.S_ISREG(status.st_mode):
            raise Refused("not a regular file")
        if status.st_size > limits.max_bytes:
            raise _too_large(limits)
        # A file that grows while it is read is taken up to the size it had when opened.
        data = stream.read(status.st_size)
    if data[:2] == b"\x1f\x8b":
        data = _inflate(data, limits)
    return Content(data)


def _too_large(limits: Limits) -> Refused:
    return Refused(
        f"more than {limits.max_bytes} bytes", "raise [limits] max_bytes or split the log"
    )


def refuse_too_many_rows(lines: int, limits: Limits) -> None:
    """Raise Refused where a file has more lines than rows may be read, and some for its head."""
    if lines > limits.max_rows + HEAD_LINES:
        raise Refused(f"more than {limits.max_rows} rows", "raise [limits] max_rows or split it")


def _inflate(packed: bytes, limits: Limits) -> bytes:
    most = max(FREE_INFLATION_BYTES, MAX_INFLATION * len(packed))
    limit = min(limits.max_bytes, most)
    made = io.BytesIO()
    size, place, lines = 0, 0, 0
    engine = zlib.decompressobj(wbits=31)
    while place < len(packed):
        feed = packed[place : place + _CHUNK]
        try:
            part = engine.decompress(feed, limit + 1 - size)
        except zlib.error:
            if not size:
                raise Refused("damaged gzip file", "pack it again") from None
            break
        made.write(part)
        size += len(part)
        if size > limit and limit < most:
            raise _too_large(limits)
        if size > limit:
            raise Refused("inflates without end", "unpack it by hand if it is a log")
        # Counted as it comes: what has too many rows must not fill the memory first.
        lines += part.count(b"\n")
        refuse_too_many_rows(lines, limits)
        place += len(feed) - len(engine.unused_data)
        if engine.eof:
            # Loggers that append write one member after another; zeros pad a cut-off disk block.
            while packed[place : place + 1] == b"\0":
                place += 1
            if packed[place : place + 2] != b"\x1f\x8b":
                break
            engine = zlib.decompressobj(wbits=31)
    if not size and not engine.eof:
        raise Refused("damaged gzip file", "pack it again")
    return made.getvalue()


def refuse_other_formats(data: bytes) -> None:
    """Raise Refused where the first bytes say that this is no table of text."""
    if not data:
        raise Refused("empty file")
    for magic, name in _MAGIC:
        if data.startswith(magic) and (len(magic) > 3 or b"\0" in data[:512] or magic == b"BZh"):
            raise Refused(f"not a log: {name}")
    head = data[:4096].lstrip(b"\xef\xbb\xbf").lstrip()
    if re.match(rb"<(!doctype|html|head|body|\?xml|svg|table|[a-z]+[ >])", head, re.I):
        raise Refused("not a log: HTML or XML")
    if head[:1] == b"{" or re.match(rb"\[\s*[\[{\"\]]", head):
        raise Refused("not a log: JSON")
    if head[:5] == b"{\\rtf":
        raise Refused("not a log: rich text")


def decode(data: bytes) -> Text:
    """Decode to UTF-8 with LF line ends, whatever the encoding and the line ends were."""
    encoding, skip = _encoding(data)
    body = memoryview(data)[skip:] if skip else data
    if encoding.startswith("utf-16"):
        raw = str(body, encoding[:9], "replace").encode("utf-8", "replace")
    elif encoding == "cp1252":
        raw = _from_cp1252(bytes(body))
    elif encoding == "utf-8 encoded twice":
        raw = _undouble(bytes(body))
    elif encoding == "utf-8 damaged":
        raw = str(body, "utf-8", "replace").encode("utf-8")
    else:
        raw = bytes(body)
    if b"\r" in raw:
        # A file written on two systems may mix them; a lone CR inside a CRLF file is an end too.
        raw = raw.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    finished = raw.endswith(b"\n") or not raw.strip(b"\0")
    return Text(raw, encoding.replace(" damaged", ""), finished)


def _encoding(data: bytes) -> tuple[str, int]:
    if data[:3] == b"\xef\xbb\xbf":
        return _utf8_kind(data, 3)
    if data[:2] == b"\xff\xfe":
        return "utf-16-le", 2
    if data[:2] == b"\xfe\xff":
        return "utf-16-be", 2
    head = data[:4096]
    # Latin text in UTF-16 has a zero in every other byte. A block of zeros has them in both.
    even, odd = head[0::2].count(0), head[1::2].count(0)
    half = max(len(head) // 2, 1)
    if odd > 0.6 * half and even < 0.2 * half:
        return "utf-16-le", 0
    if even > 0.6 * half and odd < 0.2 * half:
        return "utf-16-be", 0
    return _utf8_kind(data, 0)


_DOUBLED = re.compile(rb"\xc3[\x82\x83\x85\x8a\x8e]\xc2[\x80-\xbf]|\xc3\x82\xc2\xb0|\xc3\x83\xc2")


def _head_beyond_ascii(data: bytes) -> int:
    """Bytes up to the end of the line after which all is ASCII; all of them where none is.

    Degree signs stand in the header: the rest of most logs is the same in every encoding.
    """
    cut = data.find(b"\n", _HEAD) + 1
    if cut and (cut == len(data) or int(np.frombuffer(data, np.uint8, offset=cut).max()) < 0x80):
        return cut
    return len(data)


def _utf8_kind(data: bytes, skip: int) -> tuple[str, int]:
    if data.isascii():
        return "utf-8", skip
    try:
        data[: _head_beyond_ascii(data)].decode("utf-8")
    except UnicodeDecodeError:
        good = len(
            re.findall(rb"[\xc2-\xdf][\x80-\xbf]|[\xe0-\xef][\x80-\xbf]{2}", data[: 1 << 20])
        )
        bad = sum(byte >= 0x80 for byte in data[: 1 << 16])
        return ("utf-8 damaged" if good and (skip or good * 2 >= bad // 2) else "cp1252"), skip
    if _DOUBLED.search(data[: 1 << 18]):
        return "utf-8 encoded twice", skip
    return "utf-8", skip


def _from_cp1252(data: bytes) -> bytes:
    cut = _head_beyond_ascii(data)
    if cut < len(data):
        return b"".join((_from_cp1252(data[:cut]), memoryview(data)[cut:]))
    try:
        return data.decode("cp1252").encode("utf-8")
    except UnicodeDecodeError:
        # Five bytes have no meaning in cp1252; latin-1 gives them one, so that nothing is lost.
        return data.decode("latin-1").translate(_CP1252).encode("utf-8")


_CP1252 = {
    byte: bytes([byte]).decode("cp1252")
    for byte in range(0x80, 0xA0)
    if byte not in (0x81, 0x8D, 0x8F, 0x90, 0x9D)
}


def _undouble(data: bytes) -> bytes:
    """Take one layer of UTF-8 off wherever a run of characters bears it."""
    text = data.decode("utf-8", "replace")

    def single(match: re.Match[str]) -> str:
        run = match.group()
        for codec in ("cp1252", "latin-1"):
            try:
                return run.encode(codec).decode("utf-8")
            except UnicodeError:
                continue
        return run

    return re.sub(r"[^\x00-\x7f]+", single, text).encode("utf-8")
