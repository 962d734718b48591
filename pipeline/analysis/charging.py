"""Charging: the voltage at the controller while the engine runs."""

import itertools
from collections.abc import Mapping, Sequence

import msgspec
import numpy as np

from pipeline.analysis._charging_findings import high_finding, low_finding
from pipeline.facts.states import States
from pipeline.meta import Earlier, Meta, Own
from pipeline.results import (
    Column,
    Curve,
    LimitOfDetection,
    Metric,
    Result,
    TableFigure,
    line,
    metric,
    not_judged,
    rounded,
)
from pipeline.session import View
from pipeline.signals import segments
from pipeline.signals.sampling import quantisation_step
from pipeline.signals.segments import Bools, Floats
from pipeline.signals.smoothing import moving_mean

META = Meta(
    question="Does the alternator charge, neither too little nor too much?",
    version=2,
    kinds=("low_charging_voltage", "high_charging_voltage"),
    references=(
        "Regulated voltage 13.0 to 15.0 V, falling about 0.1 V per 10 K: common practice, no "
        "source.",
    ),
    needs=("battery_voltage", "engine_speed"),
    uses=("intake_air_temperature", "ambient_air_temperature", "coolant_temperature"),
    facts=("states",),
    shortest_s=60.0,
    step=2,
)

#: s over which the voltage is averaged: ripple and single loads are no charging fault.
SMOOTH_S = 1.0
#: degC above which the allowance for cold no longer grows.
COLD_BELOW_C = 10.0
#: s after the start in which the battery takes back what the starter drew, V within which the
#: voltage then stands for good, and s over which that is read.
RECHARGE_S, RECHARGED_V, RECHARGE_STEP_S = 300.0, 0.1, 10.0
#: s before the starter over which the battery is read at rest; V of one that is not flat (common
#: practice, no source).
REST_S, FLAT_V = 5.0, 12.0
#: Blocks a session is cut into for the interval of its voltage, and s one lasts at least and most:
#: longer than most loads stay on, and enough of them to see their scatter.
BLOCKS, BLOCK_S = 10.0, (10.0, 60.0)
#: Noise, in digits (median distance, 0.3 as a standard deviation), that spreads readings over the
#: digits so evenly that their mean is right to a twentieth of one: a Gaussian leaves exp(-2 pi^2
#: sd^2) / pi of the sawtooth that cutting to digits is (its first harmonic).
DITHER_DIGITS = 0.2
#: rpm from which an alternator gives what it can.
FAST_RPM = 1500.0
#: Readings that make a median.
LEAST_ROWS = 10
#: Sessions that make a vehicle's own voltage known, and V beside it that are worth a word: a
#: reading's digit, its load and its regulator's own heat together stay within this (common
#: practice, no source).
OWN_SESSIONS, OWN_STEP_V = 3, 0.4


def analyse(view: View) -> Result:
    """Median charging voltage, and stretches below or above the limits."""
    states: States = view.fact("states")
    limits = view.limits
    time, volts = view.time, view.channel("battery_voltage")
    since = _since_running(time, states.running, limits.charging_after_start_s)
    late = states.running & since & np.isfinite(volts)
    if late.sum() < 20:
        return not_judged(
            f"the engine ran for less than {limits.charging_after_start_s:.0f} s with a voltage"
        )
    smooth = moving_mean(time, volts, seconds=SMOOTH_S)
    step = np.diff(time, append=time[-1:])
    ran_s = float(np.sum(step[late]))
    middle, least, most = level_with_interval(volts[late], smooth[late], ran_s)
    metrics: dict[str, Metric] = {"charging_voltage_v": metric(middle, "V", least, most)}
    outside = _outside(view)
    cold = max(0.0, COLD_BELOW_C - outside) / 10.0 if np.isfinite(outside) else 0.0
    high_v = limits.charging_high_v + limits.charging_high_cold_v_per_10k * cold
    fast = late & (states.rpm > limits.charging_low_rpm)
    low = _held(fast & (smooth < limits.charging_low_v), time, limits.charging_low_s, fast)
    high = _held(late & (smooth > high_v), time, limits.charging_high_s, late)
    findings = []
    if low.any():
        findings.append(low_finding(view, time, smooth, low, fast))
    if high.any():
        findings.append(high_finding(time, smooth, high, high_v))
    fast_s = float(np.sum(step[fast]))
    here = {"idle": states.mask("idle"), "fast": states.rpm > FAST_RPM}
    digest: dict[str, float] = {
        name: rounded(float(np.median(smooth[late & rows])), 4)
        for name, rows in here.items()
        if (late & rows).sum() >= LEAST_ROWS
    }
    if np.isfinite(outside):
        digest["outside_c"] = rounded(outside, 3)
    rest = _at_rest(view, states)
    recharged = _recharged_after(time, volts, states, middle)
    told = f"; it stood at {rest:.1f} V before the start" if np.isfinite(rest) else ""
    told += ", which is a flat battery" if rest < FLAT_V else ""
    return Result(
        status="found" if findings else "clear",
        why=f"{middle:.1f} V while running"
        + (f"; {findings[0].title.lower()}" if findings else ", within the usual range")
        + told,
        findings=findings,
        metrics=metrics,
        figures=[
            _figure(states.rpm[late], smooth[late]),
            _table(states, late, smooth, rest, recharged),
        ],
        limits_of_detection={
            "low_charging_voltage": LimitOfDetection(
                could_show=fast_s >= limits.charging_low_s, over_s=fast_s
            ),
            "high_charging_voltage": LimitOfDetection(
                could_show=True, over_s=float(np.sum(step[late]))
            ),
        },
        digest=digest,
    )


