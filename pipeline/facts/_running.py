"""When the engine ran, when it was cranked: from engine speed and battery voltage."""

from dataclasses import dataclass

import numpy as np

from pipeline.signals import segments
from pipeline.signals.segments import Bools, Floats

#: rpm. Starters turn an engine at 100-350 rpm and no engine idles below 400: common practice.
RUNNING_RPM = 400.0
#: rpm. An engine that fell no lower and came back without a starter's sag never stopped: it would
#: have passed through standstill.
CAUGHT_ITSELF_RPM = 280.0
#: rpm and s: one that stumbles while it catches falls lower, but no starter is that quick.
STUMBLES_RPM, STUMBLES_S = 100.0, 0.5
#: rpm. Below this a reading is noise of a crank signal at rest.
TURNING_RPM = 25.0
#: s. A burst above RUNNING_RPM shorter than this is a try that did not catch.
CAUGHT_S = 0.8
#: s. Speed missing for less than this, without a starter's sag, is a lost signal, not a stop:
#: an engine that stopped needs the starter, which takes longer.
DROPOUT_S = 2.5
#: V below the resting voltage: the starter is engaged. A fuel pump takes 0.3 V or less.
SAG_V = 0.9
#: V below the resting voltage that a starter under way may leave, once it has the engine moving:
#: its first pull is twice and more of what it takes then. s: a speed is read after a turn.
UNDER_WAY_V, FIRST_TURN_S = 0.3, 1.0
#: V a starter takes within DROP_S: a battery that still gives up its last charge falls slower.
DROP_V, DROP_S = 0.45, 0.4
#: s: a stopping engine rocks back for less than this, within this long of its last firing.
ROCKING_S, ROCKING_AFTER_S = 0.6, 2.0
#: s: no starter gets an engine going sooner after the first row of a log.
LATE_SPEED_S = 0.4
#: Times the starter's speed from which the engine fires itself; s over which that speed is taken.
CATCHING, CRANK_LEVEL_S = 1.25, 3.0
#: s after running in which the voltage is still the alternator's: its fall is no starter's.
CHARGED_S = 1.5
#: s of rest before cranking over which the resting voltage is taken.
REST_S = 5.0


@dataclass(frozen=True, eq=False)
class Running:
    """Rows in which the engine ran or was cranked, all (n,); dropouts of the speed are running."""

    running: Bools
    cranking: Bools
    dropout: Bools


def find_running(time: Floats, rpm: Floats, volts: Floats | None) -> Running:
    """Tell running, cranking and lost speed apart.

    time (n,) s; rpm (n,) held over gaps, NaN unknown; volts (n,) at the controller or None.
    """
    known = np.isfinite(rpm)
    speed = np.where(known, rpm, 0.0)
    below = _below_rest(time, speed, volts)
    sag = _from_the_drop(time, below)
    fast = speed >= RUNNING_RPM
    fast, dropout = _bridge(time, speed, fast, sag)
    fast = _from_the_first_row(time, speed, fast)
    step = float(np.median(np.diff(time))) if time.size > 1 else 1.0
    running = segments.long_runs(fast, time, seconds=max(CAUGHT_S, min(step, 2.0)))
    running |= _catching(time, speed, running)
    turning = ~running & (speed > TURNING_RPM)
    cranking = turning & ~_run_down(time, speed, running, turning, sag, volts)
    cranking |= _first_turn(time, sag, (below > UNDER_WAY_V) & ~running & ~cranking, cranking)
    cranking |= _starter(time, sag & ~running, cranking)
    cranking = segments.fill_gaps(cranking, time, seconds=0.35) & ~running
    return Running(running, cranking & known, dropout & running)


def _below_rest(time: Floats, speed: Floats, volts: Floats | None) -> Floats:
    """V by which each row (n,) stands under the resting voltage before; 0 where none is known."""
    none = np.zeros(time.size)
    if volts is None:
        return none
    held = segments.hold(time, volts, seconds=2.0)
    ran = segments.last_true(speed >= RUNNING_RPM)
    charged = (ran >= 0) & (time - time[np.maximum(ran, 0)] < CHARGED_S)
    rest = (speed <= TURNING_RPM) & np.isfinite(held) & ~charged
    if not rest.any():
        return none
    # The resting level is the upper part of what stood shortly before, so that the first rows
    # of the sag itself do not pull it down.
    begin = np.searchsorted(time, time - REST_S, side="left")
    filled = np.where(rest, held, -1e30)
    _, level = segments.window_extremes(filled, begin, np.arange(1, time.size + 1))
    return np.where(np.isfinite(held) & (level > 0), level - held, 0.0)


def _from_the_drop(time: Floats, below: Floats) -> Bools:
    """Rows sagging by SAG_V from a sudden drop on, as long as the voltage stays down."""
    begin = np.minimum(np.searchsorted(time, time - DROP_S), np.arange(time.size) - 1)
    least, _ = segments.window_extremes(below, np.maximum(begin, 0), np.arange(1, time.size + 1))
    sag = below > SAG_V
    dropped = sag & (below - least > DROP_V)
    for a, b in zip(*segments.runs(below > UNDER_WAY_V), strict=True):
        first = a + int(np.argmax(dropped[a:b])) if dropped[a:b].any() else b
        sag[a:first] = False
    return sag


