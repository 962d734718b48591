"""Does it misfire under load: hiccups of acceleration with lean spikes at steady pressure?"""

import numpy as np

from pipeline.facts.load_hiccups import LEAST_EVENTS, Hiccups
from pipeline.meta import Meta
from pipeline.results import (
    Cause,
    Check,
    Finding,
    LimitOfDetection,
    Mark,
    Panel,
    Panels,
    Quantity,
    Result,
    evidence,
    line,
    not_judged,
    rounded,
)
from pipeline.session import View

META = Meta(
    question="Does it misfire under load?",
    version=2,
    kinds=("misfire_under_load",),
    needs=("engine_speed", "lambda"),
    uses=("manifold_pressure", "lambda_target", "battery_voltage", "coil_dwell"),
    facts=("load_hiccups",),
    step=2,
    references=(
        "Hiccups only in boost with lean spikes, worse at low voltage: common practice, no source",
    ),
)


def analyse(view: View) -> Result:
    """Look for hiccups that coincide with lean spikes in the full-throttle runs."""
    found: Hiccups = view.fact("load_hiccups")
    if found.seconds < 2.0:
        return not_judged("the full-throttle runs are too short")
    count = found.times.size
    limit = LimitOfDetection(
        could_show=True, smallest=Quantity(value=float(LEAST_EVENTS), unit="1"),
        over_s=rounded(found.seconds, 4),
    )  # fmt: skip
    if count < LEAST_EVENTS:
        return Result(
            status="clear",
            why=f"no hiccups with lean spikes in {found.seconds:.0f} s of full throttle",
            limits_of_detection={"misfire_under_load": limit},
        )
    finding = _finding(view, found)
    return Result(
        status="found",
        why=f"{count} hiccups of acceleration, each with a lean spike, in {found.seconds:.0f} s of "
            "full throttle",
        findings=[finding], limits_of_detection={"misfire_under_load": limit},
        figures=[_figure(view, found)],
    )  # fmt: skip


def _finding(view: View, found: Hiccups) -> Finding:
    facts = evidence(
        hiccups=(float(found.times.size), "1"),
        lean_spike=(100.0 * float(np.median(found.lean)), "%"),
        speed=(float(np.nanmedian(view.channel("engine_speed")[found.rows])), "rpm"),
        watched=(found.seconds, "s"),
    )  # fmt: skip
    more = ""
    pressure = view.get("manifold_pressure")
    if pressure is not None and np.isfinite(pressure[found.rows]).any():
        kpa = float(np.nanmedian(pressure[found.rows]))
        facts |= evidence(pressure=(kpa, "kPa"))
        more += f", at about {kpa:.0f} kPa"
    volts = view.get("battery_voltage")
    low_volts = False
    if volts is not None and np.isfinite(volts[found.rows]).any():
        level = float(np.nanmedian(volts[found.rows]))
        facts |= evidence(voltage=(level, "V"))
        low_volts = level < 13.0
        more += f" and {level:.1f} V"
    spark = "weak spark: plug gap too wide, tired coil or lead"
    supply = "low voltage or short dwell at the coils"
    fuel = "fuel runs short for moments"
    return Finding(
        kind="misfire_under_load", severity="act",
        confidence=0.95 if found.times.size >= 4 else 0.85,
        start_s=rounded(max(0.0, float(found.times.min()) - 0.3), 6),
        end_s=rounded(float(found.times.max()) + 0.5, 6),
        title="The engine misses under full throttle",
        detail=f"{found.times.size} times at full throttle the acceleration broke off for a moment "
               f"while lambda jumped lean by {100 * float(np.median(found.lean)):.0f} % and the "
               f"pressure stayed{more}. Unburnt "
               "charge reads lean and burns in the exhaust: do not go on pulling.",
        step=2, blocks=["lean_under_load", "rich_under_load", "boost_loss", "knock_risk"],
        channels=["engine_speed", "lambda", "throttle_position"], evidence=facts,
        likely_causes=[Cause(cause=spark, probability=0.5 if low_volts else 0.65),
                       Cause(cause=supply, probability=0.3 if low_volts else 0.12),
                       Cause(cause=fuel, probability=0.1)],
        next_checks=[
            Check(text="Take the plugs out: measure the gap, look for cracks and tracks; close the "
                       "gap by 0.1 mm steps and repeat the run", tool="plug spanner, feeler gauge",
                  engine="off_cold", minutes=25, decides=[spark]),
            Check(text="Measure the voltage at the coils under load and the dwell set for it",
                  tool="multimeter", engine="idle", minutes=15, decides=[supply]),
            Check(text="Log fuel pressure in one more run at part of the boost",
                  tool="pressure sensor", engine="driving", minutes=20, decides=[fuel]),
        ],
    )  # fmt: skip


def _figure(view: View, found: Hiccups) -> Panels:
    # Hiccups that crowd have no lean spike each: there the deepest is the clearest.
    clear = found.lean if found.lean.size == found.times.size else found.fall
    middle = float(found.times[int(np.argmax(clear))])
    rows = np.abs(view.time - middle) < 4.0
    panels = [
        Panel(title="engine speed", unit="rpm",
              lines=[line("speed", view.time[rows], view.channel("engine_speed")[rows])]),
        Panel(title="lambda", unit="1",
              lines=[line("lambda", view.time[rows], view.channel("lambda")[rows])]),
    ]  # fmt: skip
    return Panels(
        id="hiccups", title="The clearest hiccup",
        caption="A misfire under load: the speed stops rising for a moment, lambda jumps lean a "
                "little later, the throttle stays open.",
        panels=panels,
        marks=[Mark(label="hiccup", x=float(x)) for x in found.times if abs(x - middle) < 4.0],
    )  # fmt: skip
