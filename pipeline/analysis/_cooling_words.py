"""What the coolant's reading is found to mean, and the warm-up's answer, in words."""

from collections.abc import Sequence

import numpy as np

from pipeline.analysis._coolant_falls import Dip
from pipeline.results import Cause, Check, Finding, Metric, Severity, evidence
from pipeline.wording import clock

PLUG = "sensor or its plug"


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


def _plug_check() -> Check:
    return Check(
        text="Wiggle the coolant sensor's plug and watch the reading",
        tool="hand",
        engine="key_on",
        minutes=5,
        decides=[PLUG],
    )


def loss_finding(falls: Sequence[Dip], *, hottest: float) -> Finding:
    """Coolant lost: the reading fell away while hot. falls in order of time; hottest in degC."""
    deepest = max(fall.depth for fall in falls)
    many = len(falls) > 1
    return Finding(
        kind="coolant_loss_suspected",
        severity="stop",
        confidence=0.97 if many else 0.95,
        start_s=falls[0].start,
        end_s=falls[-1].end,
        title="The coolant reading falls away while hot: the sensor may stand dry",
        detail=f"After {hottest:.0f} °C the reading fell by {deepest:.0f} K within seconds "
        f"while the engine worked{f', {len(falls)} times' if many else ''}. Water cannot cool "
        "that fast; a sensor in steam reads like that. A falling gauge after heat means stop, "
        "not relief.",
        step=0,
        channels=["coolant_temperature"],
        evidence=evidence(hottest_before=(hottest, "degC"), fall=(deepest, "K"),
                          falls=(float(len(falls)), "1")),
        likely_causes=[
            Cause(cause="coolant lost", probability=0.7),
            Cause(cause=PLUG, probability=0.2),
        ],
        next_checks=[
            Check(
                text="Stop, let it cool, then look at the level and under the car",
                tool="eyes; never open a hot system",
                engine="off_cold",
                minutes=45,
                decides=["coolant lost"],
            ),
            _plug_check(),
        ],
    )  # fmt: skip


def air_finding(steps: Sequence[Dip]) -> Finding:
    """Air past the sensor: the reading jumped and came back. steps in order of time."""
    deepest = max(step.depth for step in steps)
    return Finding(
        kind="air_in_coolant",
        severity="watch",
        confidence=min(0.97, 0.75 + 0.05 * len(steps)),
        start_s=steps[0].start,
        end_s=steps[-1].end,
        title="Air seems to pass the coolant sensor",
        detail=f"{len(steps)} times the reading jumped by up to {deepest:.0f} K within a "
        "few seconds and came back, around the thermostat's opening and not in step with the "
        "voltage.",
        step=2,
        channels=["coolant_temperature"],
        evidence=evidence(dips=(float(len(steps)), "1"), deepest=(deepest, "K"),
                          around=(float(np.median([step.level for step in steps])), "degC")),
        likely_causes=[
            Cause(cause="air in the coolant after work", probability=0.75),
            Cause(cause=PLUG, probability=0.15),
        ],
        next_checks=[
            Check(
                text="Bleed the cooling system, heater open; look at the level again cold",
                tool="hand tools; never open a hot system",
                engine="off_cold",
                minutes=30,
                decides=["air in the coolant after work"],
            ),
            _plug_check(),
        ],
    )  # fmt: skip


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
