"""Falls of the coolant reading that no water makes, and what else could have made them."""

from dataclasses import dataclass

import numpy as np

from pipeline.facts.cooling_trace import CoolingTrace
from pipeline.session import View
from pipeline.signals import dips as falling
from pipeline.signals import segments
from pipeline.signals.segments import Bools, Floats

#: V of a step that a dip must not come together with: that is a ground, not the water.
VOLTAGE_STEP_V = 0.35
#: Share of a step of the coolant that the intake shows on the same shifted ground (a cooler
#: thermistor moves a quarter as far; half of that), and K of step that tell.
SHARED_FALL, LEAST_EDGE_K = 0.12, 2.0
#: K within s from degC: a fall this deep is beyond any thermostat or radiator, whatever the
#: reading was before; the water has left the sensor.
COLLAPSE_K, COLLAPSE_S, COLLAPSE_FROM_C = 18.0, 12, 80.0
#: s within that time at which water stood where it fell from; the end of a spike fell from nowhere.
STOOD_S = 3
#: s within which a passing bubble gives the reading back, to this many K.
RETURN_S, RETURN_K = 25, 6.0
#: K: a fall to this reading within a second or two is a broken wire, not steam.
DEAD_READING_C = 0.0


#: Samples (s) on each side of a sudden step whose mean is taken, and between the two: water and
#: iron of a running engine change by 1 K in that time, a lively thermostat by 2 (common practice,
#: no source).
STEP_SIDE, STEP_APART = 2, 3
#: Times the reading's own noise that a step has to be.
STEP_SURE = 6.0
#: Times the usual air at which an engine may warm its own water by some K within seconds.
HARD = 2.5
#: Times the quick changes between them (98 of 100 are smaller) that bubbles are, and s of such
#: time that tell: an open highland drive swings by up to 3 K in 5 s all the time, without end.
STEP_STANDS_OUT, BETWEEN_S = 1.75, 120
#: degC from which a thermostat may open, and s within which steps belong to one bubble.
STEP_FROM_C, SAME_STEP_S = 60.0, 15.0


@dataclass(frozen=True)
class Dip:
    """A fall of the reading: from and to in s, K deep, degC it fell from."""

    start: float
    end: float
    depth: float
    level: float


def voltage_steps(view: View, start: float, end: float) -> bool:
    """Whether the supply stepped as the reading fell: then both share a ground."""
    volts = view.get("battery_voltage")
    if volts is None:
        return False
    time, volts = view.time[np.isfinite(volts)], volts[np.isfinite(volts)]
    before = volts[(time > start - 4.0) & (time <= start - 1.0)]
    inside = volts[(time >= start) & (time <= end)]
    if before.size == 0 or inside.size == 0:
        return False
    return bool(abs(np.median(before) - np.median(inside)) > VOLTAGE_STEP_V)


def intake_steps_too(view: View, found: list[Dip]) -> bool:
    """Whether the intake's reading dips with the coolant's: then the ground they share does."""
    intake, coolant = view.get("intake_air_temperature"), view.channel("coolant_temperature")
    if intake is None:
        return False
    time, shares = view.time, []
    for dip in found:
        near = np.flatnonzero((time > dip.start - 2.5) & (time < dip.end + 2.5))
        edge = time[near[np.argmax(np.abs(np.nan_to_num(np.diff(coolant[near]))))]]
        before = (time > edge - 1.2) & (time <= edge)
        after = (time > edge + 0.6) & (time < edge + 1.8)
        if before.any() and after.any():
            fall = float(np.mean(coolant[before]) - np.mean(coolant[after]))
            too = float(np.mean(intake[before]) - np.mean(intake[after]))
            shares.append(too / fall if abs(fall) > LEAST_EDGE_K else 0.0)
    return len(shares) >= 2 and float(np.median(shares)) > SHARED_FALL


def collapses(view: View, trace: CoolingTrace) -> list[Dip]:
    """Falls too deep for any water, under way, that no broken wire or ground explains."""
    raw = np.where(trace.running, trace.raw, np.nan)
    if raw.size <= COLLAPSE_S:
        return []
    padded = np.concatenate([np.full(COLLAPSE_S - 1, np.nan), raw])
    with np.errstate(all="ignore"):
        window = np.lib.stride_tricks.sliding_window_view(padded, COLLAPSE_S)
        top = np.partition(window, -STOOD_S, axis=1)[:, -STOOD_S]
        top[np.isnan(window).any(axis=1)] = np.nan
    deep = np.nan_to_num((top - raw >= COLLAPSE_K) & (top >= COLLAPSE_FROM_C)).astype(bool)
    found = []
    for a, b in zip(*segments.runs(deep), strict=True):
        low = float(np.nanmin(raw[a : min(b + 30, raw.size)]))
        back = float(np.nanmax(raw[b : b + RETURN_S], initial=-np.inf))
        start, end = float(trace.seconds[a]), float(trace.seconds[b - 1])
        dip = Dip(start, end, float(np.nanmax((top - raw)[a:b])), float(top[a]))
        returned = back > top[a] - RETURN_K
        if (
            low > DEAD_READING_C
            and not returned
            and not voltage_steps(view, start, end)
            and pulling(trace, dip)
        ):
            found.append(dip)
    return found


