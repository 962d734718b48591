"""Ground shift: temperatures that step with the electrical load, faster than any water or air."""

from collections.abc import Mapping

import numpy as np

from pipeline.analysis._suspects import Bools, Floats, Suspect, mean_between, running_sums

# Sizes: common practice, no source; 50 mV at 90 degC reads 4.5 K colder (arithmetic).
STEP_K = 1.5  # smallest step of the coolant reading that is looked at
EDGE_S = 0.7  # a real change of water or metal takes longer than this
SIDE_S = 2.0  # of steady reading on both sides
SAG_V = 0.02  # load steps move the voltage by 6 mV per ampere and more
LEAST_STEPS = 3
#: K from which on a step of the intake has a direction.
FELT_K = 0.25
#: Many steps tell what a few cannot: an intake that moves by itself further than it is shifted goes
#: the coolant's way more often than the other. Share of steps with the voltage, least of them, and
#: errors of an even toss (0.6 % by chance, of steps that already go with the voltage).
WITH_VOLTS, MANY_STEPS, SURE_ERRORS = 0.9, 12, 2.5


def ground_shift(time: Floats, values: Mapping[str, Floats], running: Bools) -> list[Suspect]:
    """Find coolant steps in step with the voltage and with the intake reading.

    One channel alone proves nothing: both temperatures and the voltage have to be there.
    """
    coolant, intake = values.get("coolant_temperature"), values.get("intake_air_temperature")
    volts = values.get("battery_voltage")
    if coolant is None or intake is None or volts is None or time.size < 200:
        return []
    moments = np.arange(time[0] + 3.0, time[-1] - 3.0, 0.2)
    rows = np.clip(np.searchsorted(time, moments), 0, time.size - 1)
    warm = running[rows]
    c = _steps(time, coolant, moments)
    big = warm & (np.abs(c) >= STEP_K)
    picks = _peaks(np.where(big, np.abs(c), 0.0), reach=20)
    if picks.size < LEAST_STEPS:
        return []
    steady = _steps(time, coolant, moments, gap=EDGE_S + SIDE_S)  # the same, seen from further off
    sharp = np.abs(steady[picks] - c[picks]) < np.maximum(1.0, 0.5 * np.abs(c[picks]))
    picks = picks[sharp]
    v, i = _steps(time, volts, moments)[picks], _steps(time, intake, moments)[picks]
    size = c[picks]
    if picks.size < LEAST_STEPS:
        return []
    told = np.abs(v) >= SAG_V
    with_volts = told & (np.sign(v) == np.sign(size))
    with_intake = (np.sign(i) == np.sign(size)) & (np.abs(i) >= FELT_K)
    share = np.count_nonzero(with_volts) / picks.size
    share_intake = np.count_nonzero(with_intake) / picks.size
    good = with_volts & with_intake
    if np.count_nonzero(good) < LEAST_STEPS or share < 0.6:
        return []
    if share_intake < 0.55 and not (share >= WITH_VOLTS and _goes_along(i * np.sign(size))):
        return []
    size_k = float(np.median(np.abs(size[good])))
    return [Suspect(
        channels=("coolant_temperature", "intake_air_temperature"), mode="ground_shift",
        start_s=float(moments[picks[0]]), end_s=float(moments[picks[-1]]),
        confidence=0.75 + 0.2 * min(1.0, np.count_nonzero(good) / 8.0),
        seen=f"both readings step together with the battery voltage, {picks.size} times, the "
        f"coolant by {size_k:.1f} K: no water follows that fast",
        evidence={"coolant_step": (size_k, "K"), "steps": (float(picks.size), "1"),
                  "intake_step": (float(np.median(np.abs(i[good]))), "K")},
    )]  # fmt: skip


def _goes_along(along: Floats) -> bool:
    """Whether the intake's steps, signed by the coolant's, (k,) K, go along more than against."""
    with_it, against = np.count_nonzero(along >= FELT_K), np.count_nonzero(along <= -FELT_K)
    tossed = with_it + against
    return bool(tossed >= MANY_STEPS and with_it - against >= SURE_ERRORS * np.sqrt(tossed))


def _steps(time: Floats, values: Floats, moments: Floats, gap: float = EDGE_S) -> Floats:
    """Mean after minus mean before each moment, the edge itself left out; NaN where unknown."""
    total, count = running_sums(values)
    after = mean_between(time, total, count, moments + 0.5 * gap, moments + 0.5 * gap + SIDE_S)
    before = mean_between(time, total, count, moments - 0.5 * gap - SIDE_S, moments - 0.5 * gap)
    return np.nan_to_num(after - before)


def _peaks(size: Floats, reach: int) -> np.ndarray[tuple[int, ...], np.dtype[np.intp]]:
    """Places that are the largest within ``reach`` on both sides, zeros left out."""
    order = np.argsort(-size, kind="stable")
    taken = np.zeros(size.size, dtype=bool)
    picks = []
    for k in order[: np.count_nonzero(size > 0)].tolist():
        if not taken[k]:
            picks.append(k)
            taken[max(0, k - reach) : k + reach + 1] = True
    return np.array(sorted(picks), dtype=np.intp)
