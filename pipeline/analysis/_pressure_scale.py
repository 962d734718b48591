"""What the mixture says of the pressure it is metered by: part of the gauge pressure, an offset.

A leaking or kinked hose shows only part of the gauge pressure.

The controller meters by what it reads. Reading k of the true gauge pressure it sees more than there
is below the barometer (rich) and less above it (lean): lambda error = log(true / read), where
true = barometer + (read - barometer) / k. No other fault bends the error that way and that far.
"""

import numpy as np

from pipeline.analysis._suspects import Floats, Suspect
from pipeline.facts.mixture_inputs import MixtureInputs

BIN_KPA, BIN_ROWS = 6.0, 40
TRIED = np.arange(0.6, 1.121, 0.01)
OFFSETS_KPA = np.arange(-20.0, 15.1, 0.25)
#: Largest share k called a fault; an unreferenced regulator bends the error like 0.96.
SHARE_AT_MOST = 0.935
LEFT_OVER = 0.3  # squared error left, against an honest sensor (k = 1)
VACUUM_RICH = -0.10  # mean log error below 0.6 of the barometer: no finished table is so far off
SETTLED_S = 60.0
LEAST_KPA = 18.0  # deeper vacuum is overrun


def by_pressure(m: MixtureInputs) -> tuple[Floats, Floats, Floats] | None:
    """Pressure read in kPa, log error of the mixture and weight, by bin; None with too little."""
    if not m.pressure_logged or m.target_source in ("none", "loop"):
        return None
    error = np.log(m.reading / m.target) + np.log(m.trim)
    use = m.fuelled & m.settled & m.measured & ~m.cut & np.isfinite(error)
    use &= (m.since_start_s > SETTLED_S) & (m.pressure > LEAST_KPA)
    p, e = m.pressure[use], error[use]
    if p.size < 400:
        return None
    index = (p // BIN_KPA).astype(np.int16)  # numpy sorts these by their digits
    order = np.argsort(index, kind="stable")
    edges = np.flatnonzero(np.diff(index[order])) + 1
    kept = [rows for rows in np.split(order, edges) if rows.size >= BIN_ROWS]
    if len(kept) < 5:
        return None
    read = np.array([np.median(p[rows]) for rows in kept])
    seen = np.array([np.median(e[rows]) for rows in kept])
    counts = np.array([float(rows.size) for rows in kept])
    return read, seen, np.sqrt(np.minimum(counts, 1500.0))


def offset_by_mixture(bins: tuple[Floats, Floats, Floats]) -> float:
    """kPa by which a pressure that fuel is metered by reads high, as the mixture has it.

    Fuel follows the reading p, air the truth p - offset: log error = constant + log(1 - offset /
    p). Wrong dead times bend the mixture much the same way: this alone proves nothing.
    """
    read, seen, weight = bins
    left = seen[None, :] - np.log(1.0 - OFFSETS_KPA[:, None] / read[None, :])
    left = left - (left * weight).sum(axis=1, keepdims=True) / weight.sum()
    return float(OFFSETS_KPA[int(np.argmin((weight * left**2).sum(axis=1)))])


def part_of_gauge(time: Floats, air: float, bins: tuple[Floats, Floats, Floats]) -> list[Suspect]:
    """Find the share of the gauge pressure that fits the mixture best, and tell it if it is low.

    air: barometer in kPa; bins: of :func:`by_pressure`.
    """
    read, seen, weight = bins
    true = np.maximum(air + (read[None, :] - air) / TRIED[:, None], 3.0)
    left = seen[None, :] - np.log(true / read[None, :])
    left = left - (left * weight).sum(axis=1, keepdims=True) / weight.sum()
    cost = (weight * left**2).sum(axis=1)
    best = int(np.argmin(cost))
    honest = float(cost[int(np.argmin(np.abs(TRIED - 1.0)))])
    vacuum, boost = read < 0.6 * air, read > air + 5.0
    if not vacuum.any() or honest <= 0.0:
        return []
    rich = float(seen[vacuum].mean())
    lean = float(seen[boost].mean()) if boost.any() else None
    share = float(TRIED[best])
    if share > SHARE_AT_MOST or cost[best] > LEFT_OVER * honest or rich > VACUUM_RICH:
        return []
    if lean is not None and lean < -0.02:
        return []  # rich on both sides of the barometer is an offset, not a share
    tail = "" if lean is None else f" and {100 * lean:+.0f} % above it"
    shown: dict[str, tuple[float, str]] = {"share_of_gauge": (share, "1"),
                                           "error_in_vacuum": (100 * rich, "%")}  # fmt: skip
    if lean is not None:
        shown["error_in_boost"] = (100 * lean, "%")
    return [Suspect(
        channels=("manifold_pressure",), mode="scale", start_s=float(time[0]),
        end_s=float(time[-1]), confidence=0.85 if lean is not None else 0.75,
        seen=f"the mixture is {100 * rich:+.0f} % off in vacuum{tail}, as when the sensor sees "
        f"{100 * share:.0f} % of the gauge pressure: look at the hose to it",
        evidence=shown,
    )]  # fmt: skip
