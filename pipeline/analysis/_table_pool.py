"""Several sessions' estimates of one table put together, point by point and level by level.

What a session has of its own (fuel batch, supply, the thermometer's and the pump's day) moves all
its points alike. One session cannot tell that from the table; several show how large it is.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.signals.segments import Floats, Ints

#: Standard deviation of a session's own constant, as a logarithm, before sessions are compared: a
#: third of a percent. Choice, borne out by simulated drives.
SESSION_SD = 0.003
#: As many sessions' worth of evidence is that figure given. Choice.
SESSION_PRIOR = 1.0
#: So many further degrees of freedom say that a point scatters between sessions as its intervals
#: explain: by itself, how far two numbers lie apart hardly measures their doubt. Choice.
SCATTER_PRIOR = 1.0
#: Points that several sessions must know before their levels are compared: one point that two
#: sessions see differently is scatter.
LEAST_SHARED = 8


@dataclass(frozen=True, eq=False)
class Pool:
    """Over the known points ``cells`` (m,): mean, sd, seconds and target (m,); see FuelPoint.

    sd holds the sessions' own constants. session_sd: their standard deviation as found.
    """

    cells: Ints
    mean: Floats
    sd: Floats
    seconds: Floats
    target: Floats
    session_sd: float


def pool(parts: Sequence[Mapping[str, Any]], size: int) -> Pool:
    """Combine sessions by their precision (inverse variance), each freed of its own constant.

    parts: digests of the fuel table over one grid of ``size`` points; their ``sd`` is without the
    session's constant. The scatter of a point between sessions widens its interval where it is
    larger than the intervals explain (Birge ratio, 1932, by name), drawn towards one.
    """
    number = len(parts)
    mean, weight = np.zeros((number, size)), np.zeros((number, size))
    seconds, target = np.zeros((number, size)), np.zeros((number, size))
    for k, part in enumerate(parts):
        cells = np.array(part["cells"], dtype=np.int64)
        mean[k, cells] = part["mean"]
        weight[k, cells] = np.maximum(np.array(part["sd"], dtype=np.float64), 1e-4) ** -2.0
        seconds[k, cells], target[k, cells] = part["seconds"], part["target"]
    total = weight.sum(axis=0)
    known = np.flatnonzero(total > 0)
    mean, weight, total = mean[:, known], weight[:, known], total[known]
    own, session_sd = _constants(mean, weight, total)
    mean = mean - own[:, None]
    middle = (weight * mean).sum(axis=0) / total
    scatter = (weight * (mean - middle) ** 2).sum(axis=0)
    freedom = np.count_nonzero(weight, axis=0) - 1
    birge = np.maximum((SCATTER_PRIOR + scatter) / (SCATTER_PRIOR + freedom), 1.0)
    evidence = seconds[:, known].sum(axis=0)
    aim = (seconds * target)[:, known].sum(axis=0) / np.maximum(evidence, 1e-9)
    sd = np.sqrt(birge / total + session_sd**2 / number)
    return Pool(known, middle, sd, evidence, aim, session_sd)


def _constants(mean: Floats, weight: Floats, total: Floats) -> tuple[Floats, float]:
    """Each session's own constant (k,) against the others', and their standard deviation.

    Over the points that several sessions know, and drawn towards nothing by what those cannot tell
    (random effects). The constants add up to nothing: what all have in common is the table.
    """
    shared = np.count_nonzero(weight, axis=0) > 1
    number = mean.shape[0]
    if number < 2 or np.count_nonzero(shared) < LEAST_SHARED:
        return np.zeros(number), SESSION_SD
    some = weight[:, shared]
    middle = (some * mean[:, shared]).sum(axis=0) / total[shared]
    much = np.maximum(some.sum(axis=1), 1e-9)
    own = (some * (mean[:, shared] - middle)).sum(axis=1) / much
    own -= own.mean()
    beyond = np.maximum(own**2 - (1.0 - 1.0 / number) / much, 0.0)
    variance = (SESSION_PRIOR * SESSION_SD**2 + float(beyond.sum())) / (SESSION_PRIOR + number - 1)
    own *= variance / (variance + 1.0 / much)
    return own - own.mean(), float(np.sqrt(variance))
