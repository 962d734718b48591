"""Compressor and intercooler against a registry library and published relations."""

import pytest
from fluids import isentropic_T_rise_compression

from pipeline.physics import compressor

CASES = [(298.15, 2.0, 0.70), (293.15, 1.8, 0.72), (298.15, 1.5, 0.65), (303.15, 2.2, 0.75)]
# Source: real air by a reference equation of state (CoolProp 8.0.0), same inlet and efficiency.
REAL_K = [391.131, 367.456, 354.385, 404.867]


@pytest.mark.parametrize(("inlet", "ratio", "efficiency"), CASES)
def test_outlet_against_fluids(inlet: float, ratio: float, efficiency: float) -> None:
    # Source: fluids.isentropic_T_rise_compression, ideal gas with ratio of heats 1.4.
    expected = isentropic_T_rise_compression(inlet, 101325.0, 101325.0 * ratio, 1.4, efficiency)
    got = compressor.outlet_temperature_k(
        inlet_k=inlet, pressure_ratio=ratio, efficiency=efficiency
    )
    assert got == pytest.approx(expected, abs=0.01)


@pytest.mark.parametrize(("case", "real"), list(zip(CASES, REAL_K, strict=True)))
def test_outlet_against_real_air(case: tuple[float, float, float], real: float) -> None:
    got = compressor.outlet_temperature_k(
        inlet_k=case[0], pressure_ratio=case[1], efficiency=case[2]
    )
    assert got == pytest.approx(real, abs=0.5)


@pytest.mark.parametrize(("share", "outlet"), [(0.5, 71.64), (0.7, 52.99), (0.8, 43.66)])
def test_intercooler_outlet(share: float, outlet: float) -> None:
    # Own arithmetic from the definition, inlet 118.28 degC, ambient 25 degC.
    got = compressor.intercooler_outlet(hot_in=118.28, ambient=25.0, effectiveness=share)
    assert got == pytest.approx(outlet, abs=0.01)
    assert compressor.effectiveness(hot_in=118.28, hot_out=got, ambient=25.0) == pytest.approx(
        share
    )


def test_effectiveness_from_temperatures() -> None:
    # Source: a heat-transfer library's effectiveness-NTU function (ht 1.2.0): 0.736842.
    got = compressor.effectiveness(hot_in=120.0, hot_out=50.0, ambient=25.0)
    assert got == pytest.approx(0.736842, abs=1e-6)


def test_density_ratio() -> None:
    # Own arithmetic: pressure ratio 2, compressor 70 %, intercooler 0.7 and none.
    hot = compressor.outlet_temperature_k(inlet_k=298.15, pressure_ratio=2.0, efficiency=0.7)
    cooled = compressor.intercooler_outlet(hot_in=hot, ambient=298.15, effectiveness=0.7)
    assert compressor.density_ratio(
        pressure_ratio=2.0, ambient_k=298.15, charge_k=cooled
    ) == pytest.approx(1.82838, abs=1e-4)
    assert compressor.density_ratio(
        pressure_ratio=2.0, ambient_k=298.15, charge_k=hot
    ) == pytest.approx(1.52337, abs=1e-4)


def test_compressor_power() -> None:
    # Own arithmetic: 0.15 kg/s heated from 298.15 to 391.434 K at 1005 J/(kg K): 14.063 kW.
    got = compressor.power_w(air_flow_kg_s=0.15, inlet_k=298.15, outlet_k=391.434)
    assert got == pytest.approx(14063.0, rel=1e-3)
