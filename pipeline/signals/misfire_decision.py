"""The answer of a session: what its classes of running showed, at one rate of false alarms.

Lines, the likelihood of rare misses and skewness share out the false-alarm rate; pulses are
counted for the share and their times; what the log would have shown comes with the answer.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from pipeline.signals import line_claim, miss_likelihood, miss_share
from pipeline.signals.matched_filter import LEVELS, pulse_test
from pipeline.signals.misfire import FINE_ROWS, ClassResult

FloatArray = NDArray[np.float64]

#: Shares of the false-alarm rate: lines, rare misses in all running, rare misses at idle alone,
#: skewness, line and skewness of strong noise together. They add up to more than one because the
#: likelihood is calibrated with room to spare: healthy engines of the bench, disturbed ones
#: included, stay under 0.6 % in all.
SHARE_LINES, SHARE_ALL, SHARE_IDLE, SHARE_SKEW, SHARE_BOTH = 0.15, 0.8, 0.5, 0.2, 0.1
#: Fewest pulses, and their least share of one cylinder's firings, that are called rough running.
LEAST_PULSES = 2
LEAST_PULSE_SHARE = 0.001
#: Loads that come and go make rises as well as falls, misses falls only: each rise this high
#: (deviations) asks for so many falls as high.
MIRROR_HEIGHT, MIRRORED_FALLS = 4.5, 2
#: Skewness below this is no fault however sure, nor is one that stands for fewer missing firings
#: than this share: healthy noise is a little skewed, for speed falls more per joule than it rises.
LEAST_SKEW = 0.25
LEAST_SKEW_SHARE = 0.03
#: In noise this strong (below) so little skewness counts, and line and skewness are taken together:
#: of a cylinder that fires every other time neither shows well where the rate folds its line down.
LEAST_SKEW_STRONG = 0.15
#: Rises count (a cylinder that hardly fires) only in noise this strong, per firing, as a share of
#: its work: with a healthy engine even a lumpy cam stays below.
RISING_SCATTER = 0.2
#: An engine whose firings scatter this much has a wild cam as a rule, and cylinders that differ
#: more too: its line has to be so many times stronger (common practice, no source).
UNEVEN_SCATTER, UNEVEN_LINE = 0.15, 1.8
#: Scatter of one firing in which a cylinder that misses often could hide (at a share p of one of n
#: it is sqrt(p (1 - p) / n): 0.2 to 0.25 for p = 0.2 to 0.8 of four), and s of it.
HIDDEN_SCATTER, HIDDEN_S = 0.2, 15.0
#: A line has to exceed the usual scatter of one firing: cylinders that differ by less than they
#: scatter are no fault.
LEAST_LINE_SCATTER = 1.0
#: Hz below which the half order can meet the driveline's own pace, the car rocking on its shafts (2
#: to 10 Hz, more in a high gear: common practice, no source): there a sound engine's uneven
#: cylinders show up to eight times too large. A line there alone, where other running that was
#: looked at shows less than this share of it, is the driveline's, unless it stands for most of a
#: cylinder, which no sound engine's does.
DRIVELINE_HZ, SHOWN_ELSEWHERE, MORE_THAN_UNEVEN = 13.0, 1.0 / 3.0, 0.6


@dataclass(frozen=True)
class Detection:
    """The session's answer.

    found: whether it is called rough. suspected: where it is not, whether one fall was seen that a
    missing firing explains best: ``dip_s`` when, ``dip_rpm`` how great, ``single_p`` its chance.
    p: the smallest corrected probability. share: estimated share of one cylinder's firings that
    fail, low, high its interval. count: single falls above ``level``, times: when. by_line,
    by_pulse, by_skew: which look spoke. smallest_share: what would have been called rough with
    95 % power, None where nothing could. hidden_in: see there.
    """

    classes: tuple[ClassResult, ...]
    found: bool
    suspected: bool
    dip_s: float | None
    dip_rpm: float
    single_p: float
    by_line: bool
    by_pulse: bool
    by_skew: bool
    p: float
    share: float
    low: float
    high: float
    count: int
    times: FloatArray
    heights: FloatArray
    level: float
    smallest_share: float | None
    hidden_in: float | None
    seconds: float
    cycles: float


def decide(classes: Sequence[ClassResult], *, false_alarm: float = 0.01) -> Detection:
    """Combine the classes of a session at a given rate of false alarms per session."""
    cycles = sum(c.cycles for c in classes)
    idle = [c for c in classes if c.idle]
    p_all, level_all = pulse_test([c.pulses for c in classes], LEAST_PULSES)
    p_idle, level_idle = pulse_test([c.pulses for c in idle], LEAST_PULSES)
    use_idle = p_idle / SHARE_IDLE < p_all / SHARE_ALL
    chosen, level = (idle, level_idle) if use_idle else (list(classes), level_all)
    corrected, single = (
        min(
            miss_likelihood.chance([c.evidence for c in classes], single=alone) / SHARE_ALL,
            miss_likelihood.chance([c.evidence for c in idle], single=alone) / SHARE_IDLE,
        )
        for alone in (False, True)
    )
    count = sum(int((c.pulses.fall_heights > level).sum()) for c in chosen)
    seen = sum(c.cycles * float(ndtr(_height(c, level) - level)) for c in chosen)
    noise = sum(float(c.pulses.expected[LEVELS.index(level)]) for c in chosen)
    pulse_share = max(0.0, count - noise) / max(seen, float(count), 1.0)
    falls, rises = _mirror(classes)
    alike = falls < MIRRORED_FALLS * rises
    by_pulse = corrected < false_alarm and pulse_share >= LEAST_PULSE_SHARE and not alike
    tested = [c for c in classes if c.line_cells]
    strong = [
        c for c in tested
        if c.line_share >= max(_least_line(c, c.scatter), LEAST_LINE_SCATTER * c.scatter)
        and not _driveline(c, tested)
    ]  # fmt: skip
    line_p = min([c.line_p for c in strong], default=1.0) * max(1, len(tested)) / SHARE_LINES
    by_line = line_p < false_alarm
    line_share = max([c.line_share for c in strong if c.line_p * len(tested) / SHARE_LINES
                      < false_alarm], default=0.0)  # fmt: skip
    lopsided = [
        c for c in classes
        if (c.skew < -_least_skew(c) and c.skew_share >= LEAST_SKEW_SHARE)
        or (c.skew > LEAST_SKEW and c.scatter > RISING_SCATTER)
    ]  # fmt: skip
    # Twice: either sign is looked at.
    skew_p = min([c.skew_p for c in lopsided], default=1.0) * 2 * max(1, len(classes))
    skew_p = skew_p / SHARE_SKEW
    skewed = [c for c in lopsided if 2 * c.skew_p * len(classes) / SHARE_SKEW < false_alarm]
    together = [c for c in lopsided if c.line_cells and c.scatter > RISING_SCATTER]
    both = [(_fisher(c.line_p, c.skew_p) * 2 * len(classes) / SHARE_BOTH, c) for c in together]
    both_p = min([p for p, _ in both], default=1.0)
    if both_p < min(skew_p, line_p):
        skew_p = both_p
        skewed += [c for p, c in both if p < false_alarm]
    by_skew = skew_p < false_alarm
    skew_share = max([c.skew_share for c in skewed], default=0.0)
    share, low, high = miss_share.share_of(
        chosen, by_pulse=by_pulse, line=line_share if by_line else 0.0, skew=skew_share
    )
    times = np.concatenate([c.pulse_times[c.pulses.fall_heights > level] for c in chosen]
                           or [np.zeros(0)])  # fmt: skip
    heights = np.concatenate([c.pulses.fall_heights[c.pulses.fall_heights > level]
                              for c in chosen] or [np.zeros(0)])  # fmt: skip
    rank = np.argsort(times, kind="stable")
    hidden = hidden_in(classes)
    found = by_pulse or by_line or by_skew
    dip = max((_greatest(c) for c in classes), default=(0.0, 0.0, 0.0))
    suspected = not found and single < false_alarm and dip[0] > 0.0 and not alike
    return Detection(
        classes=tuple(classes), found=found, suspected=suspected,
        dip_s=dip[1] if suspected else None, dip_rpm=dip[2] if suspected else 0.0,
        single_p=min(1.0, single), by_line=by_line,
        by_pulse=by_pulse, by_skew=by_skew,
        p=min(1.0, corrected, line_p, skew_p), share=share, low=low, high=high, count=count,
        times=times[rank], heights=heights[rank], level=level,
        smallest_share=None if hidden is not None
        else smallest_share(classes, false_alarm=false_alarm),
        hidden_in=hidden,
        seconds=sum(c.seconds for c in classes), cycles=cycles,
    )  # fmt: skip


def _mirror(classes: Sequence[ClassResult]) -> tuple[int, int]:
    """Falls and rises above MIRROR_HEIGHT."""
    falls = sum(int((c.pulses.fall_heights > MIRROR_HEIGHT).sum()) for c in classes)
    return falls, sum(int((c.pulses.rise_heights > MIRROR_HEIGHT).sum()) for c in classes)


def _greatest(part: ClassResult) -> tuple[float, float, float]:
    """Height in deviations, moment and size in rpm of the greatest fall."""
    if part.pulse_times.size == 0:
        return 0.0, 0.0, 0.0
    k = int(np.argmax(part.pulses.fall_heights))
    height = float(part.pulses.fall_heights[k])
    return height, float(part.pulse_times[k]), height / max(part.pulse_z, 1e-9) * part.drop_rpm


def _driveline(part: ClassResult, tested: Sequence[ClassResult]) -> bool:
    """Whether a line seen while driving slowly in a gear is the driveline's own swing."""
    others = [c.line_share for c in tested if c is not part and c.blind_share < 0.5]
    if part.idle or part.speed_rpm / 120.0 > DRIVELINE_HZ or not others:
        return False
    return part.line_share < MORE_THAN_UNEVEN and max(others) < SHOWN_ELSEWHERE * part.line_share


