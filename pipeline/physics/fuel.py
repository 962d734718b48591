"""Air-fuel stoichiometry: ratios, blends, lambda from exhaust gas, dilution by leak and misfire.

Air definition used throughout: 1 mol O2 with 3.773 mol "atmospheric nitrogen" of 28.16 g/mol,
as in Heywood, Internal Combustion Engine Fundamentals, chapter 3. Other definitions (3.76 mol of
pure N2, or air with argon listed apart) move every ratio by up to 0.6 %.
"""

from collections.abc import Mapping
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

#: g/mol, IUPAC standard atomic weights, abridged.
CARBON, HYDROGEN, OXYGEN = 12.011, 1.008, 15.999
#: mol atmospheric nitrogen per mol O2, and g air per mol O2 (Heywood, chapter 3).
NITROGEN_PER_OXYGEN = 3.773
AIR_PER_OXYGEN_G = 2 * OXYGEN + NITROGEN_PER_OXYGEN * 28.16

#: Density at 15 °C, kg/m3. Petrol: middle of EN 228's 720-775; ethanol, methanol: handbook.
DENSITY = MappingProxyType({"petrol": 745.0, "ethanol": 789.0, "methanol": 791.0})
#: Hydrogen per carbon of a typical petrol (UN R83 reference fuel E0 is CH1.85; from memory).
PETROL_HYDROGEN = 1.87


def stoichiometric_ratio(hydrogen: float, oxygen: float = 0.0) -> float:
    """Mass of air per mass of fuel CH(hydrogen)O(oxygen) at lambda 1.

    Heywood chapter 3 for CHy: 34.56 (4 + y) / (12.011 + 1.008 y); with oxygen in the fuel by the
    same balance of moles. Raises ValueError where the fuel needs no oxygen.
    """
    need = 1.0 + hydrogen / 4.0 - oxygen / 2.0
    if need <= 0.0:
        raise ValueError("a fuel that carries this much oxygen needs no air")
    return AIR_PER_OXYGEN_G * need / (CARBON + HYDROGEN * hydrogen + OXYGEN * oxygen)


def blend_ratio(*, volume_share: ArrayLike, base: float = 14.7, added: float = 9.0) -> FloatArray:
    """Stoichiometric ratio of petrol (``base``) blended by volume with ethanol (``added``).

    volume_share: of the ethanol, 0 to 1. The ratios are weighted by mass: air adds up, so does
    fuel mass (definition).
    """
    share = np.asarray(volume_share, dtype=np.float64)
    mass_added, mass_base = share * DENSITY["ethanol"], (1.0 - share) * DENSITY["petrol"]
    ratio: FloatArray = (mass_added * added + mass_base * base) / (mass_added + mass_base)
    return ratio


_PETROL = stoichiometric_ratio(PETROL_HYDROGEN)
_ETHANOL = stoichiometric_ratio(3.0, 0.5)

#: Stoichiometric ratio by ``[fuel] kind``. E85 as sold: 85 % by volume ethanol.
KIND_RATIO: Mapping[str, float] = MappingProxyType({
    "petrol": _PETROL,
    "e10": float(blend_ratio(volume_share=0.10, base=_PETROL, added=_ETHANOL)),
    "e85": float(blend_ratio(volume_share=0.85, base=_PETROL, added=_ETHANOL)),
    "ethanol": _ETHANOL,
    "methanol": stoichiometric_ratio(4.0, 1.0),
})  # fmt: skip
#: Density by ``[fuel] kind``, kg/m3 (volumes taken to add up).
KIND_DENSITY: Mapping[str, float] = MappingProxyType(
    {
        **DENSITY,
        "e10": 0.90 * DENSITY["petrol"] + 0.10 * DENSITY["ethanol"],
        "e85": 0.15 * DENSITY["petrol"] + 0.85 * DENSITY["ethanol"],
    }
)


def fuel_ratio(kind: str, own: float | None = None) -> float:
    """Stoichiometric ratio of a kind of fuel; the vehicle's ``own`` figure wins."""
    return KIND_RATIO[kind] if own is None else own


def displayed_ratio(lambda_: ArrayLike, ratio: float) -> FloatArray:
    """Air-fuel ratio an instrument with this ratio at lambda 1 shows."""
    return np.asarray(lambda_, dtype=np.float64) * ratio


def correction_factor(*, measured: ArrayLike, target: ArrayLike) -> FloatArray:
    """Factor on the fuel that brings lambda to target: fuel is in proportion to 1/lambda."""
    return np.asarray(measured, dtype=np.float64) / np.asarray(target, dtype=np.float64)


