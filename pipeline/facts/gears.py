"""Gears found by clustering engine speed over road speed; numbered among those seen."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.meta import FactMeta
from pipeline.session import NotAvailableError, View
from pipeline.signals import segments
from pipeline.signals.segments import Floats

META = FactMeta(
    summary="gear ratios (engine speed over road speed) and the gear of every row",
    version=1,
    needs=("engine_speed", "vehicle_speed"),
)

#: Rows that can tell a gear: moving and off idle, where a clutch is not slipping as a rule.
LEAST_KMH = 12.0
LEAST_RPM = 900.0
#: Bins of ln(ratio): a third of the spread that a 1 km/h step gives at 60 km/h.
BIN = 0.005
#: Half width of a gear in ln(ratio): gears lie 15 % and more apart, tyres and steps spread 3 %.
HALF_WIDTH = 0.045
#: s a gear has to be driven in before it is believed, and its share of the moving time.
LEAST_S = 3.0
LEAST_SHARE = 0.004
MOST_GEARS = 8


@dataclass(frozen=True, eq=False)
class Gears:
    """Gears of a session.

    ratios: (g,), rpm per km/h, highest (shortest gear) first. seconds: (g,), time in each.
    code: int8 (n,), index into ratios, -1 where none. speed_kmh: (n,), road speed with its
    updates joined by straight lines.
    """

    ratios: Floats
    seconds: Floats
    code: NDArray[np.int8]
    speed_kmh: Floats

    def name(self, index: int) -> str:
        """A gear in words: its number among those seen and its ratio."""
        if index < 0:
            return "unknown gear"
        return f"gear {index + 1} of {self.ratios.size} seen"


def compute(view: View) -> Gears:
    """Cluster ln(rpm / speed) by its histogram's peaks."""
    time = view.time
    rpm = segments.hold(time, view.channel("engine_speed"), seconds=1.0)
    speed = joined(time, view.channel("vehicle_speed"))
    use = (rpm > LEAST_RPM) & (speed > LEAST_KMH)
    if np.count_nonzero(use) < 20:
        raise NotAvailableError("the car was not driven long enough to tell its gears")
    step = np.minimum(np.gradient(time), 1.0)
    ratio = np.full(time.size, np.nan)
    ratio[use] = np.log(rpm[use] / speed[use])
    low, high = np.log(8.0), np.log(400.0)
    counts, edges = np.histogram(
        ratio[use], bins=int((high - low) / BIN), range=(low, high), weights=step[use]
    )
    kernel = np.exp(-0.5 * (np.arange(-9, 10) * BIN / 0.015) ** 2)
    smooth = np.convolve(counts, kernel / kernel.sum(), mode="same")
    centres = _peaks(smooth, 0.5 * (edges[1:] + edges[:-1]), counts)
    code = np.full(time.size, -1, dtype=np.int8)
    found: list[tuple[float, float]] = []
    for centre in centres:
        near = np.abs(ratio - centre) < HALF_WIDTH
        seconds = float(step[near].sum())
        if seconds >= max(LEAST_S, LEAST_SHARE * float(step[use].sum())):
            found.append((float(np.median(ratio[near])), seconds))
    found.sort(reverse=True)
    for index, (centre, _) in enumerate(found[:MOST_GEARS]):
        code[np.abs(ratio - centre) < HALF_WIDTH] = index
    return Gears(
        np.exp(np.array([f[0] for f in found[:MOST_GEARS]])),
        np.array([f[1] for f in found[:MOST_GEARS]]),
        code,
        speed,
    )


def _peaks(smooth: Floats, centres: Floats, counts: Floats) -> list[float]:
    """Local maxima that stand out of what lies between gears, strongest first."""
    inner = (smooth[1:-1] >= smooth[:-2]) & (smooth[1:-1] > smooth[2:])
    candidates = np.flatnonzero(inner) + 1
    order = candidates[np.argsort(-smooth[candidates], kind="stable")]
    width = round(2.5 * HALF_WIDTH / BIN)
    near = round(HALF_WIDTH / BIN)
    chosen: list[int] = []
    for k in order:
        if any(abs(k - c) < width for c in chosen):
            continue
        inside = counts[max(k - near, 0) : k + near + 1].sum()
        around = counts[max(k - 3 * near, 0) : k + 3 * near + 1].sum() - inside
        # Twice as dense as its surroundings: clutch and shifts spread thin.
        if inside > 2.0 * 0.5 * around or inside > 0.5 * counts.sum():
            chosen.append(int(k))
        if len(chosen) >= MOST_GEARS:
            break
    return [float(centres[k]) for k in chosen]


def joined(time: Floats, values: Floats) -> Floats:
    """Held readings joined by straight lines between their updates; NaN beyond 3 s without one.

    time, values: (n,). A value that repeats is a held one only where the channel is slower than
    the log; a repeated last value of a run is kept, so that a constant speed stays constant.
    """
    good = np.flatnonzero(np.isfinite(values))
    if good.size < 2:
        return np.full(time.size, np.nan)
    v = values[good]
    fresh = np.r_[True, v[1:] != v[:-1]]
    # A long hold is a constant speed: keep its rows once a second.
    age = np.floor(time[good])
    fresh |= np.r_[True, age[1:] != age[:-1]]
    fresh[-1] = True
    at = good[fresh]
    out = np.interp(time, time[at], values[at], left=np.nan, right=np.nan)
    gap = np.r_[np.diff(time[at]), 0.0]
    place = np.searchsorted(time[at], time, side="right") - 1
    wide = (place >= 0) & (gap[np.maximum(place, 0)] > 3.0)
    out[wide & ~np.isfinite(values)] = np.nan
    return out
