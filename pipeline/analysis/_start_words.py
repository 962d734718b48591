"""What a start showed, its likely causes and checks, in words."""

from dataclasses import dataclass

import numpy as np

from pipeline.results import Cause, Check


@dataclass(frozen=True)
class Crank:
    """What one start showed; nan where the log cannot tell."""

    tries: tuple[tuple[float, float], ...]
    running_s: float | None
    seconds: float
    longest: float
    rpm: float
    volts: float
    pressure_drop: float
    temperature: float
    kind: str
    flare: float
    throttle: float
    closed: float
    steady_after_s: float
    resolution_s: float

    @property
    def start_s(self) -> float:
        return self.tries[0][0]

    @property
    def end_s(self) -> float:
        return self.running_s if self.running_s is not None else self.tries[-1][1]


def spin_words(crank: Crank, low_volts: bool, slow: bool) -> str:
    """How the engine was turned, and what that points to."""
    if not np.isfinite(crank.rpm):
        return " The log shows no cranking speed."
    words = f" It was turned at {crank.rpm:.0f} rpm"
    if np.isfinite(crank.volts):
        words += (
            f" with {crank.volts:.1f} V at the lowest logged sample (the true dip is shorter than "
            "a sample and deeper)"
        )
    if low_volts and slow:
        return words + ": both low, which points to battery or cables."
    if slow:
        return words + ": slow at good voltage, which points to starter, cable or a stiff engine."
    return words + ": it was turned well, so fuel, spark or the crank signal were late."


def causes(crank: Crank, low_volts: bool, slow: bool) -> list[Cause]:
    """Likely causes of a hard start by how it was turned and how warm it was."""
    if low_volts and slow:
        return [
            Cause(cause="weak battery", probability=0.5),
            Cause(cause="poor cable or ground to the starter", probability=0.25),
            Cause(cause="worn starter", probability=0.1),
        ]
    if slow:
        return [
            Cause(cause="worn starter", probability=0.35),
            Cause(cause="poor cable or ground to the starter", probability=0.3),
            Cause(cause="stiff engine (cold, thick oil)", probability=0.2),
        ]
    if crank.kind in ("hot", "hot-soaked"):
        return [
            Cause(cause="fuel pressure lost or vapour after the stop", probability=0.4),
            Cause(cause="cranking fuel wrong for a hot engine", probability=0.25),
            Cause(cause="crank signal late", probability=0.15),
        ]
    return [
        Cause(cause="cranking fuel wrong for this temperature", probability=0.35),
        Cause(cause="fuel pressure late or low", probability=0.25),
        Cause(cause="crank signal late", probability=0.15),
        Cause(cause="weak spark", probability=0.1),
    ]


def checks() -> list[Check]:
    """Next checks, cheapest first."""
    return [
        Check(
            text="Listen for the fuel pump's run at key-on, then note fuel pressure",
            tool="ear, fuel pressure gauge",
            engine="key_on",
            minutes=5,
            decides=["fuel pressure late or low", "fuel pressure lost or vapour after the stop"],
        ),
        Check(
            text="Measure battery voltage at rest and at its posts while cranking",
            tool="multimeter",
            engine="off_cold",
            minutes=10,
            decides=["weak battery", "poor cable or ground to the starter", "worn starter"],
        ),
        Check(
            text="Pull a plug after a failed try: wet means no spark, dry means no fuel",
            tool="plug spanner",
            engine="off_cold",
            minutes=20,
            decides=["weak spark", "cranking fuel wrong for this temperature"],
        ),
    ]
