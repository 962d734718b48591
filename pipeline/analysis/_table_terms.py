"""What besides the table moves the mixture: warm-up, film, charge temperature, supply voltage."""

import numpy as np

from pipeline.facts._mixture_fit import Design
from pipeline.results import Column, TableFigure
from pipeline.signals import regression

#: Normal quantile of a 95 % interval.
Z95 = 1.959964
#: What the model leaves out at each temperature (charge heat, film of cold walls), as a logarithm:
#: a drive warms up once, so more seconds at one temperature do not shrink it. Choice, from the
#: scatter of simulated drives beyond what their residuals explain.
TERM_SD = 0.002
#: s of evidence at a temperature below which nothing is said: an engine that passes it on its way
#: shows the start's enrichment and the film, and an estimate of those is none of the warm-up.
LEAST_S = 5.0


def evidence_s(made: Design, update_s: float) -> list[float | None]:
    """Seconds at least half of which each warm-up term stands for; None for other terms."""
    seconds = np.bincount(made.number, minlength=made.y.size) * update_s * (made.weight > 1e-6)
    return [
        float(seconds[made.dense[:, i] > 0.5].sum()) if name.startswith("warm ") else None
        for i, name in enumerate(made.names)
    ]


def terms_table(
    made: Design, fit: regression.Fit, update_s: float, doubt: float
) -> TableFigure:  # fmt: skip
    """Each term with its interval; doubt: factor on deviations whose prior came from the data."""
    count = made.cells.size
    own = np.sqrt(np.maximum(np.diag(fit.covariance)[count:], 0.0))
    sd = np.hypot(doubt * own, TERM_SD)
    rows: list[list[str | float | None]] = []
    seen = evidence_s(made, update_s)
    for name, m, s, seconds in zip(made.names, fit.mean[count:], sd, seen, strict=True):
        told, factor = _told(name)
        if not told:
            continue
        if seconds is not None and seconds < LEAST_S:
            rows.append([told, None, None, None, "too little evidence"])
            continue
        rows.append([told, *(100.0 * factor * float(m + z * s) for z in (0.0, -Z95, Z95)), ""])
    return TableFigure(
        id="fuel-terms",
        title="What else moves the mixture",
        caption="From the same fit, beside the table: by how much the controller's corrections "
        "leave fuel missing (plus) or over (minus). A constant error of the injectors' dead time "
        "looks like the table. Throttle steps and the sensor's lag are fitted too, but one can "
        "stand for the other, so neither is told.",
        columns=[
            Column(title="where"),
            Column(title="fuel missing", unit="%"),
            Column(title="least", unit="%"),
            Column(title="most", unit="%"),
            Column(title="why not"),
        ],
        rows=rows,
    )


def _told(name: str) -> tuple[str, float]:
    """A term as its reader knows it, and what its effect is multiplied by; "" is not told.

    The fit's terms are shares of the absolute temperature and volts over ms of pulse.
    """
    kind, _, knot = name.partition(" ")
    if kind == "warm":
        return f"coolant at {knot} °C", 1.0
    return {
        "intake temperature": ("intake air 10 K hotter", 10.0 / 300.0),
        "volts over pulse": ("supply 1 V higher, pulse of 3 ms", 1.0 / (3.0 - 0.8)),
    }.get(name, ("", 0.0))
