"""Boost behind its target, held against how the vehicle's turbocharger came before."""

from collections.abc import Sequence
from typing import Any

import msgspec
import numpy as np

from pipeline.analysis._boost_figures import same_gear
from pipeline.meta import Earlier
from pipeline.results import Cause, Finding, evidence

#: rpm by which a turbocharger spools now sooner and now later: air, slope and what went before.
AS_EVER_RPM = 250.0
#: Earlier sound sessions that have to have run in the same gear.
LEAST_SESSIONS = 2
#: kPa of barometer that is another altitude and not weather, which moves it by 3 either way: some
#: 700 m (common practice, no source).
THIN_AIR_KPA = 8.0
#: Probability of thin air as a cause where it is that thin; the others keep the rest.
THIN_AIR = 0.6
#: Share of the earlier gauge pressure that has to be left: a fifth less air takes a fifth of it by
#: the compressor's ratio and as much again by weaker exhaust; more than half is lost otherwise.
LEFT_IN_THIN_AIR = 0.5


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


def with_thin_air(
    loss: Finding, runs: Sequence[dict[str, Any]], history: Sequence[Earlier]
) -> Finding:
    """Name the altitude in a loss against the target, where sound sessions had thicker air.

    A compressor multiplies what the barometer gives it: in thin air a target in absolute pressure
    asks for more of it, and its exhaust has less to give.
    """
    sound = [
        e.digest["runs"] for e in history
        if e.digest.get("runs") and all(f.kind != "boost_loss" for f in e.findings)
    ]  # fmt: skip
    past = [r for session in sound for r in session if r["bins"]]
    mine = [r for r in runs if r["bins"]]
    if len(sound) < LEAST_SESSIONS or not past or not mine:
        return loss
    now, then = (float(np.median([r["barometer"] for r in part])) for part in (mine, past))
    gauge, before = (
        float(np.median([max(kpa for _, kpa, _ in r["bins"]) - r["barometer"] for r in part]))
        for part in (mine, past)
    )
    lower = then - now
    if lower < THIN_AIR_KPA or gauge < LEFT_IN_THIN_AIR * before:
        return loss
    rest = [Cause(cause=c.cause, probability=round((1.0 - THIN_AIR) * c.probability, 2))
            for c in loss.likely_causes]  # fmt: skip
    thin = Cause(cause="thin air: the target asks for absolute pressure", probability=THIN_AIR)
    return msgspec.structs.replace(
        loss,
        detail=f"{loss.detail} The barometer stands at {now:.0f} kPa, {lower:.0f} kPa lower than "
        f"in the {len(sound)} earlier sessions without a loss: a turbocharger has less to work "
        "with there. Look for a leak if boost is missing at the usual altitude too.",
        evidence={**loss.evidence, **evidence(barometer_lower=(lower, "kPa"))},
        likely_causes=[thin, *rest],
    )


def later_spool(runs: Sequence[dict[str, Any]], past: Sequence[dict[str, Any]]) -> float | None:
    """By how many rpm the turbocharger spools later than before, None where unknown."""
    now = [r["spool_rpm"] for r in runs if r.get("spool_rpm")]
    then = [r["spool_rpm"] for r in past if r.get("spool_rpm")]
    return float(np.median(now) - np.median(then)) if now and then else None
