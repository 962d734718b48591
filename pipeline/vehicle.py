"""The vehicle file: a checked model of ``vehicle.toml``, its defaults and their reasons.

Every key is optional. A value keeps where it came from (vehicle file or default), because the
page shows each assumption with its origin.
"""

import difflib
import itertools
import re
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Annotated, Any, Literal, get_args

import msgspec
from msgspec import Meta

from pipeline.limits import Limits
from pipeline.wrong_value import explain

Positive = Annotated[float, Meta(gt=0)]
LoadSensing = Literal["speed_density", "air_meter", "throttle_speed"]
FuelKind = Literal["petrol", "e10", "e85", "ethanol", "methanol"]


class VehicleError(ValueError):
    """A vehicle file or logbook that cannot be used; ``line`` 1 may mean the whole file."""

    def __init__(self, what: str, cure: str, line: int = 1) -> None:
        super().__init__(f"{what}: {cure}")
        self.what, self.cure, self.line = what, cure, line


class _Block(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Shared settings of every table of the vehicle file."""


class Body(_Block, frozen=True):
    """``[vehicle]``: the car as the road sees it."""

    name: str = "unnamed vehicle"
    mass_kg: Annotated[float, Meta(ge=100, le=10000)] = 1350.0
    drag_area_m2: Annotated[float, Meta(ge=0.1, le=5)] = 0.68
    rolling_resistance: Annotated[float, Meta(ge=0.002, le=0.1)] = 0.013


class Engine(_Block, frozen=True):
    """``[engine]``: geometry and control."""

    displacement_l: Annotated[float, Meta(gt=0, le=20)] = 2.0
    cylinders: Annotated[int, Meta(ge=1, le=16)] = 4
    compression_ratio: Annotated[float, Meta(ge=5, le=20)] = 9.0
    bore_mm: Annotated[float, Meta(ge=30, le=200)] | None = None
    stroke_mm: Annotated[float, Meta(ge=30, le=200)] | None = None
    rod_mm: Annotated[float, Meta(ge=50, le=400)] | None = None
    forced_induction: bool | None = None
    rev_limit_rpm: Annotated[float, Meta(ge=1000, le=20000)] = 6500.0
    idle_rpm: Annotated[float, Meta(ge=200, le=3000)] = 850.0
    thermostat_c: Annotated[float, Meta(ge=50, le=120)] = 85.0
    load_sensing: LoadSensing | None = None


class Fuel(_Block, frozen=True):
    """``[fuel]``: what is burned. ``stoichiometric_ratio`` wins over ``kind``."""

    kind: FuelKind = "petrol"
    stoichiometric_ratio: Annotated[float, Meta(ge=4, le=20)] | None = None
    octane_ron: Annotated[float, Meta(ge=70, le=130)] = 95.0


class Site(_Block, frozen=True):
    """``[site]``: where the car lives."""

    altitude_m: Annotated[float, Meta(ge=-500, le=6000)] = 0.0


class DeadTime(_Block, frozen=True):
    """Injector dead time over battery voltage, break points in rising volts."""

    volts: list[float]
    ms: list[float]


class Injector(_Block, frozen=True):
    """``[injector]``: data of one injector."""

    flow_cc_min: Annotated[float, Meta(gt=0, le=5000)] | None = None
    rated_pressure_kpa: Annotated[float, Meta(ge=50, le=2000)] = 300.0
    dead_time_ms: Annotated[float, Meta(ge=0, le=5)] | DeadTime = 1.0
    shots_per_cycle: Annotated[int, Meta(ge=1, le=4)] = 1
    referenced_regulator: bool = True


class LambdaSensor(_Block, frozen=True):
    """``[lambda_sensor]``: the wideband sensor and where it sits."""

    display_ratio: Annotated[float, Meta(ge=4, le=20)] | None = None
    position: Literal["after_turbine", "before_turbine"] = "after_turbine"
    pipe_volume_l: Annotated[float, Meta(gt=0, le=50)] | None = None


class PressureSensor(_Block, frozen=True):
    """``[manifold_pressure_sensor]``: its full scale."""

    range_kpa: Annotated[float, Meta(ge=80, le=1000)] | None = None


class FuelTable(_Block, frozen=True):
    """``[fuel_table]``: break points of the controller's own table."""

    rpm: list[Positive]
    load_kpa: list[Positive]


class LambdaTarget(_Block, frozen=True):
    """``[lambda_target]``: one row per load, one number per speed."""

    rpm: list[Positive]
    load_kpa: list[Positive]
    values: list[list[Annotated[float, Meta(ge=0.4, le=2)]]]


class Log(_Block, frozen=True):
    """``[log]``: for logs without a clock."""

    rate_hz: Annotated[float, Meta(gt=0, le=1000)] | None = None


class ChannelRule(_Block, frozen=True):
    """One column's mapping; the value is ``raw * scale + offset`` in ``unit``."""

    channel: str
    unit: str | None = None
    scale: float = 1.0
    offset: float = 0.0


class Privacy(_Block, frozen=True):
    """``[privacy]``: whether ``samples.parquet`` keeps the position."""

    keep_position: bool = True


class Vehicle(_Block, frozen=True):
    """One vehicle: all that is assumed of it. Blocks are named as in the file."""

    units: Literal["metric", "us"] = "metric"
    vehicle: Body = Body()
    engine: Engine = Engine()
    fuel: Fuel = Fuel()
    site: Site = Site()
    injector: Injector = Injector()
    lambda_sensor: LambdaSensor = LambdaSensor()
    manifold_pressure_sensor: PressureSensor = PressureSensor()
    fuel_table: FuelTable | None = None
    lambda_target: LambdaTarget | None = None
    log: Log = Log()
    channels: dict[str, str | ChannelRule] = {}
    limits: Limits = Limits()
    privacy: Privacy = Privacy()
    #: Dotted names of the keys that the file gave; the rest are defaults.
    given: frozenset[str] = frozenset()

    def assumed(self) -> Iterator[tuple[str, Any, str]]:
        """Yield (dotted name, value, "vehicle.toml" or "default") of every single value."""
        for block in ("vehicle", "engine", "fuel", "site", "injector", "lambda_sensor",
                      "manifold_pressure_sensor", "log"):  # fmt: skip
            for key, value in msgspec.structs.asdict(getattr(self, block)).items():
                name = f"{block}.{key}"
                plain = msgspec.to_builtins(value)
                yield name, plain, "vehicle.toml" if name in self.given else "default"
        for name in sorted(n for n in self.given if n.startswith("limits.")):
            yield name, msgspec.to_builtins(getattr(self.limits, name[7:])), "vehicle.toml"

    def is_given(self, name: str) -> bool:
        """Tell whether the vehicle file gave this dotted key (``engine.cylinders``)."""
        return name in self.given


DEFAULT_VEHICLE = Vehicle()


def load_vehicle(path: Path, *, channel_names: Mapping[str, object]) -> Vehicle:
    """Read and check a vehicle file.

    ``channel_names`` is the nomenclature that ``[channels]`` may use.
    Raises VehicleError with a message and a cure; OSError where the file cannot be read.
    """
    return parse_vehicle(path.read_bytes(), channel_names=channel_names)


def parse_vehicle(raw: bytes, *, channel_names: Mapping[str, object]) -> Vehicle:
    """Check the bytes of a vehicle file; see :func:`load_vehicle`."""
    tree = parse_toml(raw)
    text = raw.decode("utf-8-sig")
    refuse_unknown(tree, Vehicle, text)
    try:
        model = msgspec.convert(tree, Vehicle, strict=True)
    except msgspec.ValidationError as error:
        raise _explain(error, text) from None
    _check_channels(model, channel_names, text)
    _check_tables(model, text)
    given = frozenset(
        f"{block}.{key}"
        for block, values in tree.items()
        if isinstance(values, dict) and block != "channels"
        for key in values
    ) | frozenset(key for key, value in tree.items() if not isinstance(value, dict))
    return msgspec.structs.replace(model, given=given)


def parse_toml(raw: bytes) -> dict[str, Any]:
    """TOML bytes to a tree; raises VehicleError with the line of the first mistake."""
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise VehicleError("not UTF-8 text", "save the file as UTF-8", line) from None
    try:
        return tomllib.loads(text.replace("\r\n", "\n"))
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        message = str(error) or "nested too deeply"
        _, _, where = message.partition("(at line ")
        line = int(where.split(",")[0]) if where[:1].isdigit() else 1
        what = message.split(" (at ")[0]
        raise VehicleError(
            f"not valid TOML ({what})", "correct the line (text in quotes, decimal point)", line
        ) from None


def refuse_unknown(tree: Mapping[str, Any], model: type[msgspec.Struct], text: str) -> None:
    """Raise VehicleError for the first key the model does not know, naming the nearest one."""
    known = {field.name: field for field in msgspec.structs.fields(model) if field.name != "given"}
    for key, value in tree.items():
        if key not in known:
            raise unknown_key(key, known, line_of(text, key))
        if isinstance(value, dict):
            inner = _struct_of(known[key].type)
            if inner is not None:
                refuse_unknown(value, inner, text)


def unknown_key(key: str, known: Mapping[str, object], line: int) -> VehicleError:
    """Build the error for a key nobody knows."""
    near = difflib.get_close_matches(key, list(known), n=1, cutoff=0.5)
    cure = f"did you mean '{near[0]}'?" if near else f"known here: {', '.join(sorted(known))}"
    return VehicleError(f"unknown key '{_short(key)}'", cure, line)


def line_of(text: str, key: str) -> int:
    """Line (from 1) on which a key of this name first stands, 1 where it is not found."""
    for number, line in enumerate(text.splitlines(), start=1):
        head = line.split("#")[0].split("=")[0].strip().strip("[]").strip()
        if head.split(".")[-1].strip().strip("\"'") == key:
            return number
    inline = re.compile(rf"(?<![\w-])[\"']?{re.escape(key)}[\"']?\s*=")
    for number, line in enumerate(text.splitlines(), start=1):
        if inline.search(line.split("#")[0]):
            return number
    return 1


def _struct_of(kind: Any) -> type[msgspec.Struct] | None:
    """Find the Struct in a field's type (itself, or the one member of a union)."""
    options = [kind, *get_args(kind)]
    structs = [o for o in options if isinstance(o, type) and issubclass(o, msgspec.Struct)]
    return structs[0] if structs else None


def _explain(error: msgspec.ValidationError, text: str) -> VehicleError:
    what, cure, place = explain(error, Vehicle)
    key = place.split(".")[-1].split("[")[0] if place else ""
    return VehicleError(f"{place or 'file'}: {what}", cure, line_of(text, key) if key else 1)


def _check_channels(model: Vehicle, channel_names: Mapping[str, object], text: str) -> None:
    for column, rule in model.channels.items():
        name = rule if isinstance(rule, str) else rule.channel
        if name in channel_names or name in ("time", "ignore"):
            continue
        near = difflib.get_close_matches(name, list(channel_names), n=1, cutoff=0.4)
        cure = f"did you mean '{near[0]}'?" if near else "see the list of channels in README"
        where = line_of(text, column)
        raise VehicleError(f"unknown channel '{_short(name)}' for a column", cure, where)


def _check_tables(model: Vehicle, text: str) -> None:
    for block in (model.fuel_table, model.lambda_target):
        if block is None:
            continue
        title = "fuel_table" if isinstance(block, FuelTable) else "lambda_target"
        for axis in ("rpm", "load_kpa"):
            values: list[float] = getattr(block, axis)
            if len(values) < 2 or any(b <= a for a, b in itertools.pairwise(values)):
                raise VehicleError(
                    f"{title}.{axis} needs two or more rising numbers",
                    "list the break points from low to high",
                    line_of(text, title),
                )
    target = model.lambda_target
    if target is not None and (
        len(target.values) != len(target.load_kpa)
        or any(len(row) != len(target.rpm) for row in target.values)
    ):
        raise VehicleError(
            "lambda_target.values has another shape than its axes",
            "give one row per load_kpa and one number per rpm in each",
            line_of(text, "lambda_target"),
        )
    dead = model.injector.dead_time_ms
    if isinstance(dead, DeadTime) and (
        len(dead.volts) != len(dead.ms)
        or len(dead.volts) < 2
        or any(b <= a for a, b in itertools.pairwise(dead.volts))
    ):
        raise VehicleError(
            "injector.dead_time_ms needs as many ms as volts, volts rising",
            "list both from low to high voltage",
            line_of(text, "dead_time_ms"),
        )
    limits = model.limits
    if len(limits.lean_target_kpa) != len(limits.lean_target_lambda) or not limits.lean_target_kpa:
        raise VehicleError(
            "limits.lean_target_kpa and lean_target_lambda differ in length",
            "give one lambda per pressure",
            line_of(text, "lean_target_kpa"),
        )


def _short(text: str) -> str:
    """Keep a user's word printable in a one-line message."""
    clean = "".join(c if c.isprintable() else "?" for c in text)
    return clean if len(clean) <= 60 else clean[:57] + "..."
