"""What rests on a reading that lies is no finding: one rule for all analyses.

A finding names in ``channels`` the readings it is concluded from. Where a sensor fault was found
on one of them, at the time of the finding, that finding may be the sensor's and not the engine's:
it is kept for the reader at ``info``, and its analysis is not judged if nothing else holds it up.
What a wrong reading truly does to the engine (a controller that meters by it runs it lean) is
seen by other channels and stays.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import msgspec

from pipeline.results import Cause, Finding, Result

#: From here on a sensor fault speaks against what rests on it (the weakest that is told as one).
SURE = 0.7
#: s beside the sensor fault's own interval: faults are dated to a minute of scatter at worst.
NEAR_S = 5.0
#: Lone samples are taken out one by one before anything is concluded; the rest can be believed.
HARMLESS = frozenset({"spike"})
#: But not out of the speed, whose unevenness is looked at as it was logged: a lone sample there is
#: what a miss looks like.
UNEVEN = frozenset({"rough_running", "misfire_under_load"})
#: A reading at the end of its range is a bound: what is above it stays above, what is low may not.
BOUND = frozenset({"saturated"})
LOW_BY = frozenset({("boost_loss", "manifold_pressure"), ("low_fuel_pressure", "fuel_pressure"),
                    ("low_oil_pressure", "oil_pressure")})  # fmt: skip
#: A dead oil pressure sender and no oil pressure look the same, and only one of them can wait.
GRAVE_IF_TRUE = frozenset({("low_oil_pressure", "dead"), ("low_oil_pressure", "open")})
#: Water that leaves a sensor dry makes its reading erratic: noise that comes with the loss is the
#: loss itself; noise this long before it, s, is the sensor's (a loss needs minutes of heat first).
ERRATIC_IF_TRUE = frozenset({("coolant_loss_suspected", "noise")})
OLD_S = 60.0
#: What the engine itself does to a sound wideband: a cylinder that does not fire sends air past it
#: once in two turns, and a controller that meters by a noisy pressure gives noisy fuel. The fault's
#: mode and channel: (kinds of finding, or modes and channels of other faults; in words).
MISSES = ("rough_running", "misfire_under_load")
METERED_BY = (("noise", "manifold_pressure"), ("noise", "mass_air_flow"))
ENGINE_MAKES = {(mode, name): (MISSES, METERED_BY)
                for name in ("lambda", "lambda_2") for mode in ("noise", "spike")}  # fmt: skip
#: A cylinder that fires no more sends its air past the sensor as a leak would, and a weak one does
#: so most at small flow: where its unevenness stands at this, no leak can be read from the mixture.
READS_LEAN = {"exhaust_leak": ("rough_running", ("act", "stop"))}


@dataclass(frozen=True)
class Lie:
    """A channel that a sensor fault speaks against, and when."""

    channel: str
    mode: str
    start_s: float
    end_s: float
    confidence: float


def lies_of(results: Mapping[str, Result]) -> list[Lie]:
    """Every channel of every sensor fault that is told at watch or above."""
    return [
        Lie(name, f.mode, f.start_s, f.end_s, f.confidence)
        for result in results.values()
        for f in result.findings
        if f.kind == "sensor_fault" and f.severity != "info" and f.confidence >= SURE
        for name in f.channels
    ]


def doubted(results: Mapping[str, Result]) -> dict[str, Result]:
    """Results with each finding that rests on a lying reading lowered to ``info``.

    So is a sensor's fault, or a leak, that another finding, of other channels, makes.
    """
    results = {name: _explained(result, results) for name, result in results.items()}
    lies = lies_of(results)
    if not lies:
        return results
    return {name: _lowered(result, lies) for name, result in results.items()}


def _explained(result: Result, results: Mapping[str, Result]) -> Result:
    """``result`` with what another finding makes the sensor read at ``info``."""
    loud = [f for other in results.values() for f in other.findings if f.severity != "info"]
    findings = []
    for finding in result.findings:
        kinds, faults = ENGINE_MAKES.get(_of(finding), ((), ())) if finding.mode else ((), ())
        miss, grave = READS_LEAN.get(finding.kind, ("", ()))
        maker = next((f for f in loud if (f.kind in kinds or _of(f) in faults
                                          or (f.kind == miss and f.severity in grave))
                      and not set(f.channels) & set(finding.channels)), None)  # fmt: skip
        if maker is not None and finding.severity != "info":
            same = "does the same to a sound sensor" if finding.mode else "reads lean by itself"
            finding = msgspec.structs.replace(
                finding, severity="info", confidence=round(0.5 * finding.confidence, 3), blocks=[],
                detail=f"{finding.detail} Not judged: what another finding tells "
                f'("{maker.title}") {same}; mend that first.',
            )  # fmt: skip
        findings.append(finding)
    if findings == result.findings:
        return result
    status = result.status if any(f.severity != "info" for f in findings) else "clear"
    return msgspec.structs.replace(result, findings=findings, status=status)


def _of(finding: Finding) -> tuple[str, str]:
    """Mode and first channel of a sensor fault."""
    return finding.mode or "", finding.channels[0] if finding.channels else ""


def _lowered(result: Result, lies: Iterable[Lie]) -> Result:
    findings, why = [], ""
    for finding in result.findings:
        lie = next((one for one in lies if spoils(one, finding)), None)
        lie = None if finding.severity == "info" else lie
        if lie is not None:
            why = f"the {lie.channel.replace('_', ' ')} it rests on cannot be believed"
            finding = _doubtful(finding, lie, why)
        findings.append(finding)
    if not why:
        return result
    if any(f.severity != "info" for f in findings):
        return msgspec.structs.replace(result, findings=findings)
    return msgspec.structs.replace(result, status="not_judged", why=why, findings=findings)


def spoils(lie: Lie, finding: Finding) -> bool:
    """Whether a finding rests on what this sensor said while it lied."""
    if finding.kind == "sensor_fault" or lie.channel not in finding.channels:
        return False
    taken_out = lie.channel != "engine_speed" or finding.kind not in UNEVEN
    if (lie.mode in HARMLESS and taken_out) or (finding.kind, lie.mode) in GRAVE_IF_TRUE:
        return False
    if lie.mode in BOUND and (finding.kind, lie.channel) not in LOW_BY:
        return False
    if (finding.kind, lie.mode) in ERRATIC_IF_TRUE and lie.start_s > finding.start_s - OLD_S:
        return False
    return lie.start_s - NEAR_S <= finding.end_s and finding.start_s <= lie.end_s + NEAR_S


def _doubtful(finding: Finding, lie: Lie, why: str) -> Finding:
    """The same at ``info``: the sensor first among its causes, the others in what is left."""
    rest = 1.0 - lie.confidence
    sensor = f"the {lie.channel.replace('_', ' ')} sensor"
    causes = [Cause(cause=sensor, probability=lie.confidence)]
    causes += [Cause(cause=c.cause, probability=rest * c.probability)
               for c in finding.likely_causes]  # fmt: skip
    return msgspec.structs.replace(
        finding, severity="info", confidence=round(rest * finding.confidence, 3), blocks=[],
        step=max(finding.step, 1), likely_causes=causes,
        detail=f"{finding.detail} Not judged: {why}; mend the sensor first and look again.",
    )  # fmt: skip
