"""Findings of the mixture, in words."""

import math
from collections.abc import Mapping

from pipeline.results import Cause, Check, Finding, Severity, evidence

SUPPLY = "fuel supply: pump, filter, regulator or its hose"
TABLE = "fuel table not finished there"
SENSOR = "lambda reading: exhaust leak, scale or ground"

#: Probability that a finding happened in the engine: as its limit is just met, more for each width
#: beyond it, and its bounds. Choice: of two hundred findings in simulated drives none was wrong,
#: but a log of another make may hold what they do not.
SURE, SURER, SURE_BOUNDS = 0.96, 0.01, (0.95, 0.98)


def sure_of(widths: float) -> float:
    """Confidence of what lies ``widths`` (noise widths, or percent) beyond its limit."""
    return min(max(SURE + SURER * widths, SURE_BOUNDS[0]), SURE_BOUNDS[1])


def _checks(*, drive: bool = True) -> list[Check]:
    """Next checks; ``drive``: whether one that needs another run may be asked for."""
    if drive:
        pressure = Check(
            text="Compare the fuel pressure of that very run with idle's: on this page if it was "
            "logged, else log it next time or let a passenger read the gauge",
            tool="this page, pressure gauge", engine="driving", minutes=20, decides=[SUPPLY],
        )  # fmt: skip
    else:
        pressure = Check(
            text="Compare the fuel pressure of that very run with idle's on this page if it was "
            "logged; else, before any other run, measure the pressure with the regulator's hose "
            "off and the pump's delivery into a can",
            tool="this page, gauge, can", engine="off_cold", minutes=30, decides=[SUPPLY],
        )  # fmt: skip
    return [
        pressure,
        Check(text="Listen for an exhaust leak cold; compare the reading in a fuel-cut overrun",
              tool="ear, this log", engine="off_cold", minutes=15, decides=[SENSOR]),
        Check(text="Enter the step the fuel table gives, only once supply and sensor are sound",
              tool="this report's fuel table", engine="key_on", minutes=15, decides=[TABLE]),
    ]  # fmt: skip


def _times(count: int) -> str:
    return f" It stands for {count} such moments." if count > 1 else ""


def lean_load_finding(
    about: Mapping[str, float], severity: Severity, sure: float, count: int
) -> Finding:
    """Lean under load; ``about``: figures of the episode (see lean_load)."""
    return Finding(
        kind="lean_under_load",
        severity=severity,
        confidence=sure,
        start_s=about["start"],
        end_s=about["end"],
        title="Lean under load",
        detail=f"Lambda {about['lambda']:.2f} where lambda {about['target']:.2f} was wanted "
        f"({about['error']:.0f} % lean at worst), at {about['rpm']:.0f} rpm and "
        f"{about['kpa']:.0f} kPa, for {about['lasted']:.1f} s, throttle and pressure "
        "settled." + _times(count),
        step=0 if severity == "stop" else 3,
        blocks=["knock_risk", "lean_running"],
        channels=["lambda"],
        evidence=evidence(
            error=(about["error"], "%"),
            error_in_the_middle=(about["median"], "%"),
            leanest=(about["lambda"], "lambda"),
            wanted=(about["target"], "lambda"),
            speed=(about["rpm"], "rpm"),
            pressure=(about["kpa"], "kPa"),
            lasted=(about["lasted"], "s"),
        ),
        likely_causes=[
            Cause(cause=TABLE, probability=0.45),
            Cause(cause=SUPPLY, probability=0.35),
            Cause(cause=SENSOR, probability=0.12),
        ],
        next_checks=_checks(drive=severity != "stop"),
    )


def rich_load_finding(about: Mapping[str, float], count: int) -> Finding:
    """Rich under load."""
    return Finding(
        kind="rich_under_load",
        severity="watch",
        confidence=SURE,
        start_s=about["start"],
        end_s=about["end"],
        title="Rich under load",
        detail=f"Lambda {about['lambda']:.2f}"
        + (f", {abs(about['error']):.0f} % rich of its target" if about["error"] else "")
        + f" at worst, at {about['rpm']:.0f} rpm and {about['kpa']:.0f} kPa, for "
        f"{about['lasted']:.1f} s." + _times(count),
        step=4,
        channels=["lambda"],
        evidence=evidence(
            error=(about["error"], "%"),
            richest=(about["lambda"], "lambda"),
            speed=(about["rpm"], "rpm"),
            pressure=(about["kpa"], "kPa"),
        ),
        likely_causes=[
            Cause(cause=TABLE, probability=0.6),
            Cause(cause="fuel pressure too high", probability=0.2),
        ],
        next_checks=_checks()[::-1],
    )


