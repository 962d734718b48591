"""What the parts of the sensor check share: the suspect, and blocks of time to look at."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from pipeline.signals.blocks import blocks_by

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.intp]

#: Samples, and triples of them, from which on a median of the scatter is worth something.
LEAST_SAMPLES, LEAST_TRIPLES = 60, 50
BLOCK_S = 5.0  # long enough for a mean, short enough to date a fault


@dataclass(frozen=True, kw_only=True)
class Suspect:
    """A sensor fault before it becomes a finding; evidence as name to (value, unit)."""

    channels: tuple[str, ...]
    mode: str
    start_s: float
    end_s: float
    confidence: float
    seen: str
    evidence: Mapping[str, tuple[float, str]] = field(default_factory=dict)
    in_boost: bool = False


@dataclass(frozen=True)
class Blocks:
    """Low, middle and high (5, 50, 95 %) of a channel in blocks of BLOCK_S, NaN where empty."""

    start_s: Floats
    low: Floats
    middle: Floats
    high: Floats


def block_index(time: Floats) -> Ints:
    """Block of every row (n,)."""
    return blocks_by(time, BLOCK_S)


def blocks_of(time: Floats, values: Floats, use: Bools) -> Blocks:
    """Summarise the rows in ``use`` by block; a block needs two of them."""
    index = block_index(time)
    count = int(index[-1]) + 1
    out = np.full((3, count), np.nan)
    rows = np.flatnonzero(use & np.isfinite(values))
    if rows.size:
        keys, known = index[rows], values[rows]
        edges = np.searchsorted(keys, np.arange(count + 1))
        first, size = edges[:-1], np.diff(edges)
        full = size >= 2
        ordered = _sorted_within(known, keys, first, size)
        for row, share in enumerate((0.05, 0.5, 0.95)):
            at = first[full] + (share * (size[full] - 1)).astype(np.intp)
            out[row, full] = ordered[at]
    starts = time[0] + BLOCK_S * np.arange(count)
    return Blocks(starts, out[0], out[1], out[2])


def _sorted_within(values: Floats, keys: Ints, first: Ints, size: Ints) -> Floats:
    """Sort values (n,) within their blocks; many short sorts cost a tenth of one of everything."""
    longest = int(size.max())
    if longest * size.size > 4 * values.size + 100_000:  # a few full blocks among empty ones
        return np.asarray(values[np.lexsort((values, keys))])
    place = np.arange(values.size) - first[keys]
    square = np.full((size.size, longest), np.inf)
    square[keys, place] = values
    square.sort(axis=1)
    return np.asarray(square[keys, place])


def local_noise(time: Floats, values: Floats, use: Bools, longest_s: float = 0.5) -> float:
    """Noise of neighbouring fresh samples in ``use``: robust size of their second difference.

    A straight line through three samples leaves noise alone: sd(second difference) = 2.45 sd.
    NaN with fewer than 50 triples that lie within ``longest_s``.
    """
    one = np.zeros(time.size, dtype=np.intp)
    return float(local_noise_by(time, values, use, one, 1, longest_s)[0])


def local_noise_by(
    time: Floats, values: Floats, use: Bools, block: Ints, count: int, longest_s: float
) -> Floats:
    """Noise as :func:`local_noise` gives it, of the rows of each block alone, (count,).

    block (n,): number of each row's block, rising, below ``count``.
    """
    rows = np.flatnonzero(use & np.isfinite(values))
    enough = np.bincount(block[rows], minlength=count) >= LEAST_SAMPLES
    noise = np.where(enough, 0.0, np.nan)
    fresh = np.ones(rows.size, dtype=bool)
    fresh[1:] = (np.diff(values[rows]) != 0.0) | (np.diff(block[rows]) != 0)
    rows = rows[fresh]
    of = block[rows]
    moves = enough & (np.bincount(of, minlength=count) >= LEAST_SAMPLES)
    y, t = values[rows], time[rows]
    close = (t[2:] - t[:-2] <= longest_s) & (of[2:] == of[:-2]) & moves[of[2:]]
    second = np.abs(y[2:] - 2.0 * y[1:-1] + y[:-2])[close]
    of = of[2:][close]
    edges = np.searchsorted(of, np.arange(count + 1))
    size = np.diff(edges)
    noise[moves] = np.nan
    told = np.flatnonzero(moves & (size >= LEAST_TRIPLES))
    if told.size:
        first = edges[:-1]
        ordered = _sorted_within(second, of, first, size)
        middle = ordered[first[told] + (size[told] - 1) // 2]
        noise[told] = 0.5 * (middle + ordered[first[told] + size[told] // 2])
    return np.asarray(noise / 0.6745 / np.sqrt(6.0), dtype=np.float64)


def mean_between(time: Floats, total: Floats, count: Floats, begin: Floats, end: Floats) -> Floats:
    """Mean of a channel between times, from its running sums (n + 1,); NaN where empty."""
    a, b = np.searchsorted(time, begin), np.searchsorted(time, end)
    n = count[b] - count[a]
    return np.where(n > 0, (total[b] - total[a]) / np.maximum(n, 1), np.nan)


def running_sums(values: Floats) -> tuple[Floats, Floats]:
    """Sums and counts of the finite values before each row, each (n + 1,)."""
    known = np.isfinite(values)
    total = np.concatenate([[0.0], np.cumsum(np.where(known, values, 0.0))])
    return total, np.concatenate([[0.0], np.cumsum(known)]).astype(np.float64)


def middle_of(values: Floats | None, rows: Bools | None) -> float | None:
    """Median of a channel in ``rows`` (all for None); None with fewer than five values."""
    if values is None:
        return None
    picked = values if rows is None else values[rows]
    picked = picked[np.isfinite(picked)]
    return float(np.median(picked)) if picked.size >= 5 else None


def offset_suspect(
    time: Floats, name: str, off: float, unit: str, sure: float, seen: str
) -> Suspect:
    """Suspect of one channel that is off by a fixed amount over the whole log."""
    return Suspect(channels=(name,), mode="offset", start_s=float(time[0]), end_s=float(time[-1]),
                   confidence=sure, seen=seen, evidence={"offset": (off, unit)})  # fmt: skip
