"""What the log's knock channels say row by row: pulled, loud, known to be quiet, or nothing."""

import itertools
from dataclasses import dataclass

import numpy as np

from pipeline.facts.states import States
from pipeline.meta import FactMeta
from pipeline.session import View
from pipeline.signals import segments
from pipeline.signals.segments import Bools, Floats

META = FactMeta(
    summary="rows in which the controller heard knock, and rows known to be quiet",
    version=2,
    needs=("engine_speed",),
    uses=("knock_retard", "knock_level", "manifold_pressure"),
    facts=("states", "atmosphere"),
)

#: deg pulled from which a row is no longer quiet: two steps of usual logging.
LEAST_DEG = 1.0
#: s after knock in which the controller is still giving spark back: not known to be quiet.
RECOVERY_S = 3.0
#: Standard deviations (robust) over the level's own background at that speed that are loud.
LOUD_SIGMA = 6.0
LEVEL_BIN_RPM = 500.0
#: The level's background is also taken apart by pressure, kPa: combustion is louder under load,
#: and full throttle would stand out of a background made while cruising.
LEVEL_BIN_KPA = 30.0
#: rows per bin that make a background.
LEVEL_ROWS = 15
#: s after firing in which spark pulled is often harmless, and about a gear change; the longest
#: pull that a gear change explains.
FIRST_S = 30.0
SHIFT_S = 0.4
SHIFT_PULL_S = 1.0


@dataclass(frozen=True)
class Event:
    """One time spark was pulled: rows, most degrees, where; ``light`` for what is info only."""

    start: int
    end: int
    most_deg: float
    rpm: float
    kpa: float
    light: str


@dataclass(frozen=True, eq=False)
class KnockSigns:
    """Knock channels of a session, arrays (n,).

    retard: deg pulled, held, None where not logged. constant: it never moves, so nobody knows
    whether it listens. knocking: rows with spark pulled (or a loud level where that tells
    nothing), without what light load, a gear change or the first 30 s explain. quiet: rows in
    which a channel that moves heard nothing; between the two lies what is too little to tell.
    loud: the level stands out of its background. events: each time spark was pulled.
    """

    retard: Floats | None
    constant: bool
    knocking: Bools
    quiet: Bools
    loud: Bools
    level_usable: bool
    events: tuple[Event, ...] = ()


def compute(view: View) -> KnockSigns:
    """Read both channels."""
    time = view.time
    states: States = view.fact("states")
    none = np.zeros(time.size, dtype=bool)
    pressure = view.get("manifold_pressure")
    kpa = None if pressure is None else segments.hold(time, pressure, seconds=1.0)
    retard, level = view.get("knock_retard"), view.get("knock_level")
    loud, known = none, none
    if level is not None and np.isfinite(level).any():
        loud, known = _loud(segments.hold(time, level, seconds=1.0), states, kpa)
    usable = bool(known.any())
    if retard is None or not np.isfinite(retard).any():
        quiet = known & ~_around(time, loud)
        return KnockSigns(None, False, loud, quiet, loud, usable)
    held = segments.hold(time, retard, seconds=1.0)
    running = held[states.running & np.isfinite(held)]
    constant = running.size > 0 and bool(np.ptp(running) < 0.05)
    if constant:
        # One that stands still may be a control that never heard a thing, or one that is off.
        return KnockSigns(held, True, loud, none, loud, usable)
    events = _events(view, states, held, kpa)
    heavy = [e for e in events if not e.light]
    inside = segments.spread(
        time.size, np.array([e.start for e in heavy], dtype=np.int64),
        np.array([e.end for e in heavy], dtype=np.int64),
    )  # fmt: skip
    knocking = inside & (np.nan_to_num(held) >= view.limits.knock_retard_deg)
    pulled = states.running & (np.nan_to_num(held) >= LEAST_DEG)
    quiet = states.running & np.isfinite(held) & ~_around(time, pulled | loud)
    return KnockSigns(held, constant, knocking, quiet, loud, usable, events)


