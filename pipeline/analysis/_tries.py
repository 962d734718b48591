"""Which tries of the starter belong to one start, and which the driver choked after it caught."""

from collections.abc import Sequence

import numpy as np

from pipeline.facts.states import Start, States
from pipeline.session import View

#: s: an engine that died this soon after firing has not started yet; the next try belongs to it.
DIED_EARLY_S = 5.0
#: s: cranking shorter than this is a touch of the key, no try.
SHORTEST_TRY_S = 0.25
#: rpm no starter turns an engine at (150 to 300 is usual: common practice, no source), and km/h a
#: car gains where its engine pulls it: more than a starter in the lowest gear can.
ITS_OWN_RPM, PULLED_KMH = 350.0, 1.5


def real_tries(start: Start) -> tuple[tuple[float, float], ...]:
    """Tries (start_s, end_s) of a start that were more than a touch of the key."""
    return tuple((a, b) for a, b in start.tries if b - a >= SHORTEST_TRY_S)


def merge_failed(starts: Sequence[Start]) -> list[Start]:
    """Join a start that died at once with the one after it: its tries were tries, too."""
    merged: list[Start] = []
    for start in starts:
        before = merged[-1] if merged else None
        if (
            before is not None
            and before.running_s is not None
            and before.tries
            and start.tries
            and start.tries[0][0] - before.running_s < DIED_EARLY_S
        ):
            merged[-1] = Start((*before.tries, *start.tries), start.running_s)
        else:
            merged.append(start)
    return merged


def split_choked(view: View, states: States, start: Start) -> list[Start]:
    """Part a start after each try that caught and pulled the car before it was choked.

    Such a try did not fail: the driver let the clutch in too soon. Without a vehicle speed, or
    where the car stood, a try that ended without a running engine stays one.
    """
    parts: list[Start] = []
    tries: list[tuple[float, float]] = []
    for (a, b), (after, _) in zip(start.tries, start.tries[1:], strict=False):
        caught = _pulled_away(view, states, a, after)
        tries.append((a, b if caught is None else min(b, caught)))
        if caught is not None:
            parts.append(Start(tuple(tries), caught))
            tries = []
    return [*parts, Start((*tries, *start.tries[-1:]), start.running_s)]


def _pulled_away(view: View, states: States, start: float, end: float) -> float | None:
    """When the engine turned by itself in a try after which the car gained speed, else None."""
    speed = view.get("vehicle_speed")
    if speed is None:
        return None
    rows = np.flatnonzero((view.time >= start) & (view.time < end) & np.isfinite(speed))
    own = np.flatnonzero(states.rpm[rows] > ITS_OWN_RPM)
    if not own.size:
        return None
    gained = float(np.max(speed[rows[own[0] :]])) - float(np.min(speed[rows[: own[0] + 1]]))
    return float(view.time[rows[own[0]]]) if gained > PULLED_KMH else None
