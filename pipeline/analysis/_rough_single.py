"""One fall of the speed that looks like a missing firing, and nothing else: a note, no verdict."""

from pipeline.results import Cause, Check, Finding, evidence, rounded
from pipeline.signals.misfire_decision import Detection
from pipeline.wording import clock

#: Confidence that the engine missed a firing: of such notes in as many disturbed healthy logs as
#: faulty ones (8 and 10 Hz, 3-8 cylinders) 94 % were right (n 45).
CONFIDENCE = 0.9
#: s on either side of the dip that are shown.
AROUND_S = 1.0


def single_dip(detection: Detection, duration_s: float) -> Finding:
    """Note of the one dip of ``detection.suspected``."""
    at = float(detection.dip_s or 0.0)
    return Finding(
        kind="rough_running", severity="info", confidence=CONFIDENCE,
        start_s=rounded(max(0.0, at - AROUND_S), 6),
        end_s=rounded(min(duration_s, at + AROUND_S), 6),
        title="One dip of the speed like a missing firing",
        detail=f"At {clock(at)} the engine speed fell suddenly by about "
               f"{detection.dip_rpm:.0f} rpm and recovered, as when one firing fails, and nothing "
               f"else in {detection.seconds:.0f} s of idle and steady driving was like it. One "
               "dip alone can have other causes; a second one would not.",
        step=2, channels=["engine_speed"],
        evidence=evidence(dip_size=(detection.dip_rpm, "rpm"), watched=(detection.seconds, "s"),
                          chance_of_false_alarm=(100.0 * detection.single_p, "%")),
        likely_causes=[
            Cause(cause="spark plug, lead or coil of one cylinder", probability=0.4),
            Cause(cause="injector or its plug", probability=0.2),
            Cause(cause="something else that pulled for a moment (clutch, steering, a fan)",
                  probability=0.2),
        ],
        next_checks=[
            Check(text="Log a longer idle and touch nothing: does the dip come again?",
                  tool="logger", engine="idle", minutes=5,
                  decides=["something else that pulled for a moment (clutch, steering, a fan)"]),
        ],
    )  # fmt: skip


def words(detection: Detection) -> str:
    """Say it in the session's answer."""
    return (
        f"perhaps not: one dip of the speed like a missing firing at {detection.dip_s:.1f} s, and "
        f"nothing else in {detection.seconds:.0f} s of idle and steady driving"
    )
