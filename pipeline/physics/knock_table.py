"""Spark limits of one engine over speed, pressure, temperature and lambda, and margins from it.

The limit is the spark at which the knock integral (knock.py) reaches 1. It is found once per
engine by secant steps over all points at once; rows of a log only look it up.
"""

import hashlib
import io
import json
from dataclasses import asdict, dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.physics import combustion as cyl
from pipeline.physics import knock

FloatArray = NDArray[np.float64]

#: Raised when the model or the table's layout changes: part of the key of what is kept.
VERSION = 3

#: Axes, closer where the limit bends: low speed, around the barometer; lambda has a node where
#: the mixture's effect turns. A line between two nodes misses the model's own limit by 0.6 deg
#: at most in nine of ten places (1.5 deg with half as many nodes, most of all where the integral
#: hardly rises with spark).
SPEED_RPM = (800.0, 1100.0, 1500.0, 1900.0, 2400.0, 3000.0, 3700.0, 4500.0, 5500.0, 6600.0, 8000.0)
MANIFOLD_KPA = (
    45.0, 60.0, 72.0, 84.0, 94.0, 104.0, 114.0, 126.0, 140.0, 160.0, 185.0, 215.0, 260.0, 320.0,
)  # fmt: skip
INTAKE_C = (-10.0, 15.0, 35.0, 55.0, 90.0)
LAMBDA = (0.70, 0.78, 0.87, knock.MIXTURE_PEAK_LAMBDA, 1.05)
SECANT_STEPS = 5


@dataclass(frozen=True, kw_only=True)
class Engine:
    """What the table depends on."""

    cylinder: cyl.Cylinder
    octane: float
    boosted: bool
    fuel: knock.FuelHeat = knock.PETROL
    delay_scale: float = knock.DELAY_SCALE

    @property
    def key(self) -> str:
        """Hash of everything the table follows from."""
        text = json.dumps([VERSION, asdict(self)], sort_keys=True)
        return hashlib.sha256(text.encode()).hexdigest()[:16]


@dataclass(frozen=True)
class KnockTable:
    """Spark limits of one engine. Arrays of shape (speed, pressure, temperature, lambda).

    limit_deg: spark at integral 1, deg before top dead centre, mixture term included.
    slope: d ln(integral) / d spark there, 1/deg. by_burn, by_residual, by_temperature: shift of
    the limit (deg) when the burn takes 15 % longer, the residual share is 0.02 higher, the
    charge 10 K warmer.
    """

    engine_octane: float
    limit_deg: FloatArray
    slope: FloatArray
    by_burn: FloatArray
    by_residual: FloatArray
    by_temperature: FloatArray

    def to_bytes(self) -> bytes:
        """The table as bytes (numpy's archive, the same bytes for the same table)."""
        out = io.BytesIO()
        for array in (np.array([self.engine_octane]), *self._arrays()):
            np.save(out, array)
        return out.getvalue()

    @classmethod
    def from_bytes(cls, raw: bytes) -> "KnockTable":
        """The table from :meth:`to_bytes`; ValueError where the bytes are something else."""
        stream = io.BytesIO(raw)
        try:
            arrays = [np.load(stream, allow_pickle=False) for _ in range(6)]
        except (EOFError, ValueError, OSError) as error:
            raise ValueError("not a knock table") from error
        shape = (len(SPEED_RPM), len(MANIFOLD_KPA), len(INTAKE_C), len(LAMBDA))
        if arrays[0].shape != (1,) or any(a.shape != shape for a in arrays[1:]):
            raise ValueError("a knock table of another layout")
        return cls(float(arrays[0][0]), *arrays[1:])

    def _arrays(self) -> tuple[FloatArray, ...]:
        return (self.limit_deg, self.slope, self.by_burn, self.by_residual, self.by_temperature)


