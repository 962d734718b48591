"""What the search for the exhaust's delay looks at: the liveliest rows, and dated fuel cuts."""

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np

from pipeline.facts.mixture_inputs import MixtureInputs
from pipeline.signals import segments
from pipeline.signals.lag import look_back
from pipeline.signals.segments import Floats, Ints

#: Seconds of log, in parts of PART_S, that the search looks at: those in which fuel moves most. At
#: the edges of a part, s before and after are left out: film and slopes begin anew there.
PARTS_S, PART_S = 480.0, 12.0
EDGES_S = (1.5, 0.7)
#: Standard deviation of a fuel cut's date beside the row interval, s.
CUT_SD_S = 0.012


def with_load(inputs: MixtureInputs, litres: float) -> MixtureInputs:
    """An air meter's flow as the pressure that would fill the cylinders so, where none is logged.

    The table's axis need not be right in kPa here: it only has to part loads.
    """
    if inputs.pressure_logged or inputs.flow_source != "meter":
        return inputs
    kelvin = np.nan_to_num(inputs.intake_c, nan=25.0) + 273.15
    swept = 0.85 * litres * np.maximum(inputs.rpm, 300.0) / 120.0 * 1000.0
    return replace(inputs, pressure=inputs.flow * 287.05 * kelvin / swept, pressure_logged=True)


def lively(time: Floats, inputs: MixtureInputs) -> tuple[Ints, MixtureInputs]:
    """Rows (k,) of the stretches in which the fuel asked for moves most, and their inputs.

    Hours of steady road say nothing of a delay and cost most of the time. What the rows before a
    stretch would have to tell (delays, lags, films) is not judged: its edges are not ``settled``.
    """
    size = int(time[-1] / PART_S) + 1
    most = int(PARTS_S / PART_S)
    if size <= most:
        return np.arange(time.size), inputs
    number = (time / PART_S).astype(np.int64)
    asked = np.log(inputs.flow / np.nan_to_num(inputs.target, nan=1.0))
    moves = np.minimum(np.abs(np.diff(asked, prepend=asked[:1])), 0.1)
    use = inputs.fuelled & inputs.measured & inputs.settled
    energy = np.bincount(number, weights=moves * use, minlength=size)
    chosen = np.zeros(size, dtype=bool)
    chosen[np.argsort(-energy, kind="stable")[:most]] = True
    rows = np.flatnonzero(chosen[number])
    t = time[rows]
    apart = np.diff(rows, prepend=-2) > 1
    first, part = np.flatnonzero(apart), np.cumsum(apart) - 1
    begin, end = t[first][part], t[np.append(first[1:], t.size) - 1][part]
    inner = (t - begin > EDGES_S[0]) & (end - t > EDGES_S[1])
    arrays: dict[str, Any] = {
        f.name: value[rows]
        for f in fields(inputs)
        if isinstance(value := getattr(inputs, f.name), np.ndarray)
    }
    arrays["settled"] &= inner
    return rows, replace(inputs, **arrays)


@dataclass(frozen=True, eq=False)
class Cuts:
    """Fuel cuts with a dated answer of the reading: seconds to the answer, speed and flow (c,)."""

    answer_s: Floats
    rpm: Floats
    flow_l_s: Floats
    spread_s: float


#: The reading has to leave its level by this share of richness to count as an answer. With a film
#: that feeds on after the cut, a lag's output is this far after about 0.14 of its time constant.
CUT_DROP = 0.10
CUT_LAG_SHARE = 0.14


def cut_dates(time: Floats, inputs: MixtureInputs, flow: Floats) -> Cuts:
    """Date each fuel cut in the log (by the injectors) and the reading's first answer to it."""
    none = Cuts(np.zeros(0), np.zeros(0), np.zeros(0), 1.0)
    if not inputs.cut_known:
        return none
    starts, ends = segments.runs(inputs.cut)
    seconds = segments.run_times(time, starts, ends)
    fresh = np.flatnonzero(inputs.fresh & np.isfinite(inputs.reading))
    if fresh.size < 50:
        return none
    t, richness = time[fresh], 1.0 / inputs.reading[fresh]
    dates: list[float] = []
    answers: list[float] = []
    clear = inputs.fuelled & inputs.settled
    for a in starts[seconds > 0.8]:
        if a < 2 or not clear[max(a - 5, 0) : a].all():
            continue
        if inputs.pulse_ms[a - 1] < 0.5 * inputs.pulse_ms[a - 2]:
            a -= 1  # a pulse that was cut short: the state follows a row later
        cut = 0.5 * (time[a] + time[a - 1])
        i, j = np.searchsorted(t, [cut - 0.2, cut + 1.5])
        k = int(np.searchsorted(t, cut))
        if k - i < 2 or j - k < 3:
            continue
        level = float(np.median(richness[i:k]))
        if abs(richness[k - 1] - level) > 0.04 * level:
            continue  # already on its way: the closing throttle, not the cut
        below = np.flatnonzero(richness[k:j] < level * (1.0 - CUT_DROP))
        if not below.size or k + below[0] < 1 or not 0.6 < level < 1.5:
            continue
        b = k + int(below[0])
        high, low, want = richness[b - 1], richness[b], level * (1.0 - CUT_DROP)
        part = np.clip((high - want) / max(high - low, 1e-9), 0.0, 1.0)
        dates.append(cut)
        answers.append(float(t[b - 1] + part * (t[b] - t[b - 1]) - cut))
    interval = max(inputs.update_s, float(np.median(np.diff(time))))
    at = np.array(dates)
    return Cuts(
        answer_s=np.array(answers),
        rpm=look_back(time, np.nan_to_num(inputs.rpm), at),
        flow_l_s=look_back(time, flow, at + 0.1),
        spread_s=float(np.hypot(CUT_SD_S, 0.35 * interval)),
    )
