"""Do all cylinders brake the starter alike? A look at compression, relative only."""

from collections.abc import Sequence

import msgspec
import numpy as np

from pipeline.meta import Earlier, Meta, Own
from pipeline.results import NextLog, Result, rounded
from pipeline.session import View
from pipeline.signals.cranking import Evenness

META = Meta(
    question="Do all cylinders brake the starter alike?",
    version=1,
    kinds=(),
    references=(
        "Relative compression from the cranking speed: common practice, no source.",
        "F test of nested least-squares fits on the logged stamps: any textbook of regression.",
    ),
    needs=("engine_speed",),
    facts=("cranking_evenness",),
    step=2,
)

#: Chance below which the half order is said to be there.
SAID_BELOW = 0.01
#: Earlier sessions that make a usual value, and the factor over it that is worth a word.
USUAL_SESSIONS, USUAL_FACTOR = 3, 2.0


def analyse(view: View) -> Result:
    """Say how much the cranking speed swings once in two turns."""
    found: Evenness = view.fact("cranking_evenness")
    swing = (
        f"{found.amplitude_pct:.1f} % of the cranking speed (95 % interval {found.low_pct:.1f} to "
        f"{found.high_pct:.1f} %), over {found.cycles:.1f} engine cycles at "
        f"{found.speed_rpm:.0f} rpm"
    )
    if found.p < SAID_BELOW:
        why = (
            f"one cylinder seems to brake the starter less or more than the others: the speed "
            f"swings once in two turns by {swing}. Relative only: a compression test tells"
        )
    else:
        why = f"no cylinder stands out: any swing once in two turns is {swing}"
    next_log = []
    if found.high_pct > 2.0 * max(found.amplitude_pct, 0.5):
        next_log.append(NextLog(
            text="crank for 8 s with fuel and spark off, warm engine, throttle open",
            why="a longer cranking shows smaller differences between the cylinders",
        ))  # fmt: skip
    return Result(
        status="clear", why=why, next_log=next_log,
        digest={"amplitude_pct": rounded(found.amplitude_pct, 4), "low_pct": rounded(
            found.low_pct, 4), "there": found.p < SAID_BELOW},
    )  # fmt: skip


def judge(own: Own, history: Sequence[Earlier]) -> Result:
    """Set the swing against that of earlier sessions of this vehicle."""
    result = own.result
    mine = result.digest.get("amplitude_pct")
    earlier = [
        float(e.digest["amplitude_pct"])
        for e in history
        if e.version == META.version and "amplitude_pct" in e.digest
    ]
    if mine is None or len(earlier) < USUAL_SESSIONS:
        return result
    usual = float(np.median(earlier))
    words = f". In {len(earlier)} earlier sessions it was {usual:.1f} % in the middle"
    if result.digest.get("there") and float(result.digest["low_pct"]) > USUAL_FACTOR * usual:
        words += ": it has grown, so measure compression of all cylinders"
    return msgspec.structs.replace(result, why=result.why + words)
