"""The first line of the page: stop, drive gently only, or nothing speaks against it so far."""

from collections.abc import Sequence

from pipeline.meta import Case, Meta
from pipeline.results import Finding, ProvenCell, Result, Verdict, worst

META = Meta(
    question="Can it be driven as it is, as far as this log shows?",
    version=1,
    kinds=(),
    references=("What to do on which finding: common practice, no source.",),
    step=0,
    order=9,
)

#: Channels that warn of what ends an engine or hurts people, in the order a mechanic would miss
#: them; what is not in the log was not watched.
WATCHMEN = (
    "oil_pressure",
    "coolant_temperature",
    "lambda",
    "knock_retard",
    "fuel_pressure",
    "exhaust_gas_temperature",
    "manifold_pressure",
    "intake_air_temperature",
    "battery_voltage",
    "throttle_position",
)
#: Channels that can stand in for one of these.
STAND_INS = {"knock_retard": ("knock_level",), "lambda": ("lambda_2",),
             "coolant_temperature": ("oil_temperature",)}  # fmt: skip
#: Modes in which a sensor shows nothing of what it should watch.
BLIND_MODES = frozenset({"stuck", "open", "short", "dead", "saturated", "swapped"})
#: Findings that keep it out of load even while they are only worth watching.
KEEPS_OUT_OF_LOAD = frozenset(
    {"knock_risk", "knock_retard", "lean_under_load", "lean_target", "misfire_under_load",
     "over_boost", "boost_creep", "low_fuel_pressure", "injector_limit", "hot_intake",
     "hot_exhaust", "overheating", "rough_running", "low_oil_pressure", "crank_signal_loss",
     "exhaust_leak", "sensor_fault"}
)  # fmt: skip
#: kPa and rpm that count as gentle where nothing has proven itself yet: light load and half the
#: usual speed range of a petrol engine (a choice, no source).
GENTLE_KPA, GENTLE_RPM = 80.0, 3000.0
#: What the sentence calls a channel whose name says too little.
SPOKEN = {"lambda": "mixture (lambda)", "knock_retard": "knock"}
#: Said where every warning channel was there: a log is never the whole car.
NO_LOG_SHOWS = "what only checks by hand show"
#: s of log below which nothing is said about driving.
SHORTEST_S = 20.0
#: Reasons named in the sentence; the page lists all.
MOST_REASONS = 3


def conclude(case: Case) -> Result:
    """Weigh all findings into one sentence, with what nobody watched."""
    findings = case.findings
    blind = not_watched(case, findings)
    loud = [f for f in findings if f.severity != "info"]
    severity = worst([f.severity for f in findings])
    text = _text(case, loud, severity, blind)
    because = list(dict.fromkeys(f.kind for f in loud if f.severity == severity))
    return Result(
        status="found" if loud else "clear",
        why=text,
        verdict=Verdict(severity=severity, text=text, because=because, not_watched=blind),
    )


def not_watched(case: Case, findings: Sequence[Finding]) -> list[str]:
    """Warning channels that this log lacks, or whose sensor shows nothing."""
    failed = {
        name for f in findings if f.kind == "sensor_fault" and f.mode in BLIND_MODES
        and f.severity != "info" for name in f.channels
    }  # fmt: skip
    seeing = case.channels - failed
    return [
        name
        for name in WATCHMEN
        if name not in seeing and not any(n in seeing for n in STAND_INS.get(name, ()))
    ]


def _text(case: Case, loud: Sequence[Finding], severity: str, blind: Sequence[str]) -> str:
    if case.duration_s < SHORTEST_S and severity in ("info", "watch"):
        return "The log is too short to say anything about driving."
    if not _ran(case):
        if severity in ("stop", "act"):
            return f"Do not start it yet, because: {_reasons(loud, severity)}."
        return "The engine did not run in this log; it says nothing about driving."
    if severity == "stop":
        return f"Stop: do not run it like this, because: {_reasons(loud, 'stop')}."
    cautious = [f for f in loud if f.severity == "act" or f.kind in KEEPS_OUT_OF_LOAD]
    if cautious:
        kpa, rpm = _gentle(case)
        return (
            f"Drive gently only, below {kpa:.0f} kPa and {rpm:.0f} rpm, because: "
            f"{_reasons(cautious, '')}."
        )
    text = "Nothing in this log speaks against driving as in this log"
    if loud:
        text += f"; look into soon: {_reasons(loud, '')}"
    names = ", ".join(_spoken(n) for n in blind) or NO_LOG_SHOWS
    return f"{text}; not watched: {names}."


def _spoken(channel: str) -> str:
    return SPOKEN.get(channel, channel.replace("_", " "))


def _ran(case: Case) -> bool:
    """Whether the engine ran, as far as any analysis that needs it could say something."""
    summary = case.results.get("drive_summary")
    top = summary.metrics.get("engine_speed_max_rpm") if summary else None
    return top is None or top.value > 400.0


def _reasons(findings: Sequence[Finding], severity: str) -> str:
    chosen = [f for f in findings if not severity or f.severity == severity]
    titles = list(dict.fromkeys(f.title[:1].lower() + f.title[1:] for f in chosen))
    shown = "; ".join(titles[:MOST_REASONS])
    more = len(titles) - MOST_REASONS
    return shown + (f"; and {more} more" if more > 0 else "")


def _gentle(case: Case) -> tuple[float, float]:
    """Pressure and speed to stay below: what has proven itself, but never load."""
    proven = case.results.get("proven_range")
    cells: Sequence[ProvenCell] = proven.proven_range if proven else ()
    limit = min(case.vehicle.limits.load_kpa, GENTLE_KPA)
    if not cells:
        return limit, GENTLE_RPM
    kpa = min(max(c.kpa for c in cells), limit)
    rpm = min(max(c.rpm for c in cells), GENTLE_RPM)
    return max(kpa, 40.0), max(rpm, 1500.0)
