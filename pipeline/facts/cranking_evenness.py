"""How alike the cylinders brake the starter, from the longest try that the log shows well."""

import numpy as np

from pipeline.facts.states import States
from pipeline.meta import FactMeta
from pipeline.session import NotAvailableError, View
from pipeline.signals.cranking import LEAST_CYCLES, Evenness, evenness
from pipeline.signals.sampling import held_rows, update_rows

META = FactMeta(
    summary="half-order amplitude of the cranking speed: one cylinder that brakes less than others",
    version=1,
    needs=("engine_speed",),
    facts=("states",),
)

#: s left out at both ends of a try: spinning up, and the first firing.
EDGE_S = 0.3
#: New readings a cycle below which the half order is not sampled; firings are 3-8 a cycle.
LEAST_PER_CYCLE = 3.0


def compute(view: View) -> Evenness:
    """Measure the try with the most engine cycles."""
    states: States = view.fact("states")
    speed = view.channel("engine_speed")
    best: Evenness | None = None
    for start in states.starts:
        for begin, end in start.tries:
            inside = (view.time > begin + EDGE_S) & (view.time < end - EDGE_S)
            rows = np.flatnonzero(inside & (speed > 50.0))
            if rows.size < 10:
                continue
            rows = rows[update_rows(speed[rows], held_rows(speed[rows]))]
            found = evenness(view.time[rows], speed[rows], cylinders=view.vehicle.engine.cylinders)
            if found is None or rows.size / found.cycles < LEAST_PER_CYCLE:
                continue
            if best is None or found.cycles > best.cycles:
                best = found
    if best is None:
        raise NotAvailableError(
            f"the starter did not turn it {2 * LEAST_CYCLES:.0f} times with "
            f"{LEAST_PER_CYCLE:.0f} new speed readings in every two turns"
        )
    return best
