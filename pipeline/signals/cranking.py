"""How alike the cylinders brake the starter: the crank's half orders in a cranking speed.

At 150-250 rpm half the crank's order is 1.3-2.1 Hz: inside the Nyquist rate even of 8 Hz. A
cylinder that seals badly brakes less, once in two turns. Relative only: how much a given loss of
compression shows depends on starter, battery and inertia.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import betaincinv

from pipeline.signals.order_tracking import cycle_phase, distinguishable_orders, f_tail

FloatArray = NDArray[np.float64]

#: Engine cycles (two turns) and free readings below which a half order cannot be told from noise.
LEAST_CYCLES = 3.0
LEAST_FREEDOM = 8
#: Of a cycle: orders closer than this in the log are blind to each other.
RESOLUTION_CYCLES = 0.5


@dataclass(frozen=True)
class Evenness:
    """Half-order amplitude in % of the mean speed with its 95 % interval, and its chance.

    p: probability of so great an amplitude by noise alone (F test). cycles: engine cycles
    watched. speed_rpm: their mean speed.
    """

    amplitude_pct: float
    low_pct: float
    high_pct: float
    p: float
    cycles: float
    speed_rpm: float


def evenness(time_s: FloatArray, speed_rpm: FloatArray, *, cylinders: int) -> Evenness | None:
    """Fit the half orders to one try's speed; None where it is too short or the order is blind.

    time_s, speed_rpm: (n,), finite, fresh readings only. A constant, a slope and a bend take the
    starter's own course; sines at every order that this rate can tell apart take the rest. Source:
    F test of nested least-squares fits (any textbook of regression).
    """
    if time_s.size < LEAST_FREEDOM + 5:
        return None
    cycles = cycle_phase(time_s, speed_rpm)
    total = float(cycles[-1])
    mean = float(speed_rpm.mean())
    rate = 1.0 / float(np.median(np.diff(time_s)))
    if total < LEAST_CYCLES or mean <= 0:
        return None
    orders = distinguishable_orders(
        speed_rpm=mean, cylinders=cylinders, rate_hz=rate,
        resolution_hz=RESOLUTION_CYCLES * mean / 120.0 / LEAST_CYCLES,
    )  # fmt: skip
    if orders.get(0.5) != "":
        return None
    t = (time_s - time_s.mean()) / max(float(np.ptp(time_s)), 1e-9)
    own = [np.cos(2 * np.pi * cycles), np.sin(2 * np.pi * cycles)]
    rest = [np.ones_like(t), t, t * t]
    for order, blind in orders.items():
        # Orders above half the rate come back folded: with their phase known they still fit.
        if order > 0.5 and not blind:
            rest += [np.cos(4 * np.pi * order * cycles), np.sin(4 * np.pi * order * cycles)]
    freedom = time_s.size - len(own) - len(rest)
    if freedom < LEAST_FREEDOM:
        return None
    design = np.stack(own + rest, axis=1)
    values, *_ = np.linalg.lstsq(design, speed_rpm, rcond=None)
    left = float(np.sum((speed_rpm - design @ values) ** 2))
    without, *_ = np.linalg.lstsq(design[:, 2:], speed_rpm, rcond=None)
    more = float(np.sum((speed_rpm - design[:, 2:] @ without) ** 2))
    noise = max(left / freedom, 1e-12)
    ratio = max(more - left, 0.0) / 2.0 / noise
    amplitude = float(np.hypot(values[0], values[1]))
    # Radius of the 95 % confidence circle of cosine and sine: their covariance is about
    # 2 noise / n each, and twice the F quantile with (2, freedom).
    x = float(betaincinv(1.0, freedom / 2.0, 0.95))
    quantile = x / (1.0 - x) * freedom / 2.0
    radius = float(np.sqrt(2.0 * quantile * 2.0 * noise / time_s.size))
    scale = 100.0 / mean
    return Evenness(
        amplitude_pct=scale * amplitude, low_pct=scale * max(0.0, amplitude - radius),
        high_pct=scale * (amplitude + radius), p=f_tail(ratio, 2.0, float(freedom)),
        cycles=total, speed_rpm=mean,
    )  # fmt: skip