def _events(view: View, states: States, retard: Floats, kpa: Floats | None) -> tuple[Event, ...]:
    """Each time the controller pulled spark, and what may explain it without knock."""
    time = view.time
    pulled = states.running & (np.nan_to_num(retard) >= view.limits.knock_retard_deg)
    joined = segments.fill_gaps(pulled, time, seconds=0.5)
    barometer = view.fact("atmosphere").barometer_kpa
    shift = _gear_change(time, states.rpm)
    first = states.first_running_s if states.start_seen else None
    events = []
    for a, b in zip(*segments.runs(joined), strict=True):
        part = slice(int(a), int(b))
        top = int(a + np.nanargmax(retard[part]))
        load = float(kpa[top]) if kpa is not None else float("nan")
        threshold = min(view.limits.load_kpa,
                        view.limits.load_barometer_fraction * float(barometer[top]))  # fmt: skip
        light = ""
        if kpa is not None and np.isfinite(load) and np.nanmax(kpa[part]) < threshold:
            light = "at light load"
        elif shift[part].any() and time[b - 1] - time[a] < SHIFT_PULL_S:
            light = "during a gear change"
        elif first is not None and time[top] < first + FIRST_S:
            light = f"in the first {FIRST_S:.0f} s"
        events.append(
            Event(int(a), int(b), float(retard[top]), float(states.rpm[top]), load, light)
        )
    return tuple(events)


def _gear_change(time: Floats, rpm: Floats) -> Bools:
    """Rows within 0.4 s of an engine speed that falls by a tenth within 0.3 s."""
    fall = rpm - np.interp(time - 0.3, time, rpm) < -0.10 * rpm
    starts, ends = segments.runs(fall)
    begin = np.searchsorted(time, time[starts] - SHIFT_S) if starts.size else starts
    last = np.minimum(ends, time.size - 1)
    stop = np.searchsorted(time, time[last] + SHIFT_S) if starts.size else ends
    return segments.spread(time.size, begin, stop)


def _around(time: Floats, mask: Bools) -> Bools:
    """Rows from 0.5 s before to RECOVERY_S after those of ``mask``."""
    starts, ends = segments.runs(mask)
    if not starts.size:
        return mask
    begin = np.searchsorted(time, time[starts] - 0.5)
    stop = np.searchsorted(time, time[np.minimum(ends, time.size - 1)] + RECOVERY_S)
    return segments.spread(time.size, begin, stop)


def _loud(level: Floats, states: States, kpa: Floats | None) -> tuple[Bools, Bools]:
    """Rows where the level stands out of its own background at that speed and pressure.

    The second: rows that have such a background, so that their silence says something.
    """
    loud, known = np.zeros(level.size, dtype=bool), np.zeros(level.size, dtype=bool)
    use = states.running & np.isfinite(level) & (states.rpm > 800.0)
    if kpa is not None:
        use &= np.isfinite(kpa)
    if np.count_nonzero(use) < 4 * LEVEL_ROWS or float(np.ptp(level[use])) == 0.0:
        return loud, known
    index = np.where(use, states.rpm / LEVEL_BIN_RPM, -1.0).astype(np.int64)
    if kpa is not None:
        index = np.where(use, index * 100 + (np.nan_to_num(kpa) // LEVEL_BIN_KPA), -1.0).astype(
            np.int64
        )
    order = np.argsort(index, kind="stable")
    edges = np.flatnonzero(np.r_[True, np.diff(index[order]) != 0, True])
    for a, b in itertools.pairwise(edges):
        rows = order[a:b]
        if rows.size < LEVEL_ROWS or index[rows[0]] < 0:
            continue
        values = level[rows]
        middle = float(np.median(values))
        spread = 1.4826 * float(np.median(np.abs(values - middle)))
        spread = max(spread, 0.05 * abs(middle), 1e-9)
        loud[rows] = values > middle + LOUD_SIGMA * spread
        known[rows] = True
    return loud, known