def sudden_steps(
    view: View, trace: CoolingTrace, settled: Bools, *, least: float, most: float
) -> list[Dip]:
    """Steps of ``least`` to ``most`` K up or down within seconds, at 60 degC and more.

    Air that comes and goes at the sensor makes the reading jump either way and creep back. Steps
    within SAME_STEP_S of each other are one bubble.
    """
    raw = np.where(settled, trace.raw, np.nan)
    span = 2 * STEP_SIDE + STEP_APART
    if raw.size <= span:
        return []
    windows = np.lib.stride_tricks.sliding_window_view(raw, span)
    before = windows[:, :STEP_SIDE].mean(axis=1)
    step = windows[:, -STEP_SIDE:].mean(axis=1) - before
    known = np.isfinite(step) & (before >= STEP_FROM_C)
    if not known.any():
        return []
    # Noise of one reading from its neighbours; a mean of two each side scatters as much as one.
    scatter = 1.4826 * float(np.nanmedian(np.abs(np.diff(raw)))) / np.sqrt(2.0)
    size = np.where(known, np.abs(step), 0.0)
    sudden = (size >= max(least, STEP_SURE * scatter)) & (size <= most)
    found: list[Dip] = []
    for a, b in zip(*segments.runs(sudden), strict=True):
        start, end = float(trace.seconds[a]), float(trace.seconds[b - 1 + span - 1])
        rises = float(np.max(step[a:b])) >= float(np.max(size[a:b]))
        if voltage_steps(view, start, end) or (rises and _worked(trace, start, end)):
            continue
        if found and start - found[-1].end < SAME_STEP_S:
            continue
        found.append(Dip(start, end, float(np.max(size[a:b])), float(before[a])))
    near = np.convolve(sudden, np.ones(2 * int(SAME_STEP_S) + 1), "same")[: size.size] > 0.5
    between = size[known & ~near]
    if found and between.size >= BETWEEN_S:
        usual = float(np.quantile(between, 0.98))
        if float(np.median([d.depth for d in found])) < STEP_STANDS_OUT * usual:
            return []  # the far end of a thermostat's own swing, no bubble
    return found


def _worked(trace: CoolingTrace, start: float, end: float) -> bool:
    """Whether the engine's own heat may have made a rise: it breathed far more than usual."""
    if not trace.air_known:
        return True
    rows = (trace.seconds >= start - STEP_SIDE) & (trace.seconds <= end)
    usual = float(np.nanmedian(trace.air[trace.running]))
    return bool(float(np.nanmax(trace.air[rows])) > HARD * usual)


def pulling(trace: CoolingTrace, dip: Dip) -> bool:
    """Engine under way at the fall: moving, or breathing more than in the quiet quarter."""
    rows = (trace.seconds >= dip.start - 3) & (trace.seconds <= dip.end)
    if np.isfinite(trace.speed[rows]).any() and float(np.nanmax(trace.speed[rows])) > 10.0:
        return True
    if not trace.air_known:
        return True
    usual: Floats = trace.air[trace.running]
    return float(np.nanmean(trace.air[rows])) > float(np.nanquantile(usual, 0.25)) * 1.3


def falls_away(view: View, trace: CoolingTrace, settled: Bools) -> list[Dip]:
    """Falls by the contract's rule whether or not the reading comes back, under way.

    ``settled`` (m,) leaves out the first minute of running: the pump then moves water that stood,
    and what was heated at the stop gives way to cooler water in seconds.
    """
    limits = view.limits
    raw = np.where(settled, trace.raw, np.nan)
    window = int(limits.coolant_loss_s) + 1
    if raw.size <= window:
        return []
    fell = falling.sudden_falls(raw, drop=limits.coolant_loss_drop_k, within=window)
    found = []
    for a, b in zip(*segments.runs(fell), strict=True):
        before = raw[max(a - window + 1, 0) : b]
        top, low = float(np.nanmax(before)), float(np.nanmin(raw[a:b]))
        start, end = float(trace.seconds[a]), float(trace.seconds[b - 1])
        dip = Dip(start, end, top - low, top)
        water = top >= limits.coolant_loss_c and low > DEAD_READING_C
        if water and not voltage_steps(view, start, end) and pulling(trace, dip):
            found.append(dip)
    return found
