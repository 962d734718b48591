"""Readings without those that their own sensor betrays."""

import numpy as np

from pipeline.session import View
from pipeline.signals.segments import Floats


def believed(view: View, name: str, values: Floats) -> Floats:
    """Values (n,) of a channel, NaN where its sensor is seen to lie by itself.

    The view has to name the fact ``sensor_validity``; without it all values are as logged.
    """
    validity = view.fact("sensor_validity")
    if validity is None or name not in validity.values:
        return values
    good = validity.good(name)
    # Of a sound sensor, most of them, a copy would only be a column more to hold.
    return values if good.all() else np.where(good, values, np.nan)
