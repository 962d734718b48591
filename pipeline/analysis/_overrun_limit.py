"""Whether the wideband goes to its lean limit where nothing burns: in fuel cuts that the log shows.

Air without fuel is leaner than any instrument shows. A reading that stops short of it, at one
value in every long cut, is cut off there: by the output's scale, the logger's input or the gauge.
"""

import numpy as np

from pipeline.analysis._suspects import Floats, Suspect
from pipeline.facts.mixture_inputs import MixtureInputs
from pipeline.signals import segments

# Sizes: common practice, no source.
LONG_CUT_S = 2.5  # transport, a slow sensor and the burnt gas left in the pipe are over
LEAST_CUTS = 3
#: The narrowest instruments end at lambda 1.2 and above (from memory); what ends below this hides
#: every dangerous mixture beyond it.
NARROW_END = 1.15
BURNS = 1.02  # a display that holds its last value in a cut stays below
SAME = 0.01  # of the readings at the ends of the cuts


def ends_in_cuts(time: Floats, m: MixtureInputs) -> Floats:
    """Readings (k,) at the end of each long fuel cut."""
    starts, ends = segments.runs(m.cut)
    long = time[ends - 1] - time[starts] >= LONG_CUT_S
    last = m.reading[ends[long] - 1]
    return last[np.isfinite(last)]


def stops_short(time: Floats, m: MixtureInputs) -> list[Suspect]:
    """Find a reading that is cut off short of any instrument's lean end."""
    if not m.cut_known:
        return []  # a cut that is known by the reading itself
    last = ends_in_cuts(time, m)
    if last.size < LEAST_CUTS:
        return []
    level = float(np.median(last))
    near = np.abs(last - level) <= SAME
    if not BURNS < level < NARROW_END or np.count_nonzero(near) < max(LEAST_CUTS, 0.8 * last.size):
        return []
    highest = float(np.nanquantile(m.reading[m.settled], 0.999))
    if highest > level + SAME:
        return []
    return [Suspect(
        channels=(m.channel,), mode="saturated", start_s=float(time[0]), end_s=float(time[-1]),
        confidence=0.85,
        seen=f"in {last.size} fuel cuts, where there is only air, it goes to lambda {level:.2f} "
        "and no further: its output, its scale or the logger's input ends there, and anything "
        "leaner reads the same",
        evidence={"ends_at": (level, "1"), "fuel_cuts": (float(last.size), "1")},
    )]  # fmt: skip
