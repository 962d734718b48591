"""Starting: how long, how fast and at what voltage the engine was cranked, and how it caught."""

from collections.abc import Sequence

import msgspec
import numpy as np

from pipeline.analysis._start_words import Crank, causes, checks, spin_words
from pipeline.analysis._tries import merge_failed, real_tries, split_choked
from pipeline.facts.states import Start, States
from pipeline.meta import Earlier, Meta, Own
from pipeline.results import (
    Column,
    Figure,
    Finding,
    LimitOfDetection,
    Mark,
    Metric,
    Panel,
    Panels,
    Quantity,
    Result,
    TableFigure,
    evidence,
    line,
    metric,
    not_judged,
    rounded,
)
from pipeline.session import View
from pipeline.signals.segments import Bools, Floats

META = Meta(
    question="Did the engine start as it should?",
    version=1,
    kinds=("hard_start",),
    references=(
        "Cranking times and voltages: common practice, no source.",
        "Cranking begins with the starter's voltage sag, before the first speed is measured.",
    ),
    needs=("engine_speed",),
    uses=(
        "battery_voltage",
        "coolant_temperature",
        "intake_air_temperature",
        "ambient_air_temperature",
        "manifold_pressure",
        "throttle_position",
        "vehicle_speed",
    ),
    facts=("states",),
    step=1,
)

#: s of the cranking left out at each end for its mean speed: spinning up, and the first firing.
EDGE_S = 0.15
#: Hz of changes of the speed below which they limit how well cranking is timed.
SLOW_HZ = 3.0
#: s after firing in which the speed's peak is the flare, and s in which the idle has settled.
FLARE_S = 5.0
SETTLED_S = (10.0, 20.0)
#: days after work on the fuel system in which long cranking is expected (lines are empty).
FUEL_WORK_DAYS = 7.0
#: V and rpm that tell a weak battery from a slow starter: common practice, no source.
LOW_CRANKING_V = 9.6
LOW_CRANKING_RPM = 140.0
#: % over the closed throttle before the starter turns: motor-driven plates rest 5 to 15 % open
#: without current (common practice, no source), so that only more than that says something.
HELD_OPEN_PCT = 20.0


def analyse(view: View) -> Result:
    """Measure each start that the log shows; judge cranking time and number of tries."""
    states: States = view.fact("states")
    merged = merge_failed(states.starts)
    groups = [p for s in merged for p in split_choked(view, states, s) if real_tries(p)]
    if not groups:
        if states.first_running_s is None:
            return not_judged("the engine was never cranked in this log")
        if not states.start_seen:
            return not_judged("the engine was already running when the log began")
        return not_judged("the log is too slow to show the cranking")
    cranks = [_measure(view, states, group) for group in groups]
    findings = [f for c in cranks if (f := _judge_crank(view, c)) is not None]
    first = cranks[0]
    caught = next((c for c in cranks if c.running_s is not None), None)
    metrics = _metrics(first, caught, view.vehicle.engine.cylinders)
    limit = _limit_s(view, first)
    detection = LimitOfDetection(
        could_show=first.resolution_s <= 1.5,
        smallest=Quantity(value=rounded(limit + first.resolution_s, 3), unit="s"),
        power=0.95,
        false_alarm=0.01,
        over_s=rounded(sum(c.seconds for c in cranks), 4),
    )
    plural = "try" if len(first.tries) == 1 else "tries"
    why = (
        f"cranked for {first.seconds:.1f} s in {len(first.tries)} {plural}"
        + (f" at {first.rpm:.0f} rpm" if np.isfinite(first.rpm) else "")
        + (f", lowest logged {first.volts:.1f} V" if np.isfinite(first.volts) else "")
        + (", and it caught" if first.running_s is not None else ", and it never caught")
        + f"; up to {limit:.1f} s is usual for this {first.kind} start"
        + _throttle_words(first)
    )
    return Result(
        status="found" if findings else "clear",
        why=why,
        findings=findings,
        metrics=metrics,
        figures=_figures(view, states, cranks),
        limits_of_detection={"hard_start": detection},
        digest={"cranking_s": rounded(first.seconds, 4), "kind": first.kind},
    )


def _throttle_words(crank: Crank) -> str:
    """What the throttle showed before the starter turned, where it was not at rest."""
    if not crank.throttle - crank.closed > HELD_OPEN_PCT:
        return ""
    return (
        f"; the throttle read {crank.throttle:.0f} % before the starter turned and "
        f"{crank.closed:.0f} % closed later: the pedal was held down, or its sensor is not to be "
        "trusted"
    )


def judge(own: Own, _history: Sequence[Earlier]) -> Result:
    """After work on the fuel system long cranking is expected: the finding becomes info."""
    if not own.result.findings or not _fuel_touched(own):
        return own.result
    milder = [
        msgspec.structs.replace(
            f,
            severity="info",
            detail=f.detail + " The logbook tells of work on the fuel system just before: empty "
            "lines explain long cranking once, not twice.",
        )
        for f in own.result.findings
    ]
    return msgspec.structs.replace(own.result, findings=milder)


