"""Rows in which sensors that share one supply stand at an end of their scale together.

Sensors that divide one 5 V supply all read their lowest when it goes, and all read their highest
when it is shorted to the battery. A broken wire takes one of them; no engine takes two there from
one reading to the next and brings them back the same way. Sizes: common practice, no source.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from pipeline.signals import segments
from pipeline.signals.segments import Bools, Floats


@dataclass(frozen=True)
class Scale:
    """Ends of one sensor's scale, and the least jumps to and from them that are looked at.

    floor, top: at or beyond them the reading is no longer one. drop, leap: more than the quantity
    itself moves there within a reading. proof: whether no running engine makes such a jump.
    """

    floor: float
    top: float
    drop: float
    leap: float
    proof: bool = True


#: A sensor of 20 to 300 kPa reads its 20 or less without supply; what is below 16 is open in any
#: of them. Throttles shut and open honestly: they only bear out what the others show.
SCALES: Mapping[str, Scale] = {
    "manifold_pressure": Scale(16.0, 240.0, 12.0, 60.0),
    "barometric_pressure": Scale(45.0, 115.0, 20.0, 10.0),
    "oil_pressure": Scale(5.0, 900.0, 50.0, 200.0),
    "fuel_pressure": Scale(5.0, 900.0, 100.0, 200.0),
    "throttle_position": Scale(0.3, 99.5, 2.0, 20.0, proof=False),
}
LEAST_S = 0.5  # shorter is a spike, or one cable's rattle
AT_ONCE_S = 0.3  # between the jumps of two sensors; more where they are logged seldom
SLOWEST_S = 1.1  # between two readings: slower logs cannot tell a jump
#: kPa: a throttle slammed shut at high speed empties the manifold within a reading too. Beside
#: nothing but a throttle a pressure proves something only below any vacuum, or so far below
#: any other of this log.
NO_VACUUM_KPA, HARDLY_KPA, BELOW_ALL_KPA = 8.0, 12.0, 5.0


@dataclass(frozen=True)
class Stay:
    """A stretch at an end of the scale: rows, and when the readings before and after it were."""

    name: str
    first: int
    last: int
    begin_s: float
    end_s: float
    slack_s: float


def supply_lost_rows(
    time: Floats, values: Mapping[str, Floats], running: Bools
) -> dict[str, Bools]:
    """Rows (n,) of each channel in which it had no supply, or a wrong one; none: no channels.

    At least two channels jump to one end of their scales at once and leave it at once (or not
    before the engine stops), one of them as no running engine can.
    """
    out: dict[str, Bools] = {}
    for high in (False, True):
        stays = [
            s for n in SCALES if n in values for s in _stays(n, time, values[n], running, high)
        ]
        for stay in stays:
            together = [o for o in stays if _same(stay, o)]
            names = {o.name for o in together}
            if len(names) < 2 or not _proved(stay, names, values, running):
                continue
            for o in together:
                rows = out.setdefault(o.name, np.zeros(time.size, dtype=bool))
                rows[o.first : o.last + 1] = True
    return out


def _stays(name: str, time: Floats, x: Floats, running: Bools, high: bool) -> list[Stay]:
    """Stretches at one end of the scale that begin with a jump and end with one, engine running."""
    scale = SCALES[name]
    at_end = running & (x >= scale.top if high else x <= scale.floor)
    if not at_end.any():
        return []
    known = np.flatnonzero(np.isfinite(x))
    t, y, ran = time[known], x[known], running[known]
    update = float(np.median(np.diff(t))) if t.size > 1 else np.inf
    if update > (SLOWEST_S if scale.proof else AT_ONCE_S):
        return []
    least = scale.leap if high else -scale.drop
    jumps = np.append(np.diff(y) / least >= 1.0, True)  # after each row; the log's end is as good
    jumps[:-1] &= np.diff(t) < 2.0 * SLOWEST_S
    back = np.append((np.diff(y) / least <= -1.0) | ~ran[1:], True)
    starts, ends = segments.runs(at_end[known])
    inner = starts > 0
    starts, ends = starts[inner], ends[inner]
    keep = jumps[starts - 1] & ran[starts - 1] & back[ends - 1]
    keep &= t[ends - 1] - t[starts] >= LEAST_S
    after = np.append(t, np.inf)[ends]
    slack = max(AT_ONCE_S, 1.5 * update)
    return [Stay(name, int(known[a]), int(known[b - 1]), float(t[a]), float(end), slack)
            for a, b, end in zip(starts[keep], ends[keep], after[keep], strict=True)]  # fmt: skip


def _same(one: Stay, other: Stay) -> bool:
    slack = max(one.slack_s, other.slack_s)
    if abs(one.begin_s - other.begin_s) > slack:
        return False
    return one.end_s == other.end_s or abs(one.end_s - other.end_s) <= slack


def _proved(stay: Stay, names: set[str], values: Mapping[str, Floats], running: Bools) -> bool:
    """Whether no running engine makes ``stay``, beside the channels it came with."""
    if not SCALES[stay.name].proof:
        return False
    x, scale = values[stay.name], SCALES[stay.name]
    level = float(x[stay.first])
    pair = names == {"manifold_pressure", "throttle_position"}
    if not pair or level >= scale.top or level <= NO_VACUUM_KPA:
        return True
    others = x[running & (x > scale.floor)]
    return level <= min(HARDLY_KPA, float(np.min(others, initial=np.inf)) - BELOW_ALL_KPA)
