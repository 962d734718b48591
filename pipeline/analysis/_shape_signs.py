"""What the whole fuel table's error looks like, as a sign for the diagnosis."""

from collections.abc import Mapping
from typing import Any

import numpy as np

from pipeline.analysis._table_shapes import LARGEST_SD, LEAST_S, open_shapes

#: Log error over all points from which "the same everywhere" means something: a finished table
#: lies within 3 %, the probe's own scale within 2 %; twice that. Common practice, no source.
ALIKE_ERROR = 0.05
#: Scatter of the points round the common error, as a share of it, that is still "the same".
ALIKE_SCATTER = 0.35
LEAST_POINTS = 8
#: Log error from which "the same everywhere" is more than a wideband is off by: 12 % of lambda is
#: some 0.6 V of a usual 5 V output (7.5 to 22 parts of air); its wires and grounds lose tenths.
#: Common practice, no source.
BEYOND_PROBE = 0.12


def seen_shape(digest: Mapping[str, Any], rail_kpa: float, shape: str) -> bool | None:
    """Whether the table's error has this shape; None where too little of it is known.

    digest: of the analysis fuel_table. shape: "alike", "alike by far", or of `open_shapes`.
    """
    alike = everywhere_alike(digest)
    if alike is None or shape == "alike":
        return alike
    if shape == "alike by far":
        return everywhere_alike(digest, least=BEYOND_PROBE)
    return not alike and shape in open_shapes(digest, rail_kpa)


def everywhere_alike(digest: Mapping[str, Any], *, least: float = ALIKE_ERROR) -> bool | None:
    """Whether fuel is off by one factor at every point; None with too few points.

    least: log error that counts.
    """
    if not digest:
        return None
    error, sd = np.array(digest["mean"], float), np.array(digest["sd"], float)
    seconds = np.array(digest["seconds"], float)
    good = (seconds >= LEAST_S) & (sd <= LARGEST_SD)
    if np.count_nonzero(good) < LEAST_POINTS:
        return None
    weight = np.sqrt(np.minimum(seconds[good], 60.0))
    level = float(np.average(error[good], weights=weight))
    scatter = float(np.sqrt(np.average((error[good] - level) ** 2, weights=weight)))
    return abs(level) >= least and scatter <= ALIKE_SCATTER * abs(level)
