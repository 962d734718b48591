"""Readings that stand still but for noise of their own: a dead sensor behind a live converter.

What a sensor measures never rests so well that five-second means scatter no more than the
reading's own white noise lets them (its spread over the root of the samples); a converter's noise
on a value that is frozen, or on the end of a scale, does just that.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from pipeline.analysis._levels import CEILING, longest_hold, mode_of_level
from pipeline.analysis._suspects import BLOCK_S, Bools, Floats, Ints, Suspect, block_index
from pipeline.channels import CHANNELS
from pipeline.facts._wire_ends import carried
from pipeline.signals import segments

# All sizes: common practice, no source, unless said.
#: Range of means within which a hold is looked for, and its least seconds. Oil is held by its
#: relief valve for a while, air in a steady wind.
STANDS: Mapping[str, tuple[float, float]] = {
    "lambda": (0.03, 60.0),
    "lambda_2": (0.03, 60.0),
    "oil_pressure": (6.0, 120.0),
    "intake_air_temperature": (0.6, 300.0),
}
SIEVE_S = 0.25  # between the samples of a first look: a whole pass only where it finds something
WHITE = 1.5  # times what white noise makes of means; a dozen of them scatter by 1.3 at most
NEAR = 5.0  # of it: means of a hold lie nearer to its level
CUT_S, CUTS = 2.5, 2  # gas is through the pipe by then: a live wideband reads air
LOAD_KPA = 90.0  # that no mixture crosses without a trace
#: rpm: from idle to a cruise with hot oil, where the pump gives twice as much; oil is hot some
#: minutes after the water is warm.
PUMP_RPM, OIL_HOT_C, WATER_WARM_C, OIL_LAGS_S = 1100.0, 70.0, 72.0, 240.0
#: kPa that relief valves open at, and hold at idle too until oil is hot right through, s and degC.
RELIEF_KPA, RELIEF_LAGS_S, RELIEF_HOT_C = 300.0, 480.0, 90.0
WIND_KMH = 30.0
#: Air that comes to rest by itself does so slowly: 10 s before a freeze it was farther away than
#: a decay of 10 s leaves it, in scatters of its means and K.
STOPPED_AT_ONCE, STOPPED_K = 12.0, 0.15


@dataclass(frozen=True)
class Means:
    """Mean, spread and number of fresh samples by block of BLOCK_S, NaN where fewer than two."""

    mean: Floats
    spread: Floats
    fresh: Floats


def frozen(
    time: Floats, values: Mapping[str, Floats], running: Bools, fuel_cut: Bools
) -> list[Suspect]:
    """Find channels that show nothing but their own noise while what drives them moves.

    running, fuel_cut (n,): rows well after a start; rows without fuel. The longest hold counts.
    """
    found: list[Suspect] = []
    if not any(n in values for n in STANDS):
        return found
    block = block_index(time)
    for name, (span, least_s) in STANDS.items():
        if name not in values:
            continue
        known = np.flatnonzero(running & np.isfinite(values[name]))
        some = known[:: max(1, int(SIEVE_S * known.size / max(time[-1] - time[0], 1.0)))]
        own = _means(values[name], some, block)
        hold = _hold(own, span, least_s)
        if hold is None or not _proved(name, time, values, fuel_cut, block, own, hold):
            continue
        hold = _hold(_means(values[name], known, block), span, least_s)
        if hold is None:
            continue
        a, b, level, _ = hold
        rows = slice(*np.searchsorted(block, (a, b)))
        seconds = (b - a) * BLOCK_S
        unit = CHANNELS[name].unit
        found.append(Suspect(
            channels=(name,), mode=mode_of_level(name.removesuffix("_2"), level),
            start_s=float(time[rows][0]), end_s=float(time[rows][-1]), confidence=0.93,
            seen=f"it shows one value and its own noise for {seconds:.0f} s while the engine "
            "changes",
            evidence={"held_value": (level, unit), "held_for": (seconds, "s")},
        ))  # fmt: skip
    return found


def _means(x: Floats, rows: Ints, block: Ints) -> Means:
    """Means of x (n,) in ``rows`` (k,) by block (n,)."""
    count = int(block[-1]) + 1
    if not rows.size:
        none = np.full(count, np.nan)
        return Means(none, none, none)
    keys, middle = block[rows], float(x[rows[0]])
    y = x[rows] - middle
    n = np.bincount(keys, minlength=count).astype(np.float64)
    n[n < 2.0] = np.nan
    mean = np.bincount(keys, y, count) / n
    variance = (np.bincount(keys, y * y, count) - n * mean**2) / (n - 1.0)
    new = np.append(1.0, np.diff(y) != 0.0)
    fresh = np.maximum(np.bincount(keys, new, count), 1.0)
    return Means(mean + middle, np.sqrt(np.maximum(variance, 0.0)), fresh)


def _hold(own: Means, span: float, least_s: float) -> tuple[int, int, float, float] | None:
    """First block, end, level and scatter of means of the longest stretch of white noise alone."""
    best = longest_hold(own.mean - own.spread, own.mean + own.spread, own.mean, span)
    if best is None or (best[1] - best[0]) * BLOCK_S < least_s:
        return None
    a, b = best
    level = float(np.median(own.mean[a:b]))
    scatter = float(np.median(own.spread[a:b] / np.sqrt(own.fresh[a:b])))
    near = np.abs(own.mean[a:b] - level) <= NEAR * scatter + 1e-9
    starts, ends = segments.runs(near)
    if not starts.size:
        return None
    k = int(np.argmax(ends - starts))
    a, b = a + int(starts[k]), a + int(ends[k])
    if (b - a) * BLOCK_S < least_s or float(np.std(own.mean[a:b])) > WHITE * scatter + 1e-9:
        return None
    return a, b, level, scatter


def _proved(
    name: str, time: Floats, values: Mapping[str, Floats], fuel_cut: Bools, block: Ints,
    own: Means, hold: tuple[int, int, float, float],
) -> bool:  # fmt: skip
    """Whether a live sensor would have moved within a hold."""
    a, b, level, scatter = hold
    rows = slice(*np.searchsorted(block, (a, b)))
    driven = {n: x[rows] for n, x in values.items() if n != name}
    if name == "oil_pressure":
        return _pumped(time[rows], driven, level > RELIEF_KPA)
    if name != "intake_air_temperature":
        return level < CEILING["lambda"][0] and _another_mixture(time[rows], driven, fuel_cut[rows])
    before = own.mean[max(0, a - 3) : max(0, a - 2)]
    least = max(STOPPED_K, STOPPED_AT_ONCE * scatter)
    stopped = bool(before.size) and abs(float(before[0]) - level) >= least
    return stopped and _range(driven.get("vehicle_speed")) >= WIND_KMH


def _another_mixture(time: Floats, driven: Mapping[str, Floats], fuel_cut: Bools) -> bool:
    """Whether the mixture was another within a hold: cuts of fuel, or loads.

    No target that moves: it may do so for moments that a loop's mixture does not follow.
    """
    starts, ends = segments.runs(fuel_cut)
    if np.count_nonzero(time[ends - 1] - time[starts] >= CUT_S) >= CUTS:
        return True
    return _range(driven.get("manifold_pressure")) >= LOAD_KPA


def _pumped(time: Floats, driven: Mapping[str, Floats], high: bool) -> bool:
    """Whether hot oil was pumped at idle and at speed; cold oil rests on its relief valve.

    high: whether the pressure may be that of a relief valve.
    """
    speed = driven.get("engine_speed")
    oil, water = driven.get("oil_temperature"), driven.get("coolant_temperature")
    if speed is None:
        return False
    hot = np.zeros(time.size, dtype=bool)
    if oil is not None:
        hot = carried(oil) >= (RELIEF_HOT_C if high else OIL_HOT_C)
    elif water is not None and (warm := np.flatnonzero(water >= WATER_WARM_C)).size:
        hot = time >= time[warm[0]] + (RELIEF_LAGS_S if high else OIL_LAGS_S)
    return _range(speed[hot]) >= PUMP_RPM


def _range(x: Floats | None) -> float:
    """Range (5-95 %) of a channel's known values, 0 with too few of them."""
    y = np.empty(0) if x is None else x[np.isfinite(x)]
    return float(np.subtract(*np.percentile(y, [95.0, 5.0]))) if y.size >= 20 else 0.0
