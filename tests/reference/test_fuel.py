"""Fuel chemistry against handbook values and a registry library's numbers."""

import numpy as np
import pytest

from pipeline.physics import fuel

# Heywood, Internal Combustion Engine Fundamentals, table D.4 and equation 3.6 (from memory,
# recomputed with its air: 3.773 mol of 28.16 g/mol per mol O2).
HEYWOOD = [
    ("iso-octane", 18 / 8, 0.0, 15.128),
    ("n-heptane", 16 / 7, 0.0, 15.176),
    ("toluene", 8 / 7, 0.0, 13.503),
    ("ethanol", 3.0, 0.5, 9.003),
    ("methanol", 4.0, 1.0, 6.472),
    ("petrol CH1.87", 1.87, 0.0, 14.600),
    ("methane", 4.0, 0.0, 17.234),
    ("tert-butyl methyl ether", 12 / 5, 1 / 5, 11.762),
]


@pytest.mark.parametrize(("name", "hydrogen", "oxygen", "ratio"), HEYWOOD)
def test_stoichiometric_ratio_matches_the_handbook(name, hydrogen, oxygen, ratio):
    assert fuel.stoichiometric_ratio(hydrogen, oxygen) == pytest.approx(ratio, abs=0.01)


# UN Regulation 83, reference fuels' formulas (from memory), ratios by Heywood's air.
@pytest.mark.parametrize(
    ("hydrogen", "oxygen", "ratio"),
    [(1.85, 0.0, 14.571), (1.89, 0.016, 14.286), (1.93, 0.033, 13.992), (2.74, 0.385, 9.857)],
)
def test_reference_fuels_by_formula(hydrogen, oxygen, ratio):
    assert fuel.stoichiometric_ratio(hydrogen, oxygen) == pytest.approx(ratio, abs=0.01)


def test_a_fuel_full_of_oxygen_is_refused():
    with pytest.raises(ValueError, match="needs no air"):
        fuel.stoichiometric_ratio(2.0, 3.0)


# Definition: masses and air add up; densities of EN 228 petrol and handbook ethanol.
@pytest.mark.parametrize(
    ("share", "base", "expected"),
    [(0.10, 14.7, 14.100), (0.10, 14.6, 14.010), (0.10, 14.5, 13.921), (0.05, 14.7, 14.399),
     (0.20, 14.7, 13.507), (0.85, 14.7, 9.814)],
)  # fmt: skip
def test_blends_are_weighted_by_mass(share, base, expected):
    assert float(fuel.blend_ratio(volume_share=share, base=base)) == pytest.approx(
        expected, abs=0.005
    )


def test_every_kind_of_fuel_has_a_ratio_and_an_own_figure_wins():
    expected = {"petrol": 14.6, "e10": 14.01, "e85": 9.80, "ethanol": 9.0, "methanol": 6.47}
    for kind, ratio in expected.items():
        assert fuel.fuel_ratio(kind) == pytest.approx(ratio, abs=0.02)
    assert fuel.fuel_ratio("petrol", 14.2) == 14.2


def test_display_and_correction():
    # definition: the displayed ratio is lambda times the instrument's ratio
    for ratio, shown in [(14.7, 12.495), (14.6, 12.410), (9.0, 7.650)]:
        assert float(fuel.displayed_ratio(0.85, ratio)) == pytest.approx(shown, abs=1e-3)
    assert float(fuel.correction_factor(measured=0.92, target=0.85)) == pytest.approx(1.08235, 1e-5)


# Stoichiometry of CH1.87 in Heywood's air, complete combustion; wet and dry volume percent O2.
LEAN = [(1.05, 1.065, 0.938), (1.1, 2.028, 1.796), (1.2, 3.698, 3.308), (1.3, 5.097, 4.599),
        (1.5, 7.309, 6.686), (2.0, 10.837, 10.137)]  # fmt: skip


@pytest.mark.parametrize(("lam", "dry", "wet"), LEAN)
def test_oxygen_of_lean_exhaust_and_back(lam, dry, wet):
    assert float(fuel.lean_oxygen_pct(lam)) == pytest.approx(dry, abs=0.005)
    assert float(fuel.lean_oxygen_pct(lam, wet=True)) == pytest.approx(wet, abs=0.005)
    assert float(fuel.lambda_from_oxygen(fuel.lean_oxygen_pct(lam))) == pytest.approx(lam, 1e-9)
    again = fuel.lambda_from_oxygen(fuel.lean_oxygen_pct(lam, wet=True), wet=True)
    assert float(again) == pytest.approx(lam, 1e-9)


def test_oxygen_agrees_with_an_equilibrium_calculation():
    # equilibrium at 1740 K by an open chemical kinetics library with a natural-gas mechanism
    assert float(fuel.lean_oxygen_pct(1.1)) == pytest.approx(1.972, abs=0.06)
    assert float(fuel.lean_oxygen_pct(1.3)) == pytest.approx(5.004, abs=0.10)


# Brettschneider 1979; H/C 1.7261 and O/C 0.0175 as used by emission inspection standards.
@pytest.mark.parametrize(
    ("co2", "co", "o2", "hc", "six", "twelve"),
    [(14.7, 0.5, 0.8, 100, 1.0185, 1.0145), (12.0, 4.0, 0.5, 200, 0.9010, 0.8943),
     (13.0, 0.2, 3.0, 1000, 1.1030, 1.0570)],
)  # fmt: skip
def test_lambda_from_five_gases(co2, co, o2, hc, six, twelve):
    for carbons, expected in ((6.0, six), (12.0, twelve)):
        got = fuel.lambda_brettschneider(
            carbon_dioxide_pct=co2, carbon_monoxide_pct=co, oxygen_pct=o2, hydrocarbons_ppm=hc,
            carbons=carbons,
        )  # fmt: skip
        assert got == pytest.approx(expected, abs=1e-4)


@pytest.mark.parametrize("lam", [1.0, 1.1, 1.3])
def test_five_gases_of_an_ideal_exhaust_give_lambda_back(lam):
    # algebra: dry shares of CO2 and O2 of the same fuel
    need = 1 + 1.87 / 4
    moles = 1 + (lam - 1) * need + fuel.NITROGEN_PER_OXYGEN * lam * need
    got = fuel.lambda_brettschneider(
        carbon_dioxide_pct=100 / moles, carbon_monoxide_pct=0.0,
        oxygen_pct=float(fuel.lean_oxygen_pct(lam)), hydrocarbons_ppm=0.0, hydrogen=1.87,
        oxygen=0.0,
    )  # fmt: skip
    assert got == pytest.approx(lam, abs=1e-9)


def test_leak_and_misfire_read_lean():
    # balance of moles for CH1.87 and of burned fuel
    assert fuel.leak_reading(np.array([0.01, 0.02, 0.05])) == pytest.approx(
        [1.0107, 1.0213, 1.0533], abs=1e-4
    )
    assert fuel.misfire_reading(np.array([1 / 4, 1 / 6])) == pytest.approx([4 / 3, 1.2])
    assert fuel.misfire_reading(np.array([0.01, 0.02, 0.05, 0.10])) == pytest.approx(
        [1.0101, 1.0204, 1.0526, 1.1111], abs=1e-4
    )


def test_unreferenced_regulator_crosses_one_at_the_barometer():
    # Bernoulli, 300 kPa over a barometer of 101.3 kPa
    factor = fuel.unreferenced_factor(np.array([35.0, 101.3, 150.0, 200.0]), barometer_kpa=101.3)
    assert factor == pytest.approx([0.905, 1.0, 1.09, 1.22], abs=0.006)