def _fuel_touched(own: Own) -> bool:
    """Tell whether the logbook has work on the fuel system in the days before this session."""
    try:
        start = np.datetime64(own.start_time[:19])
    except ValueError:
        return False
    for entry in own.logbook:
        if "fuel" not in entry.touched:
            continue
        age = (start - np.datetime64(str(entry.date).replace(" ", "T")[:19])) / np.timedelta64(
            1, "D"
        )
        if -1.0 <= float(age) <= FUEL_WORK_DAYS:
            return True
    return False


def _measure(view: View, states: States, start: Start) -> Crank:
    time = view.time
    tries = real_tries(start)
    turning = np.zeros(time.size, dtype=np.bool_)
    inner = np.zeros(time.size, dtype=np.bool_)
    for a, b in tries:
        turning |= (time >= a) & (time < b)
        inner |= (time >= a + EDGE_S) & (time < b - EDGE_S)
    spun = states.rpm[(inner if (inner & (states.rpm > 60)).any() else turning)]
    spun = spun[spun > 60.0]
    volts = view.get("battery_voltage")
    near = (time >= tries[0][0]) & (time <= tries[-1][1] + 0.1)
    lowest = float(np.nanmin(volts[near])) if volts is not None and _any(volts, near) else np.nan
    pressure = view.get("manifold_pressure")
    drop = _median(pressure, (time >= tries[0][0] - 5) & (time < tries[0][0])) - _median(
        pressure, inner
    )
    around = (time >= tries[0][0] - 5.0) & (time <= tries[-1][1] + 2.0)
    coolant = _median(view.get("coolant_temperature"), around)
    throttle = view.get("throttle_position")
    shut = states.running & states.at_rest & states.pedal_released
    flare, steady = _caught(view, states, start.running_s)
    first = max(0, int(np.searchsorted(time, tries[0][0])) - 5)
    step = float(np.median(np.diff(time[first : first + 40])))
    # Rows that only repeat the speed sharpen nothing: its own updates count.
    rate = view.info("engine_speed").effective_hz
    if 0.0 < rate < SLOW_HZ:
        step = max(step, 1.0 / rate)
    return Crank(
        tries=tries,
        running_s=start.running_s,
        seconds=sum(b - a for a, b in tries),
        longest=max(b - a for a, b in tries),
        rpm=float(np.median(spun)) if spun.size else np.nan,
        volts=lowest,
        pressure_drop=drop,
        temperature=coolant,
        kind=_kind(coolant, _median(view.get("intake_air_temperature"), around)),
        throttle=_median(throttle, (time >= tries[0][0] - 5.0) & (time < tries[0][0])),
        closed=_median(throttle, shut),
        flare=flare,
        steady_after_s=steady,
        resolution_s=step,
    )


def _kind(coolant: float, intake: float) -> str:
    """Cold, warm or hot start by the coolant; hot-soaked where the intake was warmed by it."""
    if not np.isfinite(coolant):
        return "unknown"
    if coolant < 40.0:
        return "cold"
    if coolant < 70.0:
        return "warm"
    return "hot-soaked" if np.isfinite(intake) and intake > 45.0 else "hot"


def _caught(view: View, states: States, running_s: float | None) -> tuple[float, float]:
    """Flare over the idle that follows (rpm), and seconds until the speed stands."""
    if running_s is None:
        return np.nan, np.nan
    time = view.time
    still = states.running & states.at_rest & states.pedal_released
    early = still & (time >= running_s) & (time < running_s + FLARE_S)
    later = still & (time >= running_s + SETTLED_S[0]) & (time < running_s + SETTLED_S[1])
    if early.sum() < 3 or later.sum() < 3 or np.ptp(time[later]) < 5.0:
        return np.nan, np.nan
    level = float(np.median(states.rpm[later]))
    flare = float(np.max(states.rpm[early])) - level
    window = (time >= running_s) & (time < running_s + SETTLED_S[1])
    off = window & (np.abs(states.rpm - level) > max(60.0, 0.07 * level))
    steady = float(time[off][-1]) - running_s if off.any() else 0.0
    return flare, steady


def _limit_s(view: View, crank: Crank) -> float:
    limit = view.limits.hard_start_s
    if np.isfinite(crank.temperature):
        limit += view.limits.hard_start_cold_s_per_10k * max(0.0, -crank.temperature) / 10.0
    return limit


