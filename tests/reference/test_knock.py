"""Ignition delay, integral, burn, heat transfer and the sensitivities of a whole engine."""

from functools import lru_cache

import numpy as np
import pytest
from scipy.integrate import quad

from pipeline.physics import combustion, knock, knock_table

ATM = knock.KPA_PER_ATM


@pytest.mark.parametrize(
    ("octane", "atm", "kelvin", "expected"),
    [
        (90, 40, 900, 1.592),  # a public implementation's own test asserts 1.592 ms
        (95, 30, 800, 5.29043), (98, 30, 800, 5.88066), (91, 30, 800, 4.57018),
        (95, 50, 850, 1.67881), (100, 20, 750, 17.2249), (100, 10, 700, 80.3676),
    ],
)  # fmt: skip
def test_delay(octane: float, atm: float, kelvin: float, expected: float) -> None:
    # Source: Douaud and Eyzat, SAE 780080 (constants 17.68, 3.402, 1.7, 3800 from public
    # secondary sources); values are own arithmetic.
    got = knock.ignition_delay_ms(octane=octane, pressure_kpa=atm * ATM, temperature_k=kelvin)
    assert got == pytest.approx(expected, rel=2e-4 if expected == 1.592 else 1e-5)


def test_published_prefactors_are_one_correlation() -> None:
    # The same fit is printed with 18.08 ms for bar and 18.69 ms for kgf/cm2.
    assert pytest.approx(18.08, abs=0.005) == knock.DELAY_MS * 1.01325**1.7
    assert pytest.approx(18.69, abs=0.005) == knock.DELAY_MS * 1.03323**1.7


def test_delay_s_sensitivities_and_a_slip_of_units() -> None:
    # Own arithmetic from the correlation: 10 K at 800 K make the delay 5.70 % shorter, 10 % of
    # pressure 14.96 %; bar fed as atm gives a delay 2.2 % short of the true one.
    def delay(kpa: float, kelvin: float) -> float:
        return float(knock.ignition_delay_ms(octane=95, pressure_kpa=kpa, temperature_k=kelvin))

    base = delay(30 * ATM, 800.0)
    assert delay(30 * ATM, 810.0) / base - 1 == pytest.approx(-0.0570, abs=1e-4)
    assert delay(33 * ATM, 800.0) / base - 1 == pytest.approx(-0.1496, abs=1e-4)
    assert delay(30 * 100.0, 800.0) * 0.97787 == pytest.approx(base, rel=1e-4)


def test_warmer_intake_s_end_gas() -> None:
    # Isentropic relation, own arithmetic: 10 K at the intake are 24.15 K at a ratio of 30.
    warm, cold = (
        knock.end_gas_temperature_k(start_k=start, pressure_ratio=30.0, heat_ratio=1.35)
        for start in (340.0, 330.0)
    )
    assert warm - cold == pytest.approx(24.15, abs=0.01)


def test_steepest_place_of_the_burn() -> None:
    # Calculus on the burn law, a = 5 and m = 2: 2.00996 at 0.510873 of its duration.
    y = np.linspace(0.0, 1.0, 100001)
    slope = np.gradient(combustion.wiebe(y, start_deg=0.0, duration_deg=1.0), y)
    assert y[slope.argmax()] == pytest.approx(0.510873, abs=1e-4)
    assert slope.max() == pytest.approx(2.00996, abs=1e-4)


def test_constant_state() -> None:
    time = np.linspace(0.0, 5.0, 11)
    got = knock.livengood_wu(
        time_ms=time, pressure_kpa=np.full(11, 30 * ATM), temperature_k=np.full(11, 800.0),
        octane=95,
    )  # fmt: skip
    assert got[-1] == pytest.approx(0.945104, abs=1e-6)


def test_integral_against_quadrature() -> None:
    # Source: scipy.integrate.quad on T = 700 + 25 t, p = 20 + 2 t (ms, atm), ON 90: 0.706514
    # at 5 ms and 1 at 5.987406 ms.
    def rate(t: float) -> float:
        return 1.0 / float(
            knock.ignition_delay_ms(
                octane=90, pressure_kpa=(20 + 2 * t) * ATM, temperature_k=700 + 25 * t
            )
        )

    time = np.linspace(0.0, 10.0, 2001)
    own = knock.livengood_wu(
        time_ms=time, pressure_kpa=(20 + 2 * time) * ATM, temperature_k=700 + 25 * time, octane=90
    )
    assert own[1000] == pytest.approx(quad(rate, 0.0, 5.0)[0], abs=1e-5)
    assert own[1000] == pytest.approx(0.706514, abs=1e-5)
    assert np.interp(1.0, own, time) == pytest.approx(5.987406, abs=1e-4)


