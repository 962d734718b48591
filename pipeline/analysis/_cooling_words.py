"""The finding of an engine that runs too hot, and the warm-up's answer, in words."""

from pipeline.results import Cause, Check, Finding, Metric, Severity, evidence
from pipeline.wording import clock


def overheating_finding(
    severity: Severity, sure: float, start: float, end: float, top: float, note: str
) -> Finding:
    """Overheating between two times, s, with its top reading in degC and a note."""
    return Finding(
        kind="overheating",
        severity=severity,
        confidence=sure,
        start_s=start,
        end_s=end,
        title="The engine runs too hot",
        detail=f"The coolant reached {top:.0f} °C between {clock(start)} and {clock(end)}, {note}.",
        step=0 if severity == "stop" else 2,
        blocks=["knock_risk"],
        channels=["coolant_temperature"],
        evidence=evidence(coolant_max=(top, "degC"), duration=(end - start, "s")),
        likely_causes=[
            Cause(cause="too little coolant or air in it", probability=0.3),
            Cause(cause="fan or radiator", probability=0.35),
            Cause(cause="thermostat stuck shut", probability=0.15),
            Cause(cause="head gasket", probability=0.1),
        ],
        next_checks=[
            Check(
                text="Look at the coolant level, only once everything is cold",
                tool="eyes; never open a hot system",
                engine="off_cold",
                minutes=5,
                decides=["too little coolant or air in it"],
            ),
            Check(
                text="See whether the fan runs when the gauge is high: hot in traffic and fine at "
                "speed is air flow, hot at speed is water, radiator or gasket",
                tool="eyes, hands clear of the fan",
                engine="idle",
                minutes=15,
                decides=["fan or radiator", "thermostat stuck shut"],
            ),
            Check(
                text="Test the coolant for exhaust gas",
                tool="block leak tester",
                engine="idle",
                minutes=20,
                decides=["head gasket"],
            ),
        ],
    )


def warm_up_answer(metrics: dict[str, Metric], begin: float, findings: list[Finding]) -> str:
    """What the warm-up showed, in one line."""
    parts = [f"from {begin:.0f} °C"]
    if "time_to_80c_s" in metrics:
        parts.append(f"80 °C after {metrics['time_to_80c_s'].value / 60:.1f} min")
    elif "time_to_60c_s" in metrics:
        parts.append(f"60 °C after {metrics['time_to_60c_s'].value / 60:.1f} min")
    if "thermostat_opening_c" in metrics:
        parts.append(f"thermostat opens at {metrics['thermostat_opening_c'].value:.0f} °C")
    if "coolant_plateau_c" in metrics:
        parts.append(f"settles at {metrics['coolant_plateau_c'].value:.0f} °C")
    parts.append(
        f"{metrics['coolant_max_c'].value:.0f} °C at most"
        if "coolant_max_c" in metrics
        else "its highest unknown, as the reading fell faster than water cools"
    )
    text = ", ".join(parts)
    return text + ("; " + findings[0].title.lower() if findings else "")