def target_finding(about: Mapping[str, float], wise: float, count: int) -> Finding:
    """A target leaner than wise."""
    return Finding(
        kind="lean_target",
        severity="act",
        confidence=0.97,
        start_s=about["start"],
        end_s=about["end"],
        title="The lambda target itself is too lean in boost",
        detail=f"At {about['kpa']:.0f} kPa the target is lambda {about['target']:.2f}; lambda "
        f"{wise:.2f} or richer is common practice for petrol there." + _times(count),
        step=4,
        channels=["lambda_target", "manifold_pressure"],
        evidence=evidence(
            target=(about["target"], "lambda"),
            common_practice=(wise, "lambda"),
            pressure=(about["kpa"], "kPa"),
        ),
        likely_causes=[Cause(cause="target table not set for boost", probability=0.9)],
        next_checks=[
            Check(text="Look at the target table above the barometer", tool="controller's tables",
                  engine="key_on", minutes=10, decides=["target table not set for boost"])
        ],
    )  # fmt: skip


def running_finding(
    kind: str, severity: Severity, sure: float, figures: Mapping[str, float]
) -> Finding:
    """lean_running or rich_running: lambda error and trims together, warm and steady."""
    lean = kind == "lean_running"
    word = "lean" if lean else "rich"
    return Finding(
        kind=kind,
        severity=severity,
        confidence=sure,
        start_s=figures["start"],
        end_s=figures["end"],
        title=f"It runs {word} below load",
        detail=f"Warm and steady, {figures['seconds']:.0f} s together, reading and trims say "
        f"{abs(figures['both']):.0f} % {word} of the target, around {figures['rpm']:.0f} rpm"
        + (f" and {figures['kpa']:.0f} kPa" if math.isfinite(figures["kpa"]) else "")
        + f" (reading {figures['error']:+.0f} %, trims "
        f"{figures['trim']:+.0f} %).",
        step=4,
        channels=["lambda"],
        evidence=evidence(
            together=(figures["both"], "%"),
            reading=(figures["error"], "%"),
            trims=(figures["trim"], "%"),
            speed=(figures["rpm"], "rpm"),
            pressure=(figures["kpa"], "kPa"),
            for_seconds=(figures["seconds"], "s"),
        ),
        likely_causes=[
            Cause(cause=TABLE, probability=0.5),
            Cause(cause="air or exhaust leak" if lean else "fuel pressure too high",
                  probability=0.25),
            Cause(cause=SENSOR, probability=0.12),
        ],
        next_checks=_checks()[1:] + _checks()[:1],
    )  # fmt: skip


def trim_finding(figures: Mapping[str, float], channel: str = "fuel_trim_short") -> Finding:
    """Closed loop at its limit."""
    adds = figures["trim"] > 0
    return Finding(
        kind="trim_limit",
        severity="act",
        confidence=SURE,
        start_s=figures["start"],
        end_s=figures["end"],
        title="The closed loop stands at its limit",
        detail=f"The trim stood at {figures['trim']:+.0f} % for {figures['seconds']:.0f} s: it "
        f"{'adds' if adds else 'takes away'} all the fuel it may, and what is missing beyond that "
        "nobody corrects.",
        step=4,
        channels=[channel],
        evidence=evidence(trim=(figures["trim"], "%"), for_seconds=(figures["seconds"], "s")),
        likely_causes=[
            Cause(cause=TABLE, probability=0.45),
            Cause(cause=SUPPLY if adds else "fuel pressure too high", probability=0.25),
            Cause(cause=SENSOR, probability=0.15),
        ],
        next_checks=_checks(),
    )


def transient_finding(severity: Severity, figures: Mapping[str, float]) -> Finding:
    """Mixture off after steps."""
    return Finding(
        kind="transient_mixture",
        severity=severity,
        confidence=0.85,
        start_s=figures["start"],
        end_s=figures["end"],
        title="The mixture is off for a moment after throttle steps",
        detail=("Once" if figures["count"] == 1 else f"{figures['count']:.0f} times")
        + f", after {figures['after']:.0f} of {figures['steps']:.0f} steps, "
        f"{figures['per_min']:.1f} a minute, up to {figures['worst']:+.0f} %, gone within 1.5 s: "
        "the wall film's compensation, or late metering.",
        step=4,
        channels=["lambda"],
        evidence=evidence(
            events=(figures["count"], "1"), steps=(figures["steps"], "1"),
            worst=(figures["worst"], "%"), lean_share=(figures["lean_pct"], "%"),
        ),
        likely_causes=[Cause(cause="acceleration enrichment not finished", probability=0.75)],
        next_checks=[
            Check(text="Set it last, once the table is right; log slow and quick steps at 2500 rpm",
                  tool="controller's tables, log", engine="driving", minutes=30,
                  decides=["acceleration enrichment not finished"])
        ],
    )  # fmt: skip