def _judge_crank(view: View, crank: Crank) -> Finding | None:
    limit = _limit_s(view, crank)
    gaps = [b[0] - a[1] for a, b in zip(crank.tries[:-1], crank.tries[1:], strict=True)]
    again = sum(gap <= view.limits.start_retry_s for gap in gaps)
    long = crank.longest > limit
    if not long and not again:
        return None
    # The edge of cranking is known to one row: how sure the limit is passed follows from that.
    margin = (crank.longest - limit) / max(crank.resolution_s, 0.05)
    sure = 0.97 if again else float(np.clip(0.6 + 0.2 * margin, 0.6, 0.97))
    if not np.isfinite(crank.volts) and not np.isfinite(crank.rpm):
        sure = min(sure, 0.7)
    low_volts = crank.volts < LOW_CRANKING_V
    slow = crank.rpm < LOW_CRANKING_RPM
    what = (
        f"{again + 1} tries within {view.limits.start_retry_s:.0f} s"
        if again
        else f"{crank.longest:.1f} s of cranking"
    )
    return Finding(
        kind="hard_start",
        severity="watch",
        confidence=rounded(sure, 3),
        start_s=crank.start_s,
        end_s=crank.end_s,
        title="The engine was hard to start",
        detail=(
            f"{what} ({crank.seconds:.1f} s together) in a {crank.kind} start"
            + (f" at {crank.temperature:.0f} °C coolant" if np.isfinite(crank.temperature) else "")
            + f"; up to {limit:.1f} s in one try is usual."
            + spin_words(crank, low_volts, slow)
        ),
        step=1,
        channels=["engine_speed", *(["battery_voltage"] if np.isfinite(crank.volts) else [])],
        evidence=evidence(
            cranking_time=(crank.seconds, "s"),
            longest_try=(crank.longest, "s"),
            usual_limit=(limit, "s"),
            tries=(float(len(crank.tries)), "1"),
            cranking_speed=(crank.rpm, "rpm"),
            lowest_voltage=(crank.volts, "V"),
            coolant=(crank.temperature, "degC"),
        ),
        likely_causes=causes(crank, low_volts, slow),
        next_checks=checks(),
    )


def _metrics(first: Crank, caught: Crank | None, cylinders: int) -> dict[str, Metric]:
    step = first.resolution_s
    # The first firing shows in the speed up to one firing interval later: 120 / (N rpm) s.
    late = 120.0 / (cylinders * first.rpm) if np.isfinite(first.rpm) else 0.0
    found = {"start_tries": metric(float(len(first.tries)), "1")}
    if caught is first:
        least = max(0.0, first.seconds - step - late)
        middle = max(least, first.seconds - 0.5 * late)
        found["cranking_time_s"] = metric(middle, "s", least, first.seconds + step)
    found["cranking_speed_rpm"] = metric(first.rpm, "rpm")
    found["cranking_voltage_min_v"] = metric(first.volts, "V")
    if caught is not None:
        found["flare_rpm"] = metric(caught.flare, "rpm")
    return found


def _figures(view: View, states: States, cranks: Sequence[Crank]) -> list[Figure]:
    first = cranks[0]
    time = view.time
    pick = (time >= first.start_s - 4.0) & (time <= first.end_s + 15.0)
    panels = [Panel(title="Engine speed", unit="rpm",
                    lines=[line("engine speed", time[pick], states.rpm[pick])])]  # fmt: skip
    for name, title, unit in (
        ("battery_voltage", "Battery voltage", "V"),
        ("manifold_pressure", "Manifold pressure", "kPa"),
    ):
        values = view.get(name)
        if values is not None and _any(values, pick):
            panels.append(Panel(title=title, unit=unit,
                                lines=[line(title.lower(), time[pick], values[pick])]))  # fmt: skip
    marks = [Mark(label="starter engaged", x=rounded(a, 6)) for a, _ in first.tries]
    if first.running_s is not None:
        marks.append(Mark(label="first firing", x=rounded(first.running_s, 6)))
    curve = Panels(
        id="start-course",
        title="The first start",
        caption="Speed and voltage round the first start. The voltage drops when the starter is "
        "engaged and comes back when the engine fires; the lowest point lies between samples.",
        panels=panels,
        marks=marks,
    )
    columns = [
        Column(title="at", unit="s"),
        Column(title="start"),
        Column(title="coolant", unit="degC", digits=0),
        Column(title="cranked", unit="s"),
        Column(title="tries", unit="1", digits=0),
        Column(title="speed", unit="rpm", digits=0),
        Column(title="lowest", unit="V"),
        Column(title="flare", unit="rpm", digits=0),
        Column(title="steady after", unit="s"),
        Column(title="pressure drop", unit="kPa", digits=0),
        Column(title="throttle before", unit="%", digits=0),
    ]
    rows: list[list[str | float | None]] = [
        [_cell(c.start_s), c.kind, _cell(c.temperature), _cell(c.seconds), float(len(c.tries)),
         _cell(c.rpm), _cell(c.volts), _cell(c.flare), _cell(c.steady_after_s),
         _cell(c.pressure_drop), _cell(c.throttle)]
        for c in cranks[:12]
    ]  # fmt: skip
    table = TableFigure(
        id="start-table",
        title="Starts in this log",
        caption="One row per start. Flare is the peak speed over the idle that follows.",
        columns=columns,
        rows=rows,
    )
    return [curve, table]


def _cell(value: float) -> float | None:
    return rounded(value, 4) if np.isfinite(value) else None


def _any(values: Floats, mask: Bools) -> bool:
    return bool(np.isfinite(values[mask]).any())


def _median(values: Floats | None, mask: Bools) -> float:
    if values is None or not _any(values, mask):
        return float("nan")
    return float(np.nanmedian(values[mask]))
