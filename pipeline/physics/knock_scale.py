"""What is known of a vehicle's scale on the ignition delay, from running that was quiet or knocked.

Bayes on a grid of x = ln(scale / table's scale). Prior: normal, 95 % within a factor 1.5 either
way. Running that a knock channel called quiet makes scales unlikely under which it would have
knocked, and the other way round.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_ndtr

from pipeline.physics.knock import DELAY_SCALE_FACTOR

FloatArray = NDArray[np.float64]

#: Standard deviation of the prior.
PRIOR_SIGMA = float(np.log(DELAY_SCALE_FACTOR)) / 1.96
GRID = np.linspace(-1.2, 1.2, 241)
#: deg by which a single zone's margin may be off for reasons other than the scale.
ZONE_SIGMA_DEG = 2.0
#: Zones that count: the most telling ones; more of them say the same thing again.
MOST_ZONES = 3


@dataclass(frozen=True)
class Scale:
    """Mean and standard deviation of x, and whether any running spoke."""

    mean: float
    sigma: float
    learned: bool


PRIOR = Scale(0.0, PRIOR_SIGMA, False)


def estimate(quiet: Sequence[tuple[float, float]], knocked: Sequence[tuple[float, float]]) -> Scale:
    """Posterior from (margin in deg at the table's scale, slope in 1/deg) of zones.

    quiet: zones a working knock channel called quiet; knocked: margins at the onset of knock.
    """
    log_weight = -0.5 * (GRID / PRIOR_SIGMA) ** 2
    chosen_quiet = sorted(quiet)[:MOST_ZONES]
    chosen_knocked = sorted(knocked, reverse=True)[:MOST_ZONES]
    for margin, slope in chosen_quiet:
        log_weight = log_weight + log_ndtr((margin + GRID / slope) / ZONE_SIGMA_DEG)
    for margin, slope in chosen_knocked:
        log_weight = log_weight + log_ndtr(-(margin + GRID / slope) / ZONE_SIGMA_DEG)
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    mean = float((weight * GRID).sum())
    sigma = float(np.sqrt((weight * (GRID - mean) ** 2).sum()))
    return Scale(mean, sigma, bool(chosen_quiet or chosen_knocked))
