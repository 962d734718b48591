"""Which column is the clock, and what the log says of its rate where there is none."""

import re
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from pipeline.ingest.mapping import rule_for
from pipeline.ingest.stamps import Stamps, read_stamps
from pipeline.ingest.table import Section
from pipeline.ingest.words import is_clock_name
from pipeline.vehicle import ChannelRule, Vehicle

_RATE = re.compile(
    r"(?:rate|frequen\w*|abtastrate|frequenz|cadence|frecuencia)[^\d]{0,20}(\d+(?:[.,]\d+)?)\s*hz"
    r"|(\d+(?:[.,]\d+)?)\s*hz", re.I,
)  # fmt: skip
_INTERVAL = re.compile(
    r"(?:interval|period|intervall|periode)[^\d]{0,20}(\d+(?:[.,]\d+)?)\s*(ms|s)\b", re.I
)


def stated_rate(preamble: Sequence[str]) -> float | None:
    """Rows per second as the lines above the header state it."""
    for line in preamble:
        match = _RATE.search(line)
        if match:
            value = float((match.group(1) or match.group(2)).replace(",", "."))
            return value if 0 < value <= 1000 else None
        match = _INTERVAL.search(line)
        if match:
            step = float(match.group(1).replace(",", ".")) * (
                0.001 if match.group(2).lower() == "ms" else 1
            )
            return 1 / step if step > 0 else None
    return None


def clock_of(section: Section, vehicle: Vehicle) -> tuple[Stamps | None, frozenset[int]]:
    """The finest clock of the section with the date of the most telling one; columns used."""
    found: dict[int, Stamps] = {}
    ruled: set[int] = set()
    for index, column in enumerate(section.columns):
        rule = _rule(column.header, vehicle)
        if rule and rule != "time":
            continue
        named = is_clock_name(column.header)
        if rule == "time" or named or not column.numeric:
            stamps = read_stamps(column.header, column.unit_cell or column.cell_unit, column.values)
            if stamps is not None and (
                rule == "time" or named or stamps.kind in ("time", "datetime")
            ):
                found[index] = stamps
                if rule == "time":
                    ruled.add(index)
    dates = {i: s for i, s in found.items() if s.kind == "date"}
    usable = {i: s for i, s in found.items() if i not in dates and _is_clock(s)}
    # What only has a clock's name, and stands or jumps, is kept as the column it is.
    clocks = frozenset(ruled | dates.keys() | usable.keys())
    if not usable:
        return None, clocks
    if dates:
        first = next(iter(dates.values()))
        usable = {i: _dated(s, first) for i, s in usable.items()}

    def fineness(index: int) -> float:
        return len(np.unique(usable[index].seconds))

    best = max(fineness(i) for i in usable)
    order = {"datetime": 0, "time": 1, "elapsed": 2}
    fine = [i for i in usable if fineness(i) >= 0.9 * best]
    runtime = re.compile(r"run|uptime|lauf|fonction|since", re.I)
    choice = min(
        fine,
        key=lambda i: (
            i not in ruled,
            order[usable[i].kind],
            bool(runtime.search(section.columns[i].header)),
            i,
        ),
    )
    stamps = usable[choice]
    if stamps.kind != "datetime":
        absolute = min((s for s in usable.values() if s.kind in ("datetime", "time")),
                       key=lambda s: order[s.kind], default=None)  # fmt: skip
        if absolute is not None and absolute is not stamps:
            stamps = _anchored(stamps, absolute)
    return stamps, clocks


def _rule(header: str, vehicle: Vehicle) -> str:
    rule = rule_for(header, vehicle.channels)
    if isinstance(rule, ChannelRule):
        return rule.channel
    return rule or ""


def _is_clock(stamps: Stamps) -> bool:
    good = stamps.seconds[np.isfinite(stamps.seconds)]
    if len(good) == 0:
        return False
    if len(good) == 1:
        return True
    steps = np.diff(good)
    return bool((steps >= 0).mean() >= 0.7 and np.any(steps > 0))


def _dated(stamps: Stamps, day: Stamps) -> Stamps:
    if stamps.kind != "time":
        return stamps
    return replace(stamps, kind="datetime", seconds=day.seconds + stamps.seconds)


def _anchored(fine: Stamps, absolute: Stamps) -> Stamps:
    """The fine clock's steps with the absolute clock's beginning, where both run alike."""
    both = np.isfinite(fine.seconds) & np.isfinite(absolute.seconds)
    if both.sum() < 2:
        return fine
    shift = absolute.seconds[both] - fine.seconds[both]
    if float(np.ptp(shift)) > 2.0 + absolute.step:
        return fine
    return replace(fine, kind=absolute.kind, seconds=fine.seconds + float(shift.min()),
                   utc_offset_s=absolute.utc_offset_s)  # fmt: skip
