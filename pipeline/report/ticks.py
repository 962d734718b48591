"""Round ticks for axes drawn into static charts."""

import math
from collections.abc import Sequence

#: Steps people count time in, s.
_TIME_STEPS = (0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400,
               43200, 86400)  # fmt: skip


def linear(low: float, high: float, count: int) -> list[float]:
    """About ``count`` multiples of 1, 2 or 5 times a power of ten within low..high."""
    span = high - low
    if not span > 0 or not math.isfinite(span):
        return [low]
    rough = span / max(count, 1)
    power = 10.0 ** math.floor(math.log10(rough))
    steps = [power * m for m in (0.5, 1, 2, 5, 10)]
    at = next(i for i, step in enumerate(steps) if step >= rough * 0.999)
    found = _multiples(low, high, steps[at])
    # A single label gives no scale.
    return found if len(found) > 1 or at == 0 else _multiples(low, high, steps[at - 1])


def time(low: float, high: float, count: int) -> list[float]:
    """About ``count`` times within low..high, on steps people count time in."""
    rough = (high - low) / max(count, 1)
    step = next((s for s in _TIME_STEPS if s >= rough * 0.999), _TIME_STEPS[-1])
    return _multiples(low, high, step)


def _multiples(low: float, high: float, step: float) -> list[float]:
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [i * step for i in range(first, min(last, first + 40) + 1)]


def domain(values: Sequence[float]) -> tuple[float, float]:
    """Range that holds all values with a little room; never empty."""
    low, high = min(values), max(values)
    room = 0.06 * (high - low) or max(abs(high) * 0.05, 0.5)
    return low - room, high + room


def decimals(ticks: Sequence[float]) -> int:
    """Decimals that tell the ticks apart."""
    if len(ticks) < 2:
        return 0 if not ticks or abs(ticks[0]) >= 10 else 1
    step = abs(ticks[1] - ticks[0])
    return max(0, min(6, -math.floor(math.log10(step) + 1e-9)))