def _bridge(time: Floats, speed: Floats, fast: Bools, sag: Bools) -> tuple[Bools, Bools]:
    """Close short losses of the speed signal within running; returns (fast, dropout)."""
    starts, ends = segments.runs(~fast)
    inner = (starts > 0) & (ends < fast.size)
    starts, ends = starts[inner], ends[inner]
    short = segments.run_times(time, starts, ends) < DROPOUT_S
    starts, ends = starts[short], ends[short]
    if not starts.size:
        return fast, np.zeros(fast.size, dtype=np.bool_)
    cranked = np.array([bool(sag[a:b].any()) for a, b in zip(starts, ends, strict=True)])
    before = speed[np.maximum(starts - 1, 0)]
    after = speed[np.minimum(ends, fast.size - 1)]
    # Back at once at the speed it had: nothing restarts like that.
    back = after >= 0.6 * before
    # A run-down or a starter shows as speeds in between, a lost signal seldom does.
    between = np.array(
        [
            float(np.mean((speed[a:b] > TURNING_RPM) & (speed[a:b] < RUNNING_RPM)))
            for a, b in zip(starts, ends, strict=True)
        ]
    )
    keep = ~cranked & back & (between < 0.5)
    gap = segments.spread(fast.size, starts[keep], ends[keep])
    # An engine that all but dies and catches itself never stood: no starter was needed.
    least = np.array([float(np.min(speed[a:b])) for a, b in zip(starts, ends, strict=True)])
    stumbled = (segments.run_times(time, starts, ends) < STUMBLES_S) & (least >= STUMBLES_RPM)
    caught = ~cranked & ((least >= CAUGHT_ITSELF_RPM) | stumbled)
    return fast | gap | segments.spread(fast.size, starts[caught], ends[caught]), gap


def _catching(time: Floats, speed: Floats, running: Bools) -> Bools:
    """Rows just before each run in which the speed already rose above what the starter gives."""
    out = np.zeros(speed.size, dtype=np.bool_)
    for start in segments.runs(running)[0]:
        begin = int(np.searchsorted(time, time[start] - CRANK_LEVEL_S))
        before = speed[begin:start]
        turned = before[(before > 2.0 * TURNING_RPM) & (before < RUNNING_RPM)]
        if turned.size < 3:
            continue
        slow = np.flatnonzero(before <= CATCHING * float(np.median(turned)))
        if slow.size and time[start] - time[begin + int(slow[-1])] < CAUGHT_S:
            out[begin + int(slow[-1]) + 1 : start] = True
    return out


def _from_the_first_row(time: Floats, speed: Floats, fast: Bools) -> Bools:
    """Count a log's first moments as running where its speed only came a few rows late."""
    first = int(np.argmax(fast)) if fast.any() else 0
    early = time[first] - time[0] < LATE_SPEED_S
    if first == 0 or not early or ((speed[:first] > TURNING_RPM).any()):
        return fast
    return np.asarray(fast | (np.arange(fast.size) < first))


def _run_down(
    time: Floats, speed: Floats, running: Bools, turning: Bools, sag: Bools, volts: Floats | None
) -> Bools:
    """Rows in which the engine only spins out after it ran: turning, not sagging, falling.

    A stopping engine rocks back once on its compression: that short blip is no starter either,
    nor is an engine that struggles at a voltage no starter leaves.
    """
    starts, ends = segments.runs(turning & ~sag)
    if not starts.size:
        return np.zeros(speed.size, np.bool_)
    after_run = (starts > 0) & running[np.maximum(starts - 1, 0)]
    falls = speed[starts] >= speed[np.maximum(ends - 1, 0)]
    last = segments.last_true(running)[starts]
    since = np.where(last >= 0, time[starts] - time[np.maximum(last, 0)], np.inf)
    short = segments.run_times(time, starts, ends) < ROCKING_S
    if volts is not None and np.isfinite(volts).any():
        falls |= True  # the sag would show a starter
    pick = (after_run & falls) | (short & (since < ROCKING_AFTER_S))
    return segments.spread(speed.size, starts[pick], ends[pick])


def _first_turn(time: Floats, sag: Bools, below: Bools, turning: Bools) -> Bools:
    """Rows from a starter's sag on to the first speed, where the voltage stayed down between."""
    starts, ends = segments.runs(below)
    out = np.zeros(below.size, dtype=np.bool_)
    for a, b in zip(starts, ends, strict=True):
        if b < below.size and turning[b]:
            begin = max(int(a), int(np.searchsorted(time, time[b] - FIRST_TURN_S)))
            pulled = np.flatnonzero(sag[begin:b])
            if pulled.size:
                out[begin + int(pulled[0]) : b] = True
    return out


def _starter(time: Floats, sag: Bools, cranking: Bools) -> Bools:
    """Sagging rows that touch cranking by speed, or last long enough to be a starter alone."""
    starts, ends = segments.runs(sag)
    if not starts.size:
        return sag
    near = np.zeros(sag.size + 2, dtype=np.int64)
    near[1:-1] = np.cumsum(cranking)
    near[-1] = near[-2]
    touches = near[np.minimum(ends + 2, sag.size + 1)] - near[starts] > 0
    alone = segments.run_times(time, starts, ends) >= 0.4
    pick = touches | alone
    return segments.spread(sag.size, starts[pick], ends[pick])
