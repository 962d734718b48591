"""What the log's knock channels say row by row: pulled, loud, known to be quiet, or nothing."""

from dataclasses import dataclass

import numpy as np

from pipeline.facts.states import States
from pipeline.meta import FactMeta
from pipeline.session import View
from pipeline.signals import segments
from pipeline.signals.segments import Bools, Floats

META = FactMeta(
    summary="rows in which the controller heard knock, and rows known to be quiet",
    version=1,
    needs=("engine_speed",),
    uses=("knock_retard", "knock_level"),
    facts=("states",),
)

#: deg pulled from which a row is no longer quiet: two steps of usual logging.
LEAST_DEG = 1.0
#: s after knock in which the controller is still giving spark back: not known to be quiet.
RECOVERY_S = 3.0
#: Standard deviations (robust) over the level's own background at that speed that are loud.
LOUD_SIGMA = 6.0
LEVEL_BIN_RPM = 500.0
#: rows per speed bin that make a background.
LEVEL_ROWS = 30


@dataclass(frozen=True, eq=False)
class KnockSigns:
    """Knock channels of a session, arrays (n,).

    retard: deg pulled, held, None where not logged. constant: it never moves, so nobody knows
    whether it listens. knocking: rows with spark pulled (or a loud level where that tells
    nothing). quiet: rows in which a channel that moves heard nothing. loud: the level stands out
    of its background.
    """

    retard: Floats | None
    constant: bool
    knocking: Bools
    quiet: Bools
    loud: Bools
    level_usable: bool


def compute(view: View) -> KnockSigns:
    """Read both channels."""
    time = view.time
    states: States = view.fact("states")
    none = np.zeros(time.size, dtype=bool)
    retard, level = view.get("knock_retard"), view.get("knock_level")
    loud, usable = none, False
    if level is not None and np.isfinite(level).any():
        loud, usable = _loud(segments.hold(time, level, seconds=1.0), states)
    if retard is None or not np.isfinite(retard).any():
        quiet = states.running & ~_around(time, loud) if usable else none
        return KnockSigns(None, False, loud, quiet, loud, usable)
    held = segments.hold(time, retard, seconds=1.0)
    running = held[states.running & np.isfinite(held)]
    constant = running.size > 0 and bool(np.ptp(running) < 0.05)
    if constant:
        # One that stands still may be a control that never heard a thing, or one that is off.
        return KnockSigns(held, True, loud, none, loud, usable)
    knocking = states.running & (np.nan_to_num(held) >= LEAST_DEG)
    quiet = states.running & np.isfinite(held) & ~_around(time, knocking | loud)
    return KnockSigns(held, constant, knocking, quiet, loud, usable)


def _around(time: Floats, mask: Bools) -> Bools:
    """Rows from 0.5 s before to RECOVERY_S after those of ``mask``."""
    starts, ends = segments.runs(mask)
    if not starts.size:
        return mask
    begin = np.searchsorted(time, time[starts] - 0.5)
    stop = np.searchsorted(time, time[np.minimum(ends, time.size - 1)] + RECOVERY_S)
    return segments.spread(time.size, begin, stop)


def _loud(level: Floats, states: States) -> tuple[Bools, bool]:
    """Rows where the level stands out of its own background at that engine speed."""
    use = states.running & np.isfinite(level) & (states.rpm > 800.0)
    if np.count_nonzero(use) < 4 * LEVEL_ROWS or float(np.ptp(level[use])) == 0.0:
        return np.zeros(level.size, dtype=bool), False
    index = np.where(use, states.rpm / LEVEL_BIN_RPM, -1).astype(np.int64)
    loud = np.zeros(level.size, dtype=bool)
    for k in np.unique(index[use]):
        rows = np.flatnonzero(index == k)
        if rows.size < LEVEL_ROWS:
            continue
        values = level[rows]
        middle = float(np.median(values))
        spread = 1.4826 * float(np.median(np.abs(values - middle)))
        spread = max(spread, 0.05 * abs(middle), 1e-9)
        loud[rows] = values > middle + LOUD_SIGMA * spread
    return loud, True