def build(engine: Engine, *, mixture_term: bool = True) -> KnockTable:
    """Find the limits of one engine: about 0.15 s. Without the mixture term only to compare."""
    axes = np.meshgrid(SPEED_RPM, MANIFOLD_KPA, INTAKE_C, LAMBDA, indexing="ij")
    shape = axes[0].shape
    speed, pressure, celsius, mixture = (a.ravel() for a in axes)

    relief = np.zeros(speed.size)

    def log_integral(spark: FloatArray, **changes: float) -> FloatArray:
        warmer = changes.pop("temperature_k", 0.0)
        return (
            knock.run_cycle(
                engine.cylinder,
                speed_rpm=speed,
                manifold_kpa=pressure,
                intake_k=knock.intake_kelvin(celsius) + warmer,
                lambda_=mixture,
                spark_deg=spark,
                octane=engine.octane,
                boosted=engine.boosted,
                fuel=engine.fuel,
                delay_scale=engine.delay_scale,
                **changes,
            ).log_integral
            - relief
        )

    before = np.clip(30.0 - 0.12 * (pressure - 90.0), 2.0, 40.0)
    value = log_integral(before)
    if mixture_term:
        # Russ measured the whole effect: the part that the cycle shows itself (cooler charge,
        # slower burn, less heat) is not counted twice.
        by_lambda = value.reshape(shape)
        at_peak = by_lambda[..., LAMBDA.index(knock.MIXTURE_PEAK_LAMBDA)]
        own = (at_peak[..., None] - by_lambda).ravel()
        whole = knock.octane_log(octane=engine.octane, change=knock.mixture_octane(mixture))
        relief = np.maximum(whole - own, 0.0)
        value = value - relief
    slope = np.full_like(value, 0.1)
    spark = before
    for _ in range(SECANT_STEPS):
        step = np.clip(-value / slope, -15.0, 15.0)
        after = np.clip(spark + step, knock.LIMIT_LOW_DEG, knock.LIMIT_HIGH_DEG)
        moved = after - spark
        new = log_integral(after)
        far = np.abs(moved) > 1e-3
        found = (new - value) / np.where(far, moved, 1.0)
        slope = np.where(far, np.maximum(found, knock.SLOPE_LEAST), slope)
        spark, value = after, new

    def shift(**changes: float) -> FloatArray:
        return -(log_integral(spark, **changes) - value) / slope

    by_burn = shift(burn_factor=1.0 + knock.BURN_BAND)
    by_residual = shift(residual_add=knock.RESIDUAL_BAND)
    by_temperature = shift(temperature_k=knock.TEMPERATURE_BAND_K)
    arrays = (spark, slope, by_burn, by_residual, by_temperature)
    return KnockTable(engine.octane, *(a.reshape(shape) for a in arrays))


@dataclass(frozen=True)
class Lookup:
    """Weights of the corners round each of m points: indices (16, m) and weights (16, m)."""

    index: NDArray[np.int64]
    weight: FloatArray

    def of(self, table: FloatArray) -> FloatArray:
        """Interpolated values (m,) of one array of the table."""
        return np.asarray((table.ravel()[self.index] * self.weight).sum(axis=0))


def look_up(
    *, speed_rpm: ArrayLike, manifold_kpa: ArrayLike, intake_c: ArrayLike, lambda_: ArrayLike
) -> Lookup:
    """Weights for points (m,); outside the axes the nearest edge holds."""
    axes = (SPEED_RPM, MANIFOLD_KPA, INTAKE_C, LAMBDA)
    places = [
        np.interp(np.asarray(v, dtype=np.float64), axis, np.arange(len(axis)))
        for v, axis in zip((speed_rpm, manifold_kpa, intake_c, lambda_), axes, strict=True)
    ]
    index = np.zeros((1, places[0].size), dtype=np.int64)
    weight = np.ones((1, places[0].size))
    for place, axis in zip(places, axes, strict=True):
        low = np.minimum(place.astype(np.int64), len(axis) - 2)
        part = place - low
        index = np.concatenate([index * len(axis) + low, index * len(axis) + low + 1])
        weight = np.concatenate([weight * (1.0 - part), weight * part])
    return Lookup(index, weight)


def spark_limit(
    table: KnockTable, lookup: Lookup, *, log_scale: ArrayLike = 0.0
) -> tuple[FloatArray, FloatArray]:
    """Spark limit (deg, (m,)) and the slope of ln(integral) there (1/deg).

    log_scale: ln of this vehicle's delay scale over the table's.
    """
    slope = np.maximum(lookup.of(table.slope), knock.SLOPE_LEAST)
    limit = lookup.of(table.limit_deg) + np.asarray(log_scale) / slope
    return np.clip(limit, knock.LIMIT_LOW_DEG, knock.LIMIT_HIGH_DEG), slope
