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
    out = sag_rows(time, values, running)
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


#: Readings that no running engine moves by a tenth from one to the next, and rests beside it.
RIGID = ("oil_pressure", "fuel_pressure", "barometric_pressure")
SAG_SHARE = 0.09
#: Of a jump: what a reading may move on both sides of it, the way back may differ by, and others
#: that share the supply may jump by instead (their zero lies at some volts as a rule).
BESIDE_SHARE, BACK_SHARE, ALIKE = 0.35, 0.35, (0.5, 2.0)
LONGEST_SAG_S = 120.0


def sag_rows(time: Floats, values: Mapping[str, Floats], running: Bools) -> dict[str, Bools]:
    """Rows (n,) of each channel in which their supply sagged or rose: all jump at once, and back.

    Two pressures that no engine moves within a reading, or one of them with throttle and manifold.
    """
    found = {n: _jumps(time, values[n], running) for n in RIGID if n in values}
    found = {n: jumps for n, jumps in found.items() if jumps[0].size}
    loose = {n: values[n] for n in ("manifold_pressure", "throttle_position") if n in values}
    out: dict[str, Bools] = {}
    if len(found) + len(loose) < 2:
        return out
    for name, (moments, sizes) in found.items():
        for t, size in zip(moments, sizes, strict=True):
            back = (moments > t + LEAST_S) & (moments < t + LONGEST_SAG_S)
            back &= np.abs(sizes + size) < BACK_SHARE * abs(size)
            if not back.any():
                continue
            end = float(moments[np.argmax(back)])
            alike = [
                n for n, (m, d) in found.items() if _has(m, d, t, size) and _has(m, d, end, -size)
            ]
            soft = [n for n, x in loose.items()
                    if _moves(time, x, t, size) and _moves(time, x, end, -size)]  # fmt: skip
            if len(alike) >= 2 or (alike and len(soft) == 2):
                for other in (*alike, *soft, name):
                    rows = out.setdefault(other, np.zeros(time.size, dtype=bool))
                    rows |= (time >= t - 1e-6) & (time < end - 1e-6)
    return out


def _jumps(time: Floats, x: Floats, running: Bools) -> tuple[Floats, Floats]:
    """When (s) and by how much (logarithm) a reading jumps from one level to another, running."""
    none = np.zeros(0), np.zeros(0)
    rows = np.flatnonzero(np.isfinite(x) & running)
    if rows.size < 50:
        return none
    t, y = time[rows], x[rows]
    new = np.append(True, np.diff(y) != 0.0)  # a value held between updates is no sample
    t, y = t[new], y[new]
    if y.size < 10 or float(np.median(np.diff(t))) > SLOWEST_S:
        return none
    big = np.abs(np.diff(y)) >= SAG_SHARE * np.minimum(y[1:], y[:-1])
    at = np.flatnonzero(big & (np.diff(t) < 2.0 * SLOWEST_S) & (np.minimum(y[1:], y[:-1]) > 0.0))
    at = at[(at >= 2) & (at < y.size - 3)]
    if not at.size:
        return none
    d = np.log(y[at + 1] / y[at])
    beside = np.max(np.abs([y[at] - y[at - 1], y[at] - y[at - 2]]), axis=0) / y[at]
    after = np.max(np.abs([y[at + 2] - y[at + 1], y[at + 3] - y[at + 1]]), axis=0) / y[at + 1]
    keep = np.maximum(beside, after) < BESIDE_SHARE * np.abs(d)
    return t[at[keep] + 1], d[keep]


def _has(moments: Floats, sizes: Floats, at_s: float, size: float) -> bool:
    """Whether one of the jumps is at ``at_s``, and like ``size``."""
    share = sizes / size
    near = (np.abs(moments - at_s) < AT_ONCE_S) & (share > ALIKE[0]) & (share < ALIKE[1])
    return bool(near.any())


def _moves(time: Floats, x: Floats, at_s: float, size: float) -> bool:
    """Whether a reading that may jump by itself did so as well, from the reading before."""
    known = np.isfinite(x)
    k = int(np.searchsorted(time, at_s - 1e-6))
    before, here = x[max(0, k - 5) : k][known[max(0, k - 5) : k]], x[k : k + 3][known[k : k + 3]]
    if not before.size or not here.size or min(before[-1], here[0]) <= 0.0:
        return False
    share = float(np.log(here[0] / before[-1])) / size
    return 0.7 * ALIKE[0] < share < 1.5 * ALIKE[1]
