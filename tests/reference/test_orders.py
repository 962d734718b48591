"""Orders, aliases and misfire percentages against values from outside.

Alias table: arithmetic of the sampling theorem. Spectra: scipy's own periodogram and Lomb-Scargle.
Misfire percentages: definition (misfires over firing events; 13 CCR 1968.2(e)(3) names windows of
200 and 1000 revolutions). Fall of speed: energy balance of a rotating inertia.
"""

import numpy as np
import pytest
from scipy.signal import lombscargle, periodogram

from pipeline.facts.misfire_stretches import expected_drop_rpm
from pipeline.signals.order_tracking import (
    alias_frequency,
    cycle_phase,
    distinguishable_orders,
    f_tail,
    order_frequency,
    order_lines,
    windows,
)

# rpm, half order Hz, its alias at 10/15/20/50 Hz, firing Hz (4 cylinders), its aliases
ALIASES = [
    (700, 5.833, (4.167, 5.833, 5.833, 5.833), 23.333, (3.333, 6.667, 3.333, 23.333)),
    (750, 6.250, (3.750, 6.250, 6.250, 6.250), 25.000, (5.000, 5.000, 5.000, 25.000)),
    (850, 7.083, (2.917, 7.083, 7.083, 7.083), 28.333, (1.667, 1.667, 8.333, 21.667)),
    (900, 7.500, (2.500, 7.500, 7.500, 7.500), 30.000, (0.0, 0.0, 10.000, 20.000)),
    (1000, 8.333, (1.667, 6.667, 8.333, 8.333), 33.333, (3.333, 3.333, 6.667, 16.667)),
    (1200, 10.000, (0.0, 5.000, 10.000, 10.000), 40.000, (0.0, 5.000, 0.0, 10.000)),
]


@pytest.mark.parametrize("row", ALIASES)
def test_orders_and_their_aliases(row):
    rpm, half, half_seen, firing, firing_seen = row
    assert order_frequency(rpm, 0.5) == pytest.approx(half, abs=1e-3)
    assert order_frequency(rpm, 2.0) == pytest.approx(firing, abs=1e-3)
    for rate, low, high in zip((10, 15, 20, 50), half_seen, firing_seen, strict=True):
        assert alias_frequency(half, rate) == pytest.approx(low, abs=2e-3)
        assert alias_frequency(firing, rate) == pytest.approx(high, abs=2e-3)


def test_alias_is_what_an_even_spectrum_shows():
    for rate, count in ((10.0, 600), (15.0, 900)):
        t = np.arange(count) / rate
        f, power = periodogram(np.sin(2 * np.pi * 7.0833 * t), rate)
        assert f[np.argmax(power)] == pytest.approx(alias_frequency(7.0833, rate), abs=rate / count)


def test_blind_where_the_order_falls_on_the_rate_and_says_so():
    at_1200 = distinguishable_orders(speed_rpm=1200, cylinders=4, rate_hz=10, resolution_hz=0.2)
    assert "multiple" in at_1200[0.5]
    assert set(at_1200) == {0.5, 1.0, 1.5, 2.0}
    at_850 = distinguishable_orders(speed_rpm=850, cylinders=4, rate_hz=10, resolution_hz=0.2)
    assert at_850[0.5] == ""
    # 800 rpm at 20 Hz: half order 6.667 Hz, firing 26.667 Hz seen at 6.667 Hz.
    assert (
        "firing"
        in distinguishable_orders(speed_rpm=800, cylinders=4, rate_hz=20, resolution_hz=0.2)[0.5]
    )


def test_demodulation_agrees_with_lomb_scargle_on_uneven_stamps():
    rng = np.random.default_rng(0)
    t = np.sort(np.arange(600) / 10 + rng.uniform(-0.03, 0.03, 600))
    rpm = np.full(t.size, 850.0)
    y = 3.0 * np.sin(2 * np.pi * 850 / 120 * t + 0.4) + rng.standard_normal(t.size)
    starts = windows(np.arange(t.size) == 0, t, 60.0)
    lines = order_lines(y, cycles=cycle_phase(t, rpm), time_s=t, starts=starts, halves=[1])
    # scipy: normalised power of a sinusoid is amplitude^2 * n / 4.
    line = np.array([1.0, 2 * np.pi * 850 / 120])
    other = lombscargle(t, y - y.mean(), line)[1] * 4 / t.size
    assert lines.power[0, 0] == pytest.approx(other, rel=0.03)
    f = np.linspace(0.5, 15, 3000)
    power = lombscargle(t, y - y.mean(), 2 * np.pi * f)
    assert f[np.argmax(power)] == pytest.approx(7.0833, abs=0.01)  # the alias at 2.92 is broken


def test_f_tail_is_the_f_distribution():
    from scipy.stats import f as reference

    for ratio, a, b in ((1.0, 2, 12), (4.2, 6, 36), (0.3, 10, 60), (12.0, 2, 12)):
        assert f_tail(ratio, a, b) == pytest.approx(reference.sf(ratio, a, b), rel=1e-9)


@pytest.mark.parametrize(("inertia", "fall"), [(0.15, 53.6), (0.20, 40.2), (0.30, 26.8)])
def test_fall_of_speed_from_one_missing_firing(inertia, fall):
    # 75 J (0.5 L at 1.5 bar), 850 rpm: dw = E / (J w).
    w = 850 * np.pi / 30
    assert 75 / (inertia * w) * 30 / np.pi == pytest.approx(fall, abs=0.1)
    from pipeline.facts.misfire_stretches import INERTIA_KG_M2

    ours = expected_drop_rpm(displacement_l=2.0, cylinders=4, speed_rpm=850, mean_pressure_kpa=150)
    assert ours == pytest.approx(fall * inertia / INERTIA_KG_M2, rel=0.01)


@pytest.mark.parametrize(
    ("cylinders", "percent"), [(3, 33.33), (4, 25.0), (5, 20.0), (6, 16.67), (8, 12.5)]
)
def test_misfire_percentage_of_one_dead_cylinder(cylinders, percent):
    # 100 x misfires / firing events, firing events = revolutions x cylinders / 2.
    revolutions = 1000
    cycles = cycle_phase(np.linspace(0, 60, 601), np.full(601, revolutions * 1.0))[-1]
    assert cycles == pytest.approx(revolutions / 2)
    assert 100 * cycles / (revolutions * cylinders / 2) == pytest.approx(percent, abs=0.01)