def judge(own: Own, history: Sequence[Earlier]) -> Result:
    """Say where the voltage left what this vehicle has at this speed and outside temperature."""
    now = own.result.digest
    if own.result.status == "not_judged" or not now:
        return own.result
    per_k = own.vehicle.limits.charging_high_cold_v_per_10k / 10.0
    told = ""
    for name, where in (("idle", "at idle"), ("fast", f"above {FAST_RPM:.0f} rpm")):
        usual = own_voltage([e.digest for e in history], now, name, per_k)
        off = now.get(name, np.nan) - usual
        if abs(off) > OWN_STEP_V:
            told += (
                f"; {where} {abs(off):.1f} V {'more' if off > 0 else 'less'} than in the vehicle's "
                f"earlier sessions ({usual:.1f} V at this outside temperature)"
            )
    return msgspec.structs.replace(own.result, why=own.result.why + told) if told else own.result


def own_voltage(
    earlier: Sequence[Mapping[str, float]], now: Mapping[str, float], name: str, per_k: float
) -> float:
    """Median of the earlier sessions in V, brought to this one's outside temperature.

    The regulator gives ``per_k`` V less for each K it is warmer. NaN with too few sessions.
    """
    warmer = now.get("outside_c", np.nan)
    values = [
        digest[name] - per_k * float(np.nan_to_num(warmer - digest.get("outside_c", np.nan)))
        for digest in earlier
        if name in digest
    ]
    return float(np.median(values)) if len(values) >= OWN_SESSIONS else float("nan")


