"""References for a wideband's number at lambda 1: a live loop, a narrowband, a second reading.

Each gives the reading's error there with its 95 % interval. One point cannot tell a wrong scale
from an offset; two readings of the same gas can.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.analysis._suspects import Suspect
from pipeline.facts.mixture_inputs import LIVE_TRIM_PCT, MixtureInputs
from pipeline.signals import segments
from pipeline.signals.blocks import blocks_by, by_block
from pipeline.signals.segments import Bools, Floats

BLOCK_S = 5.0  # long against sensor and transport, short against warm-up of the metal
LEAST_BLOCKS = 12  # one minute of evidence
#: Error at lambda 1 told as a fault: a probe and its gauge are good for 1 to 1.5 % together
#: (common data sheet figure), so 2.5 % with the interval clear of 1.5 %.
FAULT_PCT, USUAL_PCT = 2.5, 1.5
#: Spread of the blocks, and difference between small and large flow, that is still one error.
SAME_PCT = 1.5
ROUND_ONE = (0.985, 1.015)
SWITCH_V = 0.45
#: Two readings: two banks differ by 2 to 3 % at most in a sound engine; the slope by less.
PAIR_PCT, PAIR_SLOPE = 4.0, 0.08
LEAST_HALF_PCT, LEAST_SLOPE_HALF = 0.1, 0.005  # a log's own steps
READY_S = 60.0  # s after the start: enrichment is over, the probe is hot
AFTER_CUT_S = 1.5  # the wall film fills again


@dataclass(frozen=True)
class Reference:
    """Error of the reading in % at lambda 1 by one reference; half: of its 95 % interval."""

    name: str
    error_pct: float
    half_pct: float
    seconds: float
    even: bool


def steady_rows(time: Floats, m: MixtureInputs) -> Bools:
    """Rows (n,) in which the reading can be held against a reference."""
    steady = m.fuelled & m.settled & m.measured & ~m.cut & (m.since_start_s > READY_S)
    last = segments.last_true(m.cut)
    return np.asarray(
        steady & ((last < 0) | (time - time[np.maximum(last, 0)] > AFTER_CUT_S)), dtype=bool
    )


def references(
    time: Floats, m: MixtureInputs, short: Floats | None, volts: Floats | None
) -> list[Reference]:
    """All references at lambda 1 that the log has. short: trim in %; volts: of a narrowband."""
    steady = steady_rows(time, m)
    found = (closed_loop(time, m, steady, short), narrowband(time, m, steady, volts))
    return [r for r in found if r is not None]


def closed_loop(
    time: Floats, m: MixtureInputs, steady: Bools, short: Floats | None
) -> Reference | None:
    """Error against a loop that is at work at lambda 1 and free to move.

    An integrating loop holds its own sensor at the target. Where this reading stands beside the
    target all the while, the two sensors disagree.
    """
    if short is None or m.target_source != "log":
        return None
    use = steady & np.isfinite(m.reading) & np.isfinite(short)
    use &= (m.target > ROUND_ONE[0]) & (m.target < ROUND_ONE[1])
    error = 100.0 * (m.reading / np.where(use, m.target, 1.0) - 1.0)
    keys = blocks_by(time, BLOCK_S)
    picked, moving, flow = (
        by_block(keys, v, use) for v in (error, short, np.log(np.maximum(m.flow, 0.1)))
    )
    live = (picked[2] >= 5) & (moving[1] > LIVE_TRIM_PCT)
    return _reference("the closed loop", picked[0][live], flow[0][live])


def narrowband(
    time: Floats, m: MixtureInputs, steady: Bools, volts: Floats | None
) -> Reference | None:
    """Error where a narrowband passes 0.45 V: the gas is at lambda 1 then."""
    if volts is None:
        return None
    rows = np.flatnonzero(np.isfinite(volts) & np.isfinite(m.reading) & steady)
    if rows.size < 50:
        return None
    above = volts[rows] > SWITCH_V
    step = np.diff(time[rows])
    turn = np.flatnonzero((above[1:] != above[:-1]) & (step < 1.0))
    if turn.size < 2 * LEAST_BLOCKS:
        return None
    middle = 0.5 * (m.reading[rows[turn]] + m.reading[rows[turn + 1]])
    up = above[turn + 1]
    # lag of either sensor pulls both directions apart: half each
    pairs = min(np.count_nonzero(up), np.count_nonzero(~up))
    if pairs < LEAST_BLOCKS:
        return None
    both = 100.0 * (0.5 * (middle[up][:pairs] + middle[~up][:pairs]) - 1.0)
    return _reference("the narrowband's switching", both, np.zeros(0))


@dataclass(frozen=True)
class Pair:
    """Second reading over the first: error in % at lambda 1, slope, halves of their 95 % intervals.

    slope_half: None where the first did not move far enough to tell a slope; it counts as 1 then.
    """

    error_pct: float
    half_pct: float
    slope: float
    slope_half: float | None

    @property
    def mode(self) -> str:
        """Whether the two are a factor or a fixed amount apart, whichever lies nearer."""
        if self.slope_half is None:
            return "offset"
        if abs(self.slope - 1.0) > PAIR_SLOPE:
            return "scale"
        factor = abs(self.error_pct / 100.0 - (self.slope - 1.0))
        return "scale" if factor + self.slope_half < abs(self.slope - 1.0) else "offset"


def two_readings(time: Floats, first: Floats, second: Floats, steady: Bools) -> Pair | None:
    """Hold two readings of the same gas against each other; None with too little of it."""
    use = steady & np.isfinite(first) & np.isfinite(second)
    keys = blocks_by(time, BLOCK_S)
    x, y = by_block(keys, first, use), by_block(keys, second, use)
    # a block whose reading moved compares two delays, not two scales
    calm = (x[2] >= 5) & (x[1] < 0.03) & (y[1] < 0.03)
    a, b = x[0][calm], y[0][calm]
    if a.size < LEAST_BLOCKS:
        return None
    slope, slope_half = 1.0, None
    if np.ptp(a) > 0.12:
        centre = a - a.mean()
        slope = float(np.sum(centre * (b - b.mean())) / np.sum(centre**2))
        scatter = float(np.std(b - b.mean() - slope * centre, ddof=2))
        slope_half = max(1.96 * scatter / float(np.sqrt(np.sum(centre**2))), LEAST_SLOPE_HALF)
    left = b - slope * (a - 1.0)
    half = max(1.96 * float(np.std(left, ddof=1)) / np.sqrt(left.size), 0.01 * LEAST_HALF_PCT)
    away = abs(float(a.mean()) - 1.0) * (slope_half or 0.0)  # lambda 1 may lie beside the blocks
    return Pair(100.0 * (float(left.mean()) - 1.0), 100.0 * float(np.hypot(half, away)), slope,
                slope_half)  # fmt: skip


def contradicted(
    time: Floats, m: MixtureInputs, known: Sequence[Reference],
    first: Floats | None, second: Floats | None,
) -> list[Suspect]:  # fmt: skip
    """Suspects: a reading that its reference contradicts, or two that contradict each other.

    known: of :func:`references`.
    """
    for r in known:
        sure = abs(r.error_pct) - r.half_pct >= USUAL_PCT
        if abs(r.error_pct) >= FAULT_PCT and sure and r.even:
            side = "lean" if r.error_pct > 0 else "rich"
            return [Suspect(
                channels=(m.channel,), mode="scale", start_s=float(time[0]),
                end_s=float(time[-1]), confidence=0.82,
                seen=f"{r.name} says lambda 1 where it stands {abs(r.error_pct):.1f} % {side}, at "
                f"small and large flow alike, over {r.seconds:.0f} s; one point cannot tell a "
                "wrong scale from an offset",
                evidence={"error": (r.error_pct, "%"), "give_or_take": (r.half_pct, "%")},
            )]  # fmt: skip
    if first is None or second is None:
        return []
    pair = two_readings(time, first, second, steady_rows(time, m))
    if pair is None:
        return []
    scaled = abs(pair.slope - 1.0) > PAIR_SLOPE
    surely = abs(pair.error_pct) - pair.half_pct >= PAIR_PCT - 1.0
    if not scaled and not (abs(pair.error_pct) >= PAIR_PCT and surely):
        return []
    far = "" if pair.slope_half is None else f" (± {pair.slope_half:.2f})"
    shown = {"difference": (pair.error_pct, "%"), "slope": (pair.slope, "1"),
             "give_or_take": (pair.half_pct, "%")}  # fmt: skip
    if pair.slope_half is not None:
        shown["slope_give_or_take"] = (pair.slope_half, "1")
    return [Suspect(
        channels=("lambda", "lambda_2"), mode=pair.mode, start_s=float(time[0]),
        end_s=float(time[-1]), confidence=0.78,
        seen=f"the second reading stands {pair.error_pct:+.1f} % (± {pair.half_pct:.1f} %) beside "
        f"the first at lambda 1 and moves {pair.slope:.2f} times{far} as far; which of the two is "
        "right the log does not say",
        evidence=shown,
    )]  # fmt: skip


def _reference(name: str, errors: Floats, flow: Floats) -> Reference | None:
    if errors.size < LEAST_BLOCKS:
        return None
    middle = float(np.median(errors))
    spread = 1.4826 * float(np.median(np.abs(errors - middle)))
    # 1.253: a median's standard error over a mean's, normal errors
    half = 1.96 * 1.253 * max(spread, 0.1) / np.sqrt(errors.size)
    even = spread <= SAME_PCT
    if flow.size >= 2 * LEAST_BLOCKS:
        low = flow <= np.median(flow)
        even &= abs(float(np.median(errors[low]) - np.median(errors[~low]))) <= SAME_PCT
    return Reference(name, middle, half, errors.size * BLOCK_S, even)
