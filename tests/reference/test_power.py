"""Power correction factors against worked values, and a registry library for humidity."""

import psychrolib
import pytest

from pipeline.physics import air, power_correction

# Own arithmetic from each standard's formula: dry hPa, degC, J1349, ISO 1585, J607, DIN 70020.
ROWS = [
    (990.0, 25.0, 1.00000, 1.00000, 1.04820, 1.03218),
    (1000.0, 20.0, 0.97836, 0.97803, 1.02567, 1.01325),
    (950.0, 35.0, 1.07015, 1.07175, 1.12121, 1.09353),
    (900.0, 15.0, 1.09604, 1.09844, 1.14816, 1.11619),
    (1013.25, 15.0, 0.95341, 0.95281, 0.99971, 0.99144),
    (980.0, 30.0, 1.02200, 1.02241, 1.07110, 1.05142),
]


@pytest.mark.parametrize(("hpa", "celsius", "j1349", "iso", "j607", "din"), ROWS)
def test_factors(
    hpa: float, celsius: float, j1349: float, iso: float, j607: float, din: float
) -> None:
    air_state = {"dry_pressure_hpa": hpa, "temperature_c": celsius}
    assert power_correction.j1349(**air_state) == pytest.approx(j1349, abs=2e-5)
    assert power_correction.iso1585(**air_state) == pytest.approx(iso, abs=2e-5)
    assert power_correction.j607(**air_state) == pytest.approx(j607, abs=2e-5)
    assert power_correction.din70020(pressure_hpa=hpa, temperature_c=celsius) == pytest.approx(
        din, abs=2e-5
    )


def test_humid_day() -> None:
    # Source: psychrolib.GetSatVapPres(30) = 4246.03 Pa; 1013.25 hPa, 60 % humidity: 1.01254.
    psychrolib.SetUnitSystem(psychrolib.SI)
    vapour = 0.6 * psychrolib.GetSatVapPres(30.0)
    own = air.vapour_pressure_pa(temperature_c=30.0, relative_humidity=0.6)
    assert own == pytest.approx(vapour, rel=1e-5)
    factor = power_correction.j1349(dry_pressure_hpa=1013.25 - own / 100, temperature_c=30.0)
    assert factor == pytest.approx(1.01254, abs=2e-5)


def test_standards_disagree_by_percents() -> None:
    # 1000 hPa dry, 20 degC: DIN 70020 3.6 % and J607 4.8 % over J1349, so a page must name one.
    base = power_correction.j1349(dry_pressure_hpa=1000, temperature_c=20)
    din = power_correction.din70020(pressure_hpa=1000, temperature_c=20) / base - 1
    j607 = power_correction.j607(dry_pressure_hpa=1000, temperature_c=20) / base - 1
    assert din == pytest.approx(0.0357, abs=1e-3)
    assert j607 == pytest.approx(0.0484, abs=1e-3)