def test_closed_form_of_a_pressure_ramp() -> None:
    # Closed form for constant temperature: 800 K, 20 to 60 atm in 4 ms, ON 95: 1.2944553.
    time = np.linspace(0.0, 4.0, 401)
    own = knock.livengood_wu(
        time_ms=time, pressure_kpa=(20 + 10 * time) * ATM, temperature_k=np.full(401, 800.0),
        octane=95,
    )  # fmt: skip
    assert own[-1] == pytest.approx(1.2944553, abs=1e-5)
    coarse = knock.livengood_wu(
        time_ms=time[::20], pressure_kpa=(20 + 10 * time[::20]) * ATM,
        temperature_k=np.full(21, 800.0), octane=95,
    )  # fmt: skip
    # 20 steps are 2.4e-4 too high, relative: second order.
    assert coarse[-1] / 1.2944553 - 1 == pytest.approx(2.4e-4, rel=0.02)


@pytest.mark.parametrize(
    ("start", "ratio", "heat", "expected"),
    [
        (330.0, 15.0, 1.35, 665.93), (330.0, 30.0, 1.35, 797.02),
        (333.15, 60 / 1.8, 1.33, 795.24), (370.0, 40.0, 1.30, 866.78),
    ],
)  # fmt: skip
def test_end_gas(start: float, ratio: float, heat: float, expected: float) -> None:
    # Isentropic relation, own arithmetic.
    got = knock.end_gas_temperature_k(start_k=start, pressure_ratio=ratio, heat_ratio=heat)
    assert got == pytest.approx(expected, abs=0.01)


@pytest.mark.parametrize(
    ("y", "fraction"),
    [(0.1, 0.004988), (0.25, 0.075151), (0.5, 0.464739), (0.75, 0.878686), (1.0, 0.993262)],
)
def test_wiebe(y: float, fraction: float) -> None:
    # Source: Heywood ch. 9, Ghojel 2010: a = 5, m = 2; own arithmetic.
    got = combustion.wiebe(y * 60.0 - 20.0, start_deg=-20.0, duration_deg=60.0)
    assert got == pytest.approx(fraction, abs=1e-6)


def test_wiebe_inverse() -> None:
    # 10, 50, 90 % at 0.276208, 0.517549, 0.772233 of the duration (own arithmetic).
    places = [combustion.wiebe_angle(x) for x in (0.1, 0.5, 0.9)]
    assert places == pytest.approx([0.276208, 0.517549, 0.772233], abs=1e-6)


@pytest.mark.parametrize(
    ("bore", "kpa", "kelvin", "speed", "expected"),
    [
        (0.086, 3000, 1800, 12, 381.03), (0.086, 1000, 600, 11.4, 277.88),
        (0.1, 2000, 1500, 15, 353.24),
    ],
)  # fmt: skip
def test_woschni(bore: float, kpa: float, kelvin: float, speed: float, expected: float) -> None:
    # Source: Woschni, SAE 670931, in units of m, kPa, K, m/s; own arithmetic.
    got = combustion.woschni_w_m2_k(
        bore_m=bore, pressure_kpa=kpa, temperature_k=kelvin, velocity_m_s=speed
    )
    assert got == pytest.approx(expected, abs=0.01)


def test_piston_speed() -> None:
    # 86 mm stroke at 3000 rpm: 8.6 m/s; 2.28 of it is 19.608 m/s (own arithmetic).
    cylinder = combustion.cylinder_from(
        displacement_l=2.0, cylinders=4, compression_ratio=9.0, bore_mm=86.0, stroke_mm=86.0
    )
    speed = combustion.mean_piston_speed_m_s(cylinder, 3000.0)
    assert speed == pytest.approx(8.6)
    assert combustion.WOSCHNI_COMPRESSION * speed == pytest.approx(19.608)


def _engine(ratio: float = 9.0, octane: float = 95.0) -> knock_table.Engine:
    cylinder = combustion.cylinder_from(
        displacement_l=2.0, cylinders=4, compression_ratio=ratio, bore_mm=86.0, stroke_mm=86.0
    )
    return knock_table.Engine(cylinder=cylinder, octane=octane, boosted=True)


@lru_cache
def _table(ratio: float, octane: float) -> knock_table.KnockTable:
    return knock_table.build(_engine(ratio, octane))


