"""Every channel in every mode that makes sense for it: weak and strong, with and without helpers.

Three cars a seed, logged at 25, 15 and 10 Hz. What has to be found depends on what the log has: a
cell names the channels it cannot be told without. Some no log of this kind shows at all, however
strong (a throttle off by a fixed angle, a rail's or a road speed's scale, slow thermometers): they
may be told, and have not to be.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from fixtures.cars import Car, draw_car
from fixtures.drives import mixed_drive
from fixtures.faults import FAULTS
from pipeline.registry import Registry
from tests.judge.bridge import Judged
from tests.judge.harness import Case

KINDS = ("sensor_fault",)

PRESSURE, THROTTLE, LAMBDA = "manifold_pressure", "throttle_position", "lambda"
COOLANT, INTAKE, OIL_C, OUTSIDE_C, EXHAUST_C = (
    "coolant_temperature", "intake_air_temperature", "oil_temperature", "ambient_air_temperature",
    "exhaust_gas_temperature")  # fmt: skip
ROAD, VOLTS, RAIL, OIL, TURNS, METER = (
    "vehicle_speed", "battery_voltage", "fuel_pressure", "oil_pressure", "engine_speed",
    "mass_air_flow")  # fmt: skip
AIR, TARGET, PULSE = "barometric_pressure", "lambda_target", "injector_pulse_width"
#: What a log may lack and still be one.
HELPERS = (
    AIR,
    OUTSIDE_C,
    OIL_C,
    OIL,
    RAIL,
    EXHAUST_C,
    TARGET,
    "injector_duty",
    "wastegate_duty",
    "idle_air_control",
    "manifold_pressure_target",
    "knock_retard",
    "fan_state",
)
NEVER = ("no log has it",)


@dataclass(frozen=True)
class Cell:
    """A mode of some channels: what it is at its weakest and strongest, and what it needs."""

    mode: str
    channels: tuple[str, ...]
    weak: dict[str, float] = field(default_factory=dict)
    strong: dict[str, float] = field(default_factory=dict)
    needs: tuple[str, ...] = ()
    start_s: float = 200.0
    end_s: float | None = None


def _sized(mode: str, channel: str, weak: float, strong: float, *needs: str,
           **more: Any) -> Cell:  # fmt: skip
    extra = {k: more.pop(k) for k in ("gauge", "once") if k in more}
    return Cell(mode, (channel,), {"size": weak, **extra}, {"size": strong, **extra}, needs, **more)


def _always(mode: str, channel: str, weak: float, strong: float, *needs: str,
            **more: Any) -> Cell:  # fmt: skip
    return _sized(mode, channel, weak, strong, *needs, start_s=0.0, **more)


CELLS: tuple[Cell, ...] = (
    *(
        Cell("stuck", (c,))
        for c in (
            PRESSURE,
            THROTTLE,
            COOLANT,
            INTAKE,
            LAMBDA,
            ROAD,
            VOLTS,
            RAIL,
            OIL,
            OIL_C,
            EXHAUST_C,
            METER,
        )
    ),
    *(
        Cell("dead", (c,))
        for c in (PRESSURE, LAMBDA, ROAD, VOLTS, RAIL, OIL, AIR, METER, EXHAUST_C)
    ),
    *(
        Cell("open", (c,))
        for c in (PRESSURE, THROTTLE, COOLANT, INTAKE, OIL_C, LAMBDA, OUTSIDE_C, EXHAUST_C)
    ),
    *(
        Cell("short", (c,))
        for c in (PRESSURE, THROTTLE, COOLANT, INTAKE, OIL_C, LAMBDA, OUTSIDE_C, RAIL, OIL)
    ),
    *(_always("offset", PRESSURE, a, b, AIR) for a, b in ((4.0, 14.0), (-4.0, -14.0))),
    *(
        _always("offset", c, a, b, OUTSIDE_C, OIL_C)
        for c in (COOLANT, INTAKE, OIL_C, OUTSIDE_C)
        for a, b in ((12.0, 25.0), (-12.0, -25.0))
    ),
    *(_always("offset", VOLTS, a, b) for a, b in ((1.3, 2.0), (-1.3, -2.0))),
    *(_always("offset", AIR, a, b) for a, b in ((5.0, 15.0), (-5.0, -40.0))),
    _always("offset", OIL, 60.0, 120.0),
    *(
        _always("offset", LAMBDA, a, b, "closed loop", TARGET)
        for a, b in ((0.05, 0.12), (-0.05, -0.12))
    ),
    _always("offset", THROTTLE, 6.0, 15.0, *NEVER),
    _always("offset", RAIL, 60.0, 150.0, *NEVER),
    _always("scale", PRESSURE, 0.9, 0.8, AIR, TARGET),
    _always("scale", PRESSURE, 0.92, 0.75, TARGET, gauge=1.0),
    *(_always("scale", LAMBDA, a, b, "closed loop", TARGET) for a, b in ((1.1, 1.2), (0.9, 0.85))),
    _always("scale", ROAD, 1.2, 1.5, *NEVER),
    *(
        _sized("noise", c, a, b)
        for c, a, b in (
            (PRESSURE, 4.0, 12.0),
            (THROTTLE, 3.0, 8.0),
            (COOLANT, 2.0, 6.0),
            (INTAKE, 2.0, 6.0),
            (LAMBDA, 0.06, 0.15),
            (ROAD, 5.0, 12.0),
            (VOLTS, 0.6, 1.5),
            (RAIL, 25.0, 60.0),
            (OIL, 35.0, 90.0),
            (OIL_C, 3.0, 8.0),
            (AIR, 1.5, 4.0),
            (OUTSIDE_C, 2.0, 6.0),
            (TURNS, 60.0, 120.0),
            (EXHAUST_C, 30.0, 80.0),
            (METER, 4.0, 10.0),
        )
    ),
    *(
        _sized("spike", c, a, b)
        for c, a, b in (
            (PRESSURE, 60.0, 150.0),
            (THROTTLE, 35.0, 80.0),
            (COOLANT, 15.0, 60.0),
            (INTAKE, 20.0, 60.0),
            (LAMBDA, 0.4, 0.6),
            (ROAD, 35.0, 80.0),
            (VOLTS, 4.0, 10.0),
            (RAIL, 200.0, 500.0),
            (OIL, 150.0, 400.0),
            (OIL_C, 15.0, 60.0),
            (AIR, 8.0, 30.0),
            (OUTSIDE_C, 12.0, 40.0),
            (TURNS, 1200.0, 3000.0),
            (EXHAUST_C, 100.0, 400.0),
            (METER, 50.0, 120.0),
        )
    ),
    _always("slow", LAMBDA, 0.5, 1.6, TARGET),
    _always("slow", PRESSURE, 0.6, 2.0),
    *(
        _always("slow", c, a, b, *NEVER)
        for c, a, b in ((COOLANT, 40.0, 120.0), (INTAKE, 40.0, 150.0), (THROTTLE, 0.6, 2.0))
    ),
    Cell("ground_shift", (COOLANT, INTAKE), {"size": 0.04}, {"size": 0.15}, start_s=0.0),
    _always("saturated", PRESSURE, 150.0, 130.0),
    _always("saturated", LAMBDA, 1.12, 1.05, PULSE),
    Cell("reference_lost", (PRESSURE, THROTTLE), {"size": 0.2}, {"size": 0.6}),
    Cell(
        "reference_lost",
        (PRESSURE, THROTTLE, RAIL, OIL),
        {"size": 0.2, "once": 1.0},
        {"size": 0.5, "once": 1.0},
        start_s=300.0,
        end_s=312.0,
    ),
    Cell("swapped", (COOLANT, INTAKE), start_s=0.0),
)


def cases(seed: int) -> Iterator[Case]:
    """Each cell weak in one log and strong in another, one of them without the helpers."""
    for number, cell in enumerate(CELLS):
        which = number % 3
        car = _car(seed, which, cell)
        for strong in (False, True):
            bare = (seed + strong) % 2 == 1
            lacks = tuple(n for n in HELPERS if n not in cell.channels) if bare else ()
            drive = mixed_drive(seed * 10 + which, 12.0, (25.0, 15.0, 10.0)[which], missing=lacks)
            has = set(cell.needs) - {"closed loop"} if car.closed_loop else set(cell.needs)
            shown = not has & {*lacks, *NEVER, "closed loop"}
            fault = FAULTS[f"sensor_fault_{cell.mode}"](
                (0.3, 0.8)[strong] if shown else 0.1, start_s=cell.start_s, end_s=cell.end_s,
                channels=cell.channels, **(cell.strong if strong else cell.weak),
            )  # fmt: skip
            name = f"{cell.mode} {','.join(cell.channels)} {'strong' if strong else 'weak'}"
            yield Case(f"{name}{' bare' if bare else ''}", car, drive, (fault,))


def _car(seed: int, which: int, cell: Cell) -> Car:
    metered = METER in cell.channels or (which == 2 and not {PRESSURE, AIR} & set(cell.channels))
    return draw_car(
        seed * 13 + which, cylinders=(4, 6, 8)[(which + seed) % 3],
        boosted=which != 1 or cell.mode == "saturated",
        load_sensing="air_meter" if metered else "speed_density",
    )  # fmt: skip


def rows(judged: Judged, _registry: Registry) -> dict[str, float]:
    """Shares of faults told with a channel of theirs, with their mode, and with another's too."""
    real = [f for f in judged.run.truth.faults if f.kind == "sensor_fault"]
    mine = [f for f in judged.findings if f.kind == "sensor_fault" and f.severity != "info"]
    if not real or not mine:
        return {}
    on = [m for m in mine if set(m.channels) & set(real[0].channels)]
    return {
        "right channel": float(bool(on)),
        "right mode": float(any(m.mode == real[0].mode for m in on)),
        "another channel too": float(len(on) < len(mine)),
    }
