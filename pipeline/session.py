"""A session in memory, and the narrowed view of it that facts and analyses get."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import msgspec
import numpy as np
from numpy.typing import NDArray

from pipeline.vehicle import Vehicle

FloatArray = NDArray[np.float64]


class ChannelInfo(msgspec.Struct, frozen=True, kw_only=True):
    """Where a channel came from; ``column`` is the header cell as written."""

    unit: str
    column: str
    conversion: str
    rows: int
    effective_hz: float
    rejected: dict[str, int] = {}


class Marker(msgspec.Struct, frozen=True, kw_only=True):
    """A comment or marker row of the log."""

    time_s: float
    text: str


class Gap(msgspec.Struct, frozen=True, kw_only=True):
    """A stretch without rows."""

    start_s: float
    end_s: float


class Continues(msgspec.Struct, frozen=True, kw_only=True):
    """The session this one was cut from."""

    session: str
    reason: str
    gap_s: float | None


class Source(msgspec.Struct, frozen=True, kw_only=True):
    """The log a session came from; ``file`` relative to the folder of logs."""

    file: str
    sha256: str
    first_line: int
    last_line: int


NO_SOURCE = Source(file="", sha256="", first_line=1, last_line=1)


@dataclass(eq=False)
class Session:
    """One stretch of logging: times, channels and what ingest knows of them.

    time: shape (n,), s, strictly increasing from 0. channels: canonical name to (n,) float64,
    NaN where nothing was logged. Compared by identity: it holds arrays.
    """

    id: str
    time: FloatArray
    channels: Mapping[str, FloatArray]
    info: Mapping[str, ChannelInfo]
    vehicle: Vehicle
    start_time: str = ""
    start_time_source: str = "file"
    continues: Continues | None = None
    source: Source = NO_SOURCE
    markers: Sequence[Marker] = ()
    gaps: Sequence[Gap] = ()
    rows_dropped: Mapping[str, int] = field(default_factory=dict)
    #: Facts already computed, by id; filled by the runner.
    facts: dict[str, Any] = field(default_factory=dict)

    @property
    def duration_s(self) -> float:
        """Seconds from the first row to the last."""
        return float(self.time[-1] - self.time[0]) if self.time.size else 0.0


class NotAvailableError(Exception):
    """A fact cannot be had from this log; the text says why, in words for the page."""


class View:
    """What a fact or an analysis may see of a session: only what its META declares.

    Reading anything undeclared is a programming error and raises KeyError at once, so that a
    missing declaration is found by the first test and not by a user.
    """

    def __init__(
        self,
        session: Session,
        *,
        allowed: Sequence[str],
        facts: Sequence[str],
        resolve: Callable[[str], Any],
    ) -> None:
        self._session = session
        self._allowed = frozenset(allowed)
        self._facts = frozenset(facts)
        self._resolve = resolve
        self.time = session.time
        self.vehicle = session.vehicle
        self.limits = session.vehicle.limits
        self.duration_s = session.duration_s
        self.session_id = session.id
        self.start_time = session.start_time
        self.continues = session.continues
        self.gaps = tuple(session.gaps)
        self.markers = tuple(session.markers)
        self.rows_dropped = dict(session.rows_dropped)

    def has(self, name: str) -> bool:
        """Tell whether a declared channel was logged with at least one value."""
        self._check(name)
        return name in self._session.channels

    def channel(self, name: str) -> FloatArray:
        """Values (n,) of a declared channel that was logged; KeyError where it was not."""
        self._check(name)
        return self._session.channels[name]

    def get(self, name: str) -> FloatArray | None:
        """Values (n,) of a declared channel, or None where it was not logged."""
        self._check(name)
        return self._session.channels.get(name)

    def names(self) -> list[str]:
        """Sorted names of the logged channels this view may read."""
        return sorted(self._allowed & set(self._session.channels))

    def info(self, name: str) -> ChannelInfo:
        """Where a declared, logged channel came from, and its effective rate."""
        self._check(name)
        return self._session.info[name]

    def fact(self, name: str) -> Any:
        """Value of a declared fact; None for an optional one that cannot be had."""
        if name not in self._facts:
            raise KeyError(f"fact {name!r} is not declared")
        return self._resolve(name)

    def _check(self, name: str) -> None:
        if name not in self._allowed:
            raise KeyError(f"channel {name!r} is not declared")
