"""From which reading of the throttle on it counts as fully open."""

from pipeline.facts.states import States

#: % a throttle reads fully open, whatever its scale (common practice, no source): where a session's
#: greatest opening is less, it saw no full throttle and its end of the scale is 100 %.
LEAST_OPEN_PCT = 70.0


def full_throttle_pct(states: States, fraction: float) -> float:
    """Throttle reading in % at this fraction of the way from closed to open."""
    closed = 0.0 if states.closed_throttle is None else states.closed_throttle
    most = 0.0 if states.open_throttle is None else states.open_throttle
    return closed + fraction * ((most if most >= LEAST_OPEN_PCT else 100.0) - closed)