def lean_oxygen_pct(lambda_: ArrayLike, *, hydrogen: float = PETROL_HYDROGEN,
                    wet: bool = False) -> FloatArray:  # fmt: skip
    """Volume percent O2 in the exhaust of complete lean combustion (balance of moles, lambda >= 1).

    Heywood chapter 4: products CO2, H2O, O2, N2 of CHy in excess air; dry without the water.
    """
    lam = np.asarray(lambda_, dtype=np.float64)
    need = 1.0 + hydrogen / 4.0
    oxygen = (lam - 1.0) * need
    moles = 1.0 + oxygen + NITROGEN_PER_OXYGEN * lam * need + (hydrogen / 2.0 if wet else 0.0)
    percent: FloatArray = 100.0 * oxygen / moles
    return percent


def lambda_from_oxygen(oxygen_pct: ArrayLike, *, hydrogen: float = PETROL_HYDROGEN,
                       wet: bool = False) -> FloatArray:  # fmt: skip
    """Invert :func:`lean_oxygen_pct`: lambda from volume percent O2 of a lean exhaust."""
    share = np.asarray(oxygen_pct, dtype=np.float64) / 100.0
    need = 1.0 + hydrogen / 4.0
    rest = 1.0 + (hydrogen / 2.0 if wet else 0.0)
    lam: FloatArray = (need + share * (rest - need)) / (
        need * (1.0 - share * (1.0 + NITROGEN_PER_OXYGEN))
    )
    return lam


def lambda_brettschneider(*, carbon_dioxide_pct: float, carbon_monoxide_pct: float,
                          oxygen_pct: float, hydrocarbons_ppm: float, nitric_oxide_ppm: float = 0.0,
                          carbons: float = 6.0, hydrogen: float = 1.7261,
                          oxygen: float = 0.0175) -> float:  # fmt: skip
    """Lambda from the five measured gases.

    Brettschneider, Bosch Technische Berichte 6 (1979) 177-186, with the water-gas constant 3.5;
    ``carbons`` is the number of carbon atoms the hydrocarbon reading stands for (hexane: 6).
    """
    co2, co, o2 = carbon_dioxide_pct, carbon_monoxide_pct, oxygen_pct
    hc, no = hydrocarbons_ppm / 1e4 * carbons, nitric_oxide_ppm / 1e4
    water = hydrogen / 4.0 * 3.5 / (3.5 + co / co2) if co2 > 0 else 0.0
    numerator = co2 + co / 2.0 + o2 + no / 2.0 + (water - oxygen / 2.0) * (co2 + co)
    return numerator / ((1.0 + hydrogen / 4.0 - oxygen / 2.0) * (co2 + co + hc))


def leak_reading(leak_share: ArrayLike, *, lambda_: float = 1.0,
                 hydrogen: float = PETROL_HYDROGEN) -> FloatArray:  # fmt: skip
    """Lambda a sensor reads when air leaks into the exhaust before it.

    leak_share: mol leaked air per mol of (wet) exhaust. Balance of moles, lambda 1 and above.
    """
    need = 1.0 + hydrogen / 4.0
    moles = 1.0 + hydrogen / 2.0 + (lambda_ - 1.0) * need + NITROGEN_PER_OXYGEN * lambda_ * need
    extra = np.asarray(leak_share, dtype=np.float64) * moles / (1.0 + NITROGEN_PER_OXYGEN)
    return lambda_ + extra / need


def misfire_reading(share: ArrayLike, *, lambda_: float = 1.0) -> FloatArray:
    """Upper bound of what a sensor reads with a share of unburned firings: its fuel ignored.

    One of N cylinders dead reads N/(N-1); a share f reads 1/(1-f). Balance of the burned fuel.
    """
    lam: FloatArray = lambda_ / (1.0 - np.asarray(share, dtype=np.float64))
    return lam


def unreferenced_factor(manifold_kpa: ArrayLike, *, barometer_kpa: float,
                        rail_kpa: float = 300.0) -> FloatArray:  # fmt: skip
    """Lambda factor of a pressure regulator that does not follow the manifold.

    Flow through an orifice goes with the root of the pressure across it (Bernoulli): with the
    rail held at ``rail_kpa`` over the barometer the manifold's own pressure is missing from it.
    """
    across = rail_kpa + barometer_kpa - np.asarray(manifold_kpa, dtype=np.float64)
    factor: FloatArray = np.sqrt(rail_kpa / np.maximum(across, 1.0))
    return factor