def level_with_interval(
    shown: Floats, smooth: Floats, seconds: float
) -> tuple[float, float, float]:
    """Median of ``smooth`` readings (n,) in V over ``seconds`` of running, and its interval.

    Smoothed, since a regulator holds one voltage most of the time and loads only pull it down: the
    median of such a lopsided lot moves with the noise of single readings. The interval is that of
    the vehicle's level, for comparing sessions: how far other minutes with other loads would have
    put the median. Loads come and go for a minute, so successive readings are not independent: the
    share of readings above the median is taken block by block, and the scatter of the blocks
    (batch means, as in simulation output analysis) says how far that share, and with it the
    median's place among the ordered readings, is uncertain. A reading as ``shown`` stands for what
    lies from half a digit below it (rounded) to a whole one above (cut off): controllers do
    either. Where noise moves it over its digits, only their mean is in doubt, by the half digit
    that cutting off takes. The divider's own error is not in the interval: it is the same in every
    session.
    """
    middle = float(np.median(smooth))
    length = float(np.clip(seconds / BLOCKS, *BLOCK_S))
    blocks = int(np.clip(seconds / length, 2, smooth.size // 2))
    # Equal readings count half: a coarse step must not make the share jump.
    above = (smooth > middle) + 0.5 * (smooth == middle)
    edges = np.linspace(0, smooth.size, blocks + 1).astype(np.int64)
    shares = np.add.reduceat(above, edges[:-1]) / np.diff(edges)
    # Student's 97.5 % point, close to the table from two degrees of freedom on.
    wide = 1.96 + 2.4 / max(blocks - 1, 1)
    half = min(wide * float(np.std(shares, ddof=1)) / np.sqrt(blocks), 0.5)
    low, high = np.quantile(smooth, (0.5 - half, 0.5 + half))
    digit = quantisation_step(shown)
    moved = float(np.median(np.abs(shown - smooth))) > DITHER_DIGITS * digit
    down, up = (0.0, 0.5) if moved else (0.5, 1.0)
    return middle, float(low) - down * digit, float(high) + up * digit


def _since_running(time: Floats, running: Bools, seconds: float) -> Bools:
    """Rows at least this long after the engine last began to run."""
    mask = np.zeros(time.size, np.bool_)
    for a, b in zip(*segments.runs(running), strict=True):
        mask[a:b] = time[a:b] >= time[a] + seconds
    return mask


def _held(mask: Bools, time: Floats, seconds: float, among: Bools) -> Bools:
    """Stretches of ``mask`` that last ``seconds``, not broken by rows outside ``among``.

    Town driving crosses the speed limit of the rule all the time: seconds below the limit are
    counted together as long as no row above 1500 rpm contradicts them.
    """
    contradicts = among & ~mask
    whole = np.zeros(time.size, np.bool_)
    step = np.diff(time, append=time[-1:])
    step = np.where(step > 2.0, 0.0, step)
    for a, b in zip(*segments.runs(~contradicts), strict=True):
        if float(np.sum(step[a:b][mask[a:b]])) >= seconds:
            whole[a:b] = mask[a:b]
    return whole


def _at_rest(view: View, states: States) -> float:
    """Battery in V just before the first starting, NaN where the log does not show it."""
    volts = view.channel("battery_voltage")
    tries = [t for start in states.starts for t in start.tries]
    if not tries:
        return float("nan")
    begin = tries[0][0]
    rows = (view.time >= begin - REST_S) & (view.time < begin - 0.1) & np.isfinite(volts)
    return float(np.median(volts[rows])) if rows.any() else float("nan")


def _recharged_after(time: Floats, volts: Floats, states: States, level: float) -> float:
    """Seconds after the first firing until the voltage stands within RECHARGED_V of its level.

    NaN where the log shows no start, or less than RECHARGE_S after it.
    """
    first = states.first_running_s
    if first is None or not states.start_seen or time[-1] < first + RECHARGE_S:
        return float("nan")
    rows = states.running & np.isfinite(volts) & (time >= first) & (time < first + RECHARGE_S)
    block = ((time[rows] - first) / RECHARGE_STEP_S).astype(np.int64)
    # Fans and lamps pull the voltage down for a while: the upper part is what the battery allows.
    tops = [float(np.quantile(volts[rows][block == k], 0.75)) for k in np.unique(block)]
    off = np.flatnonzero(np.abs(np.array(tops) - level) > RECHARGED_V)
    return 0.0 if not off.size else (float(np.unique(block)[off[-1]]) + 1.0) * RECHARGE_STEP_S


def _outside(view: View) -> float:
    for name in ("ambient_air_temperature", "intake_air_temperature"):
        channel = view.get(name)
        if channel is not None and np.isfinite(channel).any():
            return float(np.nanquantile(channel, 0.1))
    return float("nan")


def _table(
    states: States, late: Bools, volts: Floats, rest: float, recharged: float
) -> TableFigure:
    def middle(rows: Bools) -> float | None:
        return rounded(float(np.median(volts[rows])), 4) if rows.sum() >= LEAST_ROWS else None

    rows: list[list[str | float | None]] = [
        ["at rest before the start", rounded(rest, 4) if np.isfinite(rest) else None, None],
        ["at idle", middle(late & states.mask("idle")), None],
        ["above 1500 rpm", middle(late & (states.rpm > FAST_RPM)), None],
        ["recharged after the start", None, recharged if np.isfinite(recharged) else None],
    ]
    return TableFigure(
        id="charging-table",
        title="Battery and charging",
        caption="Medians from a minute after the start; a full battery stands at 12.4 V and more. "
        f"Recharged is when the voltage stays within {RECHARGED_V:g} V of its running level: the "
        "longer, the more the starter drew or the emptier the battery was.",
        columns=[Column(title="when"), Column(title="voltage", unit="V", digits=2),
                 Column(title="after", unit="s", digits=0)],
        rows=rows,
    )  # fmt: skip


def _figure(rpm: Floats, volts: Floats) -> Curve:
    edges = np.arange(500.0, float(np.nanmax(rpm, initial=0.0)) + 500.0, 500.0)
    centres, middle, low, high = [], [], [], []
    for a, b in itertools.pairwise(edges):
        here = volts[(rpm >= a) & (rpm < b)]
        if here.size >= 10:
            centres.append(0.5 * (a + b))
            middle.append(float(np.median(here)))
            low.append(float(np.quantile(here, 0.05)))
            high.append(float(np.quantile(here, 0.95)))
    return Curve(
        id="charging",
        title="Voltage over engine speed",
        caption="Median by 500 rpm with the middle nine tenths of the readings. A sound alternator "
        "gives a flat line a little above idle speed.",
        x_label="engine speed",
        x_unit="rpm",
        y_label="voltage",
        unit="V",
        lines=[line("voltage", centres, middle, low=low, high=high)],
    )