def _least_line(part: ClassResult, scatter: float) -> float:
    return part.line_least * (UNEVEN_LINE if scatter > UNEVEN_SCATTER else 1.0)


def hidden_in(classes: Sequence[ClassResult]) -> float | None:
    """Scatter of one firing that a cylinder which misses every other time would hide in, or None.

    Its misses are neither rare nor lopsided, and they make the scatter themselves: only the line
    of order one half tells them from a wild cam, and that only in rows shorter than a third of a
    cycle. None where the scatter is small, or some running was logged that finely.
    """
    fine = any(
        c.line_cells and c.blind_share < 0.5 and c.interval_s < FINE_ROWS * 120.0 / c.speed_rpm
        for c in classes
    )
    strongest = max((c.scatter for c in classes if c.seconds >= HIDDEN_S), default=0.0)
    return strongest if strongest > HIDDEN_SCATTER and not fine else None


def _fisher(one: float, other: float) -> float:
    """Probability of two independent probabilities whose product is so small (Fisher 1925)."""
    product = max(one * other, 1e-300)
    return float(product * (1.0 - np.log(product)))


def _least_skew(part: ClassResult) -> float:
    return LEAST_SKEW_STRONG if part.scatter > RISING_SCATTER else LEAST_SKEW


def _height(part: ClassResult, level: float) -> float:
    """Deviations a miss stands out by: as expected, or as seen where pulses enough are greater."""
    above = part.pulses.fall_heights[part.pulses.fall_heights > level]
    if above.size < LEAST_PULSES:
        return part.pulse_z
    return max(part.pulse_z, float(np.median(above)))


