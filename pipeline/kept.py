"""What is costly to make and follows from the vehicle alone, kept in OUT between sessions and runs.

A file's name holds a hash of what it follows from and of the sources behind it, so that a kept
file is right or not found. Only the standard library.
"""

import hashlib
from dataclasses import dataclass, field
from pathlib import Path

from pipeline.store import Store, digest, write_whole

#: Time of change of kept files, ns (the year 2000): they belong to no log, and the bytes of OUT
#: must not depend on which log came first.
STAMP_NS = 946_684_800 * 10**9
_HASH_BYTES = 32


@dataclass
class KeptFacts:
    """Facts kept in OUT. code: hash of the sources. used: files that were asked for.

    Each file begins with the SHA-256 of what follows it: a damaged one is made again.
    """

    store: Store
    code: str
    used: list[Path] = field(default_factory=list)

    def load(self, fact: str, key: str) -> bytes | None:
        """Bytes kept under a fact's key by the same sources, None where there are none."""
        path = self._path(fact, key)
        try:
            raw = path.read_bytes()
        except OSError:
            return None
        if hashlib.sha256(raw[_HASH_BYTES:]).digest() != raw[:_HASH_BYTES]:
            return None
        self._use(path)
        return raw[_HASH_BYTES:]

    def save(self, fact: str, key: str, raw: bytes) -> None:
        """Write the bytes whole; another worker may write the same at the same time.

        Raises OSError where OUT cannot be written.
        """
        path = self._path(fact, key)
        write_whole(path, hashlib.sha256(raw).digest() + raw, stamp_ns=STAMP_NS)
        self._use(path)

    def _path(self, fact: str, key: str) -> Path:
        return self.store.kept(f"{fact}-{digest(self.code, key)[:16]}.bin")

    def _use(self, path: Path) -> None:
        if path not in self.used:
            self.used.append(path)
