"""Spark limits of this vehicle's engine: the knock model's table, made once per vehicle."""

from dataclasses import dataclass
from functools import lru_cache

from pipeline.meta import FactMeta
from pipeline.physics import combustion, fuel, knock, knock_table
from pipeline.physics.knock_table import KnockTable
from pipeline.session import View
from pipeline.vehicle import Vehicle

META = FactMeta(
    summary="modelled spark limits of the engine over speed, pressure, temperature and lambda",
    version=1,
    uses=("manifold_pressure", "ethanol_content"),
)

#: Lower heating value, MJ/kg, and heat of evaporation, kJ/kg, by kind of fuel (handbook values,
#: from memory; blends by mass).
_HEAT = {
    "petrol": (43.4, 350.0),
    "e10": (41.7, 407.0),
    "e85": (29.2, 840.0),
    "ethanol": (26.8, 920.0),
    "methanol": (20.0, 1170.0),
}


@dataclass(frozen=True, eq=False)
class VehicleKnock:
    """The table and what it rests on. assumed: names of vehicle values that are defaults."""

    table: KnockTable
    engine: knock_table.Engine
    assumed: tuple[str, ...]


def engine_of(vehicle: Vehicle) -> knock_table.Engine:
    """What the knock model needs of a vehicle."""
    engine = vehicle.engine
    heating, evaporation = _HEAT[vehicle.fuel.kind]
    boosted = engine.forced_induction
    return knock_table.Engine(
        cylinder=combustion.cylinder_from(
            displacement_l=engine.displacement_l,
            cylinders=engine.cylinders,
            compression_ratio=engine.compression_ratio,
            bore_mm=engine.bore_mm,
            stroke_mm=engine.stroke_mm,
            rod_mm=engine.rod_mm,
        ),
        octane=vehicle.fuel.octane_ron,
        # Without word from the file: a turbine in the exhaust only matters above the barometer.
        boosted=True if boosted is None else boosted,
        fuel=knock.FuelHeat(
            stoichiometric_ratio=fuel.fuel_ratio(
                vehicle.fuel.kind, vehicle.fuel.stoichiometric_ratio
            ),
            heating_value_mj_kg=heating,
            evaporation_kj_kg=evaporation,
        ),
    )


@lru_cache(maxsize=8)
def _built(engine: knock_table.Engine) -> KnockTable:
    return knock_table.build(engine)


def compute(view: View) -> VehicleKnock:
    """Build the table of the view's vehicle (0.1 s, once per engine where it can be kept)."""
    engine = engine_of(view.vehicle)
    return VehicleKnock(_built(engine), engine, _assumed(view.vehicle))


def keep_key(vehicle: Vehicle) -> str:
    """What the table follows from, as a hash: kept under it between sessions and runs."""
    return engine_of(vehicle).key


def to_bytes(value: VehicleKnock) -> bytes:
    """The table's own bytes; what it rests on is read from the vehicle again."""
    return value.table.to_bytes()


def from_bytes(raw: bytes, vehicle: Vehicle) -> VehicleKnock:
    """The fact from kept bytes; ValueError where they are something else."""
    return VehicleKnock(KnockTable.from_bytes(raw), engine_of(vehicle), _assumed(vehicle))


def _assumed(vehicle: Vehicle) -> tuple[str, ...]:
    return tuple(
        name
        for name in (
            "engine.compression_ratio", "fuel.octane_ron", "engine.displacement_l",
            "engine.bore_mm", "engine.stroke_mm",
        )
        if not vehicle.is_given(name)
    )  # fmt: skip
