"""A cylinder over crank angle: volume, burn, wall heat. Angles in degrees, 0 at firing top dead
centre, negative before it.

Sources: slider-crank kinematics; Wiebe burn law (Ghojel, Int. J. Engine Res. 11 (2010) 297);
Woschni heat transfer (SAE 670931); gas properties and constants where marked are from memory
of Heywood, Internal Combustion Engine Fundamentals.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

#: Wiebe constants: efficiency a = 5 (99.3 % burned at the end), form m = 2 (Heywood ch. 9,
#: Ferguson and Kirkpatrick).
WIEBE_EFFICIENCY = 5.0
WIEBE_FORM = 2.0

#: Woschni: gas velocity over mean piston speed while compressing and while burning, and the
#: combustion term's constant, m/(s K) (SAE 670931; the values from memory of Heywood ch. 12).
WOSCHNI_COMPRESSION = 2.28
WOSCHNI_COMBUSTION_M_S_K = 3.24e-3

#: Connecting rod over stroke where the vehicle file has none: usual road engines 1.5 to 1.8.
ROD_TO_STROKE = 1.65


@dataclass(frozen=True, kw_only=True)
class Cylinder:
    """Geometry of one cylinder. Lengths in m."""

    bore_m: float
    stroke_m: float
    rod_m: float
    compression_ratio: float

    @property
    def swept_m3(self) -> float:
        """Swept volume, m3."""
        return float(np.pi / 4.0 * self.bore_m**2 * self.stroke_m)

    @property
    def clearance_m3(self) -> float:
        """Volume at top dead centre, m3."""
        return self.swept_m3 / (self.compression_ratio - 1.0)


def cylinder_from(
    *,
    displacement_l: float,
    cylinders: int,
    compression_ratio: float,
    bore_mm: float | None = None,
    stroke_mm: float | None = None,
    rod_mm: float | None = None,
) -> Cylinder:
    """Geometry from what is known; where bore or stroke is missing the swept volume decides.

    With neither a square engine is assumed (bore = stroke); the rod is 1.65 strokes.
    """
    swept_mm3 = displacement_l * 1e6 / cylinders
    if bore_mm is None and stroke_mm is None:
        bore_mm = (4.0 * swept_mm3 / np.pi) ** (1.0 / 3.0)
    if bore_mm is None:
        assert stroke_mm is not None
        bore_mm = float(np.sqrt(4.0 * swept_mm3 / (np.pi * stroke_mm)))
    if stroke_mm is None:
        stroke_mm = 4.0 * swept_mm3 / (np.pi * bore_mm**2)
    rod = rod_mm if rod_mm is not None else ROD_TO_STROKE * stroke_mm
    return Cylinder(
        bore_m=bore_mm / 1000.0,
        stroke_m=stroke_mm / 1000.0,
        rod_m=max(rod, 0.6 * stroke_mm) / 1000.0,
        compression_ratio=compression_ratio,
    )


def volume_m3(cylinder: Cylinder, angle_deg: ArrayLike) -> FloatArray:
    """Cylinder volume (m3) over crank angle (deg), slider crank without pin offset."""
    angle = np.radians(np.asarray(angle_deg, dtype=np.float64))
    crank = cylinder.stroke_m / 2.0
    reach = crank * np.cos(angle) + np.sqrt(cylinder.rod_m**2 - (crank * np.sin(angle)) ** 2)
    travel = crank + cylinder.rod_m - reach
    return np.asarray(cylinder.clearance_m3 + np.pi / 4.0 * cylinder.bore_m**2 * travel)


def wall_area_m2(cylinder: Cylinder, angle_deg: ArrayLike) -> FloatArray:
    """Wall area (m2): piston, a flat head of the bore's area, and the liner uncovered."""
    piston = np.pi / 4.0 * cylinder.bore_m**2
    height = volume_m3(cylinder, angle_deg) / piston
    return np.asarray(2.0 * piston + np.pi * cylinder.bore_m * height)


def mean_piston_speed_m_s(cylinder: Cylinder, speed_rpm: ArrayLike) -> FloatArray:
    """Mean piston speed (m/s): two strokes a turn."""
    return np.asarray(2.0 * cylinder.stroke_m * np.asarray(speed_rpm, dtype=np.float64) / 60.0)


def wiebe(
    angle_deg: ArrayLike,
    *,
    start_deg: ArrayLike,
    duration_deg: ArrayLike,
    efficiency: float = WIEBE_EFFICIENCY,
    form: float = WIEBE_FORM,
) -> FloatArray:
    """Burned mass fraction: 1 - exp(-a y^(m+1)), y from 0 at the start to 1 at the end.

    Shapes broadcast. Stays below 1 by exp(-a) at the end and goes on towards 1 after it.
    """
    angle = np.asarray(angle_deg, dtype=np.float64)
    y = np.maximum(angle - np.asarray(start_deg), 0.0) / np.asarray(duration_deg)
    return np.asarray(-np.expm1(-efficiency * y ** (form + 1.0)))


def wiebe_angle(
    fraction: float, *, efficiency: float = WIEBE_EFFICIENCY, form: float = WIEBE_FORM
) -> float:
    """Place y (0-1) in the burn at which this fraction has burned: the inverse of Wiebe's law."""
    return float((-np.log1p(-fraction) / efficiency) ** (1.0 / (form + 1.0)))


def woschni_w_m2_k(
    *,
    bore_m: float,
    pressure_kpa: ArrayLike,
    temperature_k: ArrayLike,
    velocity_m_s: ArrayLike,
) -> FloatArray:
    """Heat transfer coefficient (W/(m2 K)): 3.26 B^-0.2 p^0.8 T^-0.55 w^0.8, p in kPa."""
    pressure = np.asarray(pressure_kpa, dtype=np.float64)
    velocity = np.asarray(velocity_m_s, dtype=np.float64)
    return np.asarray(
        3.26
        * bore_m**-0.2
        * pressure**0.8
        * np.asarray(temperature_k, dtype=np.float64) ** -0.55
        * velocity**0.8
    )
