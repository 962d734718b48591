"""Boost behind its target, held against how the vehicle's turbocharger came before."""

from collections.abc import Sequence
from typing import Any

import numpy as np

from pipeline.analysis._boost_figures import same_gear
from pipeline.meta import Earlier
from pipeline.results import Finding

#: rpm by which a turbocharger spools now sooner and now later: air, slope and what went before.
AS_EVER_RPM = 250.0
#: Earlier sound sessions that have to have run in the same gear.
LEAST_SESSIONS = 2


def spools_as_ever(
    loss: Finding, runs: Sequence[dict[str, Any]], history: Sequence[Earlier]
) -> bool:
    """Whether each run of a loss against the target came to it where this car always does.

    A target that asks for more than a slow turbocharger gives at that speed is no loss: what counts
    is the vehicle's own spool speed. Sessions that were told of a loss do not say what is usual.
    """
    told = [r for r in runs if r["end_s"] > loss.start_s and r["start_s"] < loss.end_s]
    sound = [
        (e.session_id, r) for e in history if all(f.kind != "boost_loss" for f in e.findings)
        for r in e.digest.get("runs", ()) if r.get("spool_rpm")
    ]  # fmt: skip
    for run in told:
        then = [(name, r["spool_rpm"]) for name, r in sound if same_gear(run, r)]
        if not run.get("spool_rpm") or len({name for name, _ in then}) < LEAST_SESSIONS:
            return False
        if run["spool_rpm"] > float(np.median([rpm for _, rpm in then])) + AS_EVER_RPM:
            return False
    return bool(told)


def later_spool(runs: Sequence[dict[str, Any]], past: Sequence[dict[str, Any]]) -> float | None:
    """By how many rpm the turbocharger spools later than before, None where unknown."""
    now = [r["spool_rpm"] for r in runs if r.get("spool_rpm")]
    then = [r["spool_rpm"] for r in past if r.get("spool_rpm")]
    return float(np.median(now) - np.median(then)) if now and then else None
