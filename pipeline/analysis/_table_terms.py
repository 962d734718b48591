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
    for name, m, s, seconds in zip(
        made.names, fit.mean[count:], sd, evidence_s(made, update_s), strict=True
    ):
        if seconds is not None and seconds < LEAST_S:
            rows.append([name, None, None, None, "too little evidence"])
            continue
        rows.append([name, *(100.0 * float(m + z * s) for z in (0.0, -Z95, Z95)), ""])
    return TableFigure(
        id="fuel-terms",
        title="What else moves the mixture",
        caption="From the same fit: percent of fuel missing per unit of each term (warm-up by "
        "coolant temperature, film at opening and closing throttle, intake temperature, voltage "
        "over pulse). A constant dead-time error and the table cannot be separated.",
        columns=[
            Column(title="term"),
            Column(title="effect", unit="%"),
            Column(title="low", unit="%"),
            Column(title="high", unit="%"),
            Column(title="why not"),
        ],
        rows=rows,
    )