def _limit(
    rpm: float = 3500.0, kpa: float = 140.0, celsius: float = 40.0, mixture: float = 0.87,
    ratio: float = 9.0, octane: float = 95.0,
) -> float:  # fmt: skip
    table = _table(ratio, octane)
    lookup = knock_table.look_up(
        speed_rpm=[rpm], manifold_kpa=[kpa], intake_c=[celsius], lambda_=[mixture]
    )
    return float(knock_table.spark_limit(table, lookup)[0][0])


# Russ, SAE 960497 (abstract): 1 octane number per degree of spark, per 7 K of intake air, per
# 2.5-3.3 kPa of pressure, 5 per unit of compression ratio. A review of several engines: right
# in sign and within a factor of 3, octane turned into degrees by the model itself.
def _degrees_per_octane() -> float:
    return (_limit(octane=97.0) - _limit(octane=93.0)) / 4.0


def test_russ_spark() -> None:
    assert 1 / 3 < _degrees_per_octane() < 3


def test_russ_intake_temperature() -> None:
    degrees = (_limit(celsius=30.0) - _limit(celsius=58.0)) / 28.0
    numbers_per_7k = 7.0 * degrees / _degrees_per_octane()
    assert 1 / 3 < numbers_per_7k < 3


def test_russ_pressure() -> None:
    degrees = (_limit(kpa=130.0) - _limit(kpa=150.0)) / 20.0
    numbers_per_10kpa = 10.0 * degrees / _degrees_per_octane()
    assert 3.5 / 3 < numbers_per_10kpa < 3.5 * 3


def test_russ_two_degrees_are_14_kelvin() -> None:
    # Russ: 1 number per degree and per 7 K, so that 14 K of intake air are 2 deg of spark.
    degrees = _limit(celsius=40.0) - _limit(celsius=54.0)
    assert 2 / 3 < degrees < 6


def test_russ_compression_ratio() -> None:
    degrees = (_limit(ratio=8.5) - _limit(ratio=9.5)) / 1.0
    numbers = degrees / _degrees_per_octane()
    assert 5 / 3 < numbers < 5 * 3


def test_russ_mixture() -> None:
    # The requirement peaks 5 % rich and falls 2 numbers per unit of air-fuel ratio either side.
    per_octane = _degrees_per_octane()
    peak = _limit(mixture=0.95)
    rich = (_limit(mixture=0.80) - peak) / per_octane / (0.15 * 14.7)
    lean = (_limit(mixture=1.05) - peak) / per_octane / (0.10 * 14.7)
    assert 2 / 3 < rich < 6
    assert 2 / 3 < lean < 6
    # What the cycle shows of it by itself is not counted twice: on the rich side it is Russ's own.
    assert rich == pytest.approx(2.0, rel=0.1)


def test_burn_phasing_is_that_of_road_engines() -> None:
    # Heywood, 2nd ed.: half burned 8 to 10 deg after top dead centre at best torque; at a
    # usual 24 deg of spark at 3000 rpm and full load it lies near there.
    outcome = knock.run_cycle(
        _engine().cylinder, speed_rpm=np.array([3000.0]), manifold_kpa=np.array([98.0]),
        intake_k=np.array([308.0]), lambda_=np.array([0.87]), spark_deg=np.array([24.0]),
        octane=95.0, boosted=True,
    )  # fmt: skip
    assert outcome.half_burned_deg[0] == pytest.approx(9.0, abs=4.0)
    # Peak pressures at full load without boost: 4-7 MPa (common practice, no source).
    assert 4000.0 < outcome.peak_kpa[0] < 7000.0


def test_best_torque_spark_is_that_of_road_engines() -> None:
    # Heywood, 2nd ed.: half burned 8 to 10 deg after top dead centre. By definition the cycle at
    # that spark has it there; later spark burns later, and faster engines want more of it.
    point = {
        "speed_rpm": np.array([2000.0, 3000.0, 6000.0]), "manifold_kpa": np.full(3, 120.0),
        "intake_k": np.full(3, 313.0), "lambda_": np.full(3, 0.87),
    }  # fmt: skip
    best = knock.best_torque_spark(_engine().cylinder, **point, boosted=True)
    outcome = knock.run_cycle(
        _engine().cylinder, **point, spark_deg=best, octane=95.0, boosted=True
    )
    assert outcome.half_burned_deg == pytest.approx([9.0, 9.0, 9.0])
    assert (np.diff(best) > 0.0).all()
    assert 18.0 < best[0] < best[2] < 32.0  # common practice at full load, no source
