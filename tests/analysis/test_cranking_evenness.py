"""Do all cylinders brake the starter alike: from a whole session."""

import numpy as np

from tests.analysis.roughness_logs import run, session
from tests.signals.test_cranking import cranking


def log(weak, seconds=8.0):
    """Key on, cranking with one weak cylinder, no start: fuel and spark off."""
    time, speed = cranking(weak, seconds=seconds)
    before = np.arange(-3.0, -0.01, 0.05)
    after = np.arange(time[-1] + 0.05, time[-1] + 12.0, 0.05)
    rpm = np.concatenate([np.zeros(before.size), speed, np.zeros(after.size)])
    stamps = np.concatenate([before, time, after])
    volts = np.where(rpm > 0, 10.5, 12.6)
    return session(stamps, engine_speed=rpm, battery_voltage=volts)


def test_weak_cylinder_is_told_and_even_ones_are_not():
    weak, even = run(log(0.5), "cranking_evenness"), run(log(0.0), "cranking_evenness")
    assert weak.status == even.status == "clear"
    assert "compression" in weak.why and weak.digest["there"]
    assert "no cylinder stands out" in even.why
    assert weak.findings == [] == even.findings  # relative only: no verdict of its own


def test_short_cranking_is_not_judged():
    result = run(log(0.5, seconds=1.0), "cranking_evenness")
    assert result.status == "not_judged"
    assert "starter did not turn it" in result.why
