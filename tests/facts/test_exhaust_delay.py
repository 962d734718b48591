"""exhaust_delay: what it says of a log that no sensor can have made."""

import numpy as np
import pytest

from fixtures.cars import draw_car
from fixtures.drives import mixed_drive
from fixtures.simulate import simulate
from pipeline.facts.exhaust_delay import LAG_S, LAG_SPREAD, ExhaustDelay
from pipeline.registry import load_registry
from pipeline.runner import FactStore, Timings
from tests.judge.bridge import session_of


@pytest.mark.parametrize("early_s", [0.0, 0.12])
def test_a_lag_at_its_bound_stays_as_doubtful_as_any_sensor_s(early_s: float) -> None:
    """A reading that comes before any sensor could give it is misread: it tells of no lag."""
    session = session_of(simulate(draw_car(332), mixed_drive(332, 4.0), (), 332))
    lam = session.channels["lambda"]
    good = np.isfinite(lam)
    session.channels["lambda"] = np.interp(session.time + early_s, session.time[good], lam[good])
    delay = FactStore(session, load_registry(), Timings()).get("exhaust_delay", optional=False)
    assert isinstance(delay, ExhaustDelay)
    doubt = delay.standard_deviation(1e3)  # where the pipe is swept at once
    assert (doubt >= LAG_S * LAG_SPREAD) == (early_s > 0.0)