def smallest_share(
    classes: Sequence[ClassResult], *, false_alarm: float, power: float = 0.95
) -> float | None:
    """Share of one cylinder's firings that would have been found with this power.

    Misses are injected into what the log itself shows; None where no share would be found.
    """
    idle = [c.evidence for c in classes if c.idle]
    # As many misses as the rises ask for have to come (95 % of a Poisson count, about).
    asked = float(MIRRORED_FALLS * _mirror(classes)[1])
    asked = (asked + 2.0 * np.sqrt(asked) + 1.0) if asked else 0.0
    floor = asked / max(sum(c.cycles for c in classes), 1.0)
    best = [
        max(share, floor)
        for group, part in (([c.evidence for c in classes], SHARE_ALL), (idle, SHARE_IDLE))
        if group and (share := miss_likelihood.smallest(group, part * false_alarm, power))
    ]
    lines = [c for c in classes if c.floor_cells and c.blind_share < 0.5]
    tested = max(1, sum(c.line_cells > 0 for c in classes))
    for part in lines:
        powers = [
            line_claim.line_power(
                part, float(share), SHARE_LINES * false_alarm / tested,
                least=_least_line(part, line_claim.scatter_with(part, float(share))),
            )
            for share in line_claim.SHARES
        ]  # fmt: skip
        found = line_claim.claim(powers, power)
        best += [] if found is None else [found]
    return min(best, default=None)
