"""drive_summary: sums of a log laid out by hand."""

import pytest

from tests.analysis.hand_logs import by_name, hand


@pytest.mark.parametrize(("opened", "seconds"), [(30.0, 0.0), (55.0, 0.0), (88.0, 6.0)])
def test_only_a_throttle_that_opens_fully_was_wide_open(opened: float, seconds: float) -> None:
    """The greatest opening of a drive in town is a light foot, not the end of the scale."""
    log = hand(20.0)
    log.put("throttle_position", log.where(90.0, 96.0), opened)
    metrics = by_name(log.session(), "drive_summary").metrics
    assert metrics["wide_open_time_s"].value == pytest.approx(seconds, abs=0.1)
