"""Closed loop: what the trims add up to, and whether one stands at its limit.

The limit is not in the log. A short trim at its limit lies flat while lambda still asks for more;
one that found its level lies just as flat, but lambda is where it should be. A long trim at its
limit lies flat while the short one has to carry the rest for good; else it would take that over.
"""

import numpy as np

from pipeline.analysis._mixture_words import trim_finding
from pipeline.facts.mixture_inputs import MixtureInputs
from pipeline.facts.states import States
from pipeline.results import Finding, Metric, metric
from pipeline.session import View
from pipeline.signals import segments
from pipeline.signals.segments import Bools, Floats
from pipeline.signals.smoothing import row_seconds

#: % within which a trim that rests on its limit may differ from it, and lies flat; least limit.
AT_LIMIT_PCT, FLAT_PCT, LEAST_LIMIT_PCT = 0.6, 0.15, 8.0
#: % of lambda on the side the trim works against, in the median, from which it asks for more.
ASKS_PCT = 0.5
#: % of lambda that is little to ask for, no more than a wideband's own error, and % by which a long
#: trim moves meanwhile where it takes over what the short one carries.
LITTLE_LEFT_PCT, TAKEN_PCT = 2.0, 0.5
#: V round which a narrowband switches, and share of the time it stays on the asking side.
SWITCH_V, ASKS_SHARE = 0.45, 0.85
#: Without any lambda only a long rest tells: s, and trim_limit_pct has to be reached, too.
BLIND_S = 15.0
#: A long trim: s flat, and % that the short one carries in the same direction meanwhile.
LONG_S, CARRIED_PCT = 30.0, 1.5
#: A long trim that is free takes over what the short one carries in minutes, the slowest in this
#: time, s (common practice, no source); and the least that is more than the loop's own swing, %.
LEARNS_S, LEAST_CARRIED_PCT = 600.0, 0.5


def _held(view: View, name: str) -> Floats | None:
    channel = view.get(name)
    return None if channel is None else segments.hold(view.time, channel, seconds=5.0)


def total_trim(view: View, states: States) -> tuple[Floats, dict[str, Metric]] | None:
    """Short and long trim together (n,) in %, and its metric while running; None without both."""
    parts = [
        trim
        for name in ("fuel_trim_short", "fuel_trim_long")
        if (trim := _held(view, name)) is not None
    ]
    if not parts:
        return None
    total: Floats = np.nansum(np.stack(parts), axis=0)
    rows = states.running & ~states.fuel_cut
    if rows.sum() < 20:
        return total, {}
    return total, {"fuel_trim_total_pct": metric(float(np.median(total[rows])), "%")}


def trim_limit(view: View, states: States, inputs: MixtureInputs | None) -> list[Finding]:
    """Trims that stand at a limit, at most one finding for each direction."""
    rows = states.running & ~states.fuel_cut
    short, long = _held(view, "fuel_trim_short"), _held(view, "fuel_trim_long")
    found = []
    for sign in (1.0, -1.0):
        hit = None
        if short is not None:
            hit = _rests(view, rows, sign * short, view.limits.trim_limit_s)
            if hit is not None and not _asks(view, inputs, hit, sign, short):
                hit = None
            if hit is not None and long is not None and _taken_over(inputs, hit, sign, long):
                hit = None
        name, trim = "fuel_trim_short", short
        if hit is None and long is not None:
            hit = _rests(view, rows, sign * long, LONG_S)
            if hit is not None and short is not None:
                hit = hit if _carries(view, sign * np.nan_to_num(short), hit) else None
            elif hit is not None and not _asks(view, inputs, hit, sign, long):
                hit = None
            name, trim = "fuel_trim_long", long
        if hit is None or trim is None:
            continue
        at = view.time[hit]
        found.append(
            trim_finding(
                {"start": float(at[0]), "end": float(at[-1]),
                 "trim": float(np.median(trim[hit])),
                 "seconds": float(row_seconds(view.time)[hit].sum())},
                name,
            )
        )  # fmt: skip
    return found


def _error_pct(inputs: MixtureInputs | None, hit: Bools) -> Floats:
    """Reading over target in %, lean positive, where both are known in ``hit``."""
    if inputs is None:
        return np.zeros(0)
    error: Floats = 100.0 * (inputs.reading[hit] / inputs.target[hit] - 1.0)
    return error[np.isfinite(error)]


def _taken_over(
    inputs: MixtureInputs | None, hit: Bools, sign: float, long: Floats
) -> bool:  # fmt: skip
    """Whether little is left to ask and the long trim takes it over: the loop has not ended."""
    error = _error_pct(inputs, hit)
    known = sign * long[hit & np.isfinite(long)]
    if not error.size or known.size < 10:
        return False
    tenth = known.size // 10
    moved = float(np.median(known[-tenth:]) - np.median(known[:tenth]))
    return float(np.median(sign * error)) < LITTLE_LEFT_PCT and moved >= TAKEN_PCT


def _carries(view: View, short: Floats, hit: Bools) -> bool:
    """Whether the short trim (n,), for good, carries what a free long one would have taken over.

    A lot of it at once, or so much over the time that the slowest learning would have moved.
    """
    if float(np.median(short[hit])) >= CARRIED_PCT:
        return True
    mean = float(np.mean(short[hit]))
    moved = mean * float(row_seconds(view.time)[hit].sum()) / LEARNS_S
    return mean >= LEAST_CARRIED_PCT and moved >= 1.5 * FLAT_PCT


def _rests(view: View, rows: Bools, trim: Floats, seconds: float) -> Bools | None:
    """Rows (n,) in which ``trim`` lies flat at its own top for ``seconds``; None where it never."""
    side = np.where(rows, np.nan_to_num(trim), 0.0)
    top = float(side.max(initial=0.0))
    if top < min(LEAST_LIMIT_PCT, view.limits.trim_limit_pct):
        return None
    rests = segments.long_runs(side >= top - AT_LIMIT_PCT, view.time, seconds=3.0)
    step = row_seconds(view.time)
    flat = rests & (np.abs(side - top) <= FLAT_PCT)
    # A peak is passed through; a limit is a flat top.
    total = float(step[rests].sum())
    if total < seconds or float(step[flat].sum()) < 0.6 * total:
        return None
    return rests


def _asks(
    view: View, inputs: MixtureInputs | None, hit: Bools, sign: float, trim: Floats
) -> bool:  # fmt: skip
    """Whether the mixture still lies on the side that this trim works against."""
    error = _error_pct(inputs, hit)
    if error.size >= 10:
        return float(np.median(sign * error)) >= ASKS_PCT
    narrow = view.get("narrowband_voltage")
    if narrow is not None and np.isfinite(narrow[hit]).sum() >= 10:
        volts = narrow[hit][np.isfinite(narrow[hit])]
        return float(np.mean(sign * (SWITCH_V - volts) > 0.0)) >= ASKS_SHARE
    long_enough = float(row_seconds(view.time)[hit].sum()) >= BLIND_S
    return long_enough and float(np.median(np.abs(trim[hit]))) >= view.limits.trim_limit_pct - 1.0
