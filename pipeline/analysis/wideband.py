"""The check a newly fitted wideband gets: warm-up, limit in fuel cuts, references at lambda 1.

What contradicts a reference is a finding of the analysis ``sensors``; here stand all figures.
"""

import numpy as np

from pipeline.analysis._wideband_references import (
    READY_S,
    Pair,
    Reference,
    references,
    steady_rows,
    two_readings,
)
from pipeline.facts.mixture_inputs import MixtureInputs
from pipeline.meta import Meta
from pipeline.results import Column, Result, TableFigure, rounded
from pipeline.session import View
from pipeline.signals import segments
from pipeline.signals.segments import Floats

META = Meta(
    question="Is the wideband's number right, as far as the log has a reference?",
    version=1,
    kinds=(),
    references=(
        "Stoichiometric switching of a narrowband sensor: Heywood, Internal Combustion Engine "
        "Fundamentals, 1988",
        "commissioning of a wideband at two points: common practice, no source",
    ),
    needs_any=(("lambda", "lambda_2"),),
    uses=("fuel_trim_short", "narrowband_voltage"),
    facts=("mixture_inputs",),
    shortest_s=60.0,
    step=1,
)

APART_PCT = 1.0  # two readings this near are one
CUT_S = 2.0  # a shorter fuel cut does not let the reading reach its limit


def analyse(view: View) -> Result:
    """Hold the reading against every reference in the log."""
    m: MixtureInputs = view.fact("mixture_inputs")
    time = view.time
    found = references(time, m, view.get("fuel_trim_short"), view.get("narrowband_voltage"))
    pair = None
    if view.has("lambda") and view.has("lambda_2"):
        first, second = view.channel("lambda"), view.channel("lambda_2")
        pair = two_readings(time, first, second, steady_rows(time, m))
    rows = [_told(r) for r in found]
    ready, cuts = _ready(m), _cuts(time, m)
    if pair is not None:
        error, half = rounded(pair.error_pct, 3), rounded(pair.half_pct, 2)
        rows.append(["second reading over the first at lambda 1", error, half, None])
        if pair.slope_half is not None:
            rows.append(["slope between the two, less 1", rounded(100.0 * (pair.slope - 1.0), 3),
                         rounded(100.0 * pair.slope_half, 2), None])  # fmt: skip
    if not rows and cuts is None and ready is None:
        return Result(status="not_judged", why="the log has no reference: no live closed loop at "
                      "lambda 1, no narrowband, no second reading, no fuel cut")  # fmt: skip
    parts = [
        f"by {r.name} the reading is {r.error_pct:+.1f} % off at lambda 1 "
        f"(± {r.half_pct:.1f} %)" for r in found
    ]  # fmt: skip
    if pair is not None:
        parts.append(
            f"the two readings differ by {pair.error_pct:+.1f} % (± {pair.half_pct:.1f} %) at "
            f"lambda 1, {_slope(pair)}"
        )
    if cuts is not None:
        parts.append(f"in {cuts[1]} fuel cuts it goes to lambda {cuts[0]:.2f}")
    if ready is not None:
        late = ", late: look at heater and supply" if ready > READY_S else ""
        parts.append(f"it is alive {ready:.0f} s after firing{late}")
    if not found and pair is None:
        parts.append("nothing in the log says whether it is right at lambda 1")
    figure = TableFigure(
        id="wideband-references", title="The wideband against its references",
        caption="Error in % of the reading, plus reads lean; with the half width of its 95 % "
        "interval. One point cannot tell a wrong scale from an offset.",
        columns=[Column(title="reference"), Column(title="error", unit="%"),
                 Column(title="give or take", unit="%"), Column(title="over", unit="s", digits=0)],
        rows=rows,
    )  # fmt: skip
    return Result(
        status="clear", why="; ".join(parts), figures=[figure] if rows else [],
        digest={"references": {r.name: [rounded(r.error_pct, 4), rounded(r.half_pct, 4)]
                               for r in found}},
    )  # fmt: skip


def _slope(pair: Pair) -> str:
    if pair.slope_half is None:
        return "at one mixture only: a factor and a fixed amount look alike"
    kind = "a factor" if pair.mode == "scale" else "a fixed amount"
    apart = abs(pair.error_pct) > max(pair.half_pct, APART_PCT)
    told = f"slope {pair.slope:.2f} ± {pair.slope_half:.2f}"
    return f"{told}: nearer to {kind}" if apart else told


def _ready(m: MixtureInputs) -> float | None:
    """Seconds from firing to the first living reading, None where the start was not logged."""
    live = m.fuelled & m.fresh & (m.since_start_s >= 0.0) & (m.since_start_s < 600.0)
    live &= (m.reading > 0.6) & (m.reading < 1.3)
    return float(m.since_start_s[np.argmax(live)]) if live.any() else None


def _cuts(time: Floats, m: MixtureInputs) -> tuple[float, int] | None:
    """Median reading at the end of fuel cuts, and their number."""
    starts, ends = segments.runs(m.cut)
    last = [float(m.reading[e - 1]) for s, e in zip(starts, ends, strict=True)
            if time[e - 1] - time[s] > CUT_S and np.isfinite(m.reading[e - 1])]  # fmt: skip
    return (float(np.median(last)), len(last)) if last else None


def _told(r: Reference) -> list[str | float | None]:
    return [r.name, rounded(r.error_pct, 3), rounded(r.half_pct, 2), r.seconds]
