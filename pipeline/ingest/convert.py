"""Decisions applied: unit arithmetic, display ratio, barometer, sign; impossible values nulled."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import polars as pl

from pipeline.channels import CHANNELS
from pipeline.ingest.reading import Message
from pipeline.ingest.table import Column
from pipeline.ingest.votes import Decision
from pipeline.physics.atmosphere import standard_pressure_kpa
from pipeline.vehicle import Vehicle

Floats = npt.NDArray[np.float64]

DISPLAY_RATIO = 14.7
"""What instruments show at lambda 1 unless set otherwise (common practice, contract)."""

SWITCHING_V = 0.45
"""A zirconia sensor's voltage at lambda 1 (common practice)."""

TURNING_RPM, FIRST_ROWS = 200.0, 20
"""An engine that turns at least this fast in all the log's first rows was running before it."""

SAME_KPA, LATCHED_BELOW_KPA = 5.0, 15.0
"""Two sensors of one pressure differ by less; no weather is this far below the site's standard."""

_RATIO_BANDS = ((13.8, 15.2), (8.8, 10.2), (6.2, 6.8))
"""Petrol and its blends, ethanol, methanol: where a display shows lambda 1."""


@dataclass(slots=True)
class Converted:
    """One column in its channel's unit."""

    decision: Decision
    column: Column
    values: pl.Series
    rejected: dict[str, int]


def apply(
    columns: Sequence[Column], decisions: Sequence[Decision], vehicle: Vehicle, line: int
) -> tuple[list[Converted], list[Message]]:
    """Convert every mapped column; unmapped ones pass as they are."""
    messages: list[Message] = []
    plain = {d.channel: columns[d.column] for d in decisions if d.channel in CHANNELS}
    barometer, decisions = _barometer(plain, decisions, vehicle, line, messages)
    ratio, origin = _display_ratio(columns, decisions, plain, vehicle)
    out: list[Converted] = []
    for decision in decisions:
        column = columns[decision.column]
        if decision.channel not in CHANNELS:
            out.append(Converted(decision, column, column.values, _unreadable(column)))
            continue
        values = column.values if column.numeric else column.values.cast(pl.Float64, strict=False)
        if (decision.scale, decision.offset) != (1.0, 0.0):
            values = _linear(values, decision.scale, decision.offset)
        if decision.op == "gauge":
            values = values + barometer
        elif decision.op == "vacuum":
            positive = float(values.drop_nulls().median() or 0.0) >= 0  # type: ignore[arg-type]
            values = barometer - values if positive else barometer + values
        elif decision.op == "inverse":
            values = pl.select(pl.when(values > 0).then(1.0 / values)).to_series()
        elif decision.op == "air_fuel_ratio":
            values = values / ratio
            decision = replace(decision, conversion=f"air-fuel ratio / {ratio:g} ({origin})")
        if decision.op in ("gauge", "vacuum"):
            mark = f"{barometer:.5g}" if isinstance(barometer, float) else "logged"
            decision = replace(
                decision,
                conversion=f"{decision.conversion} ({mark} kPa)"
                if mark != "logged"
                else f"{decision.conversion} (logged)",
            )
        if decision.channel == "knock_retard":
            values, decision = _positive_retard(values, decision, column, line, messages)
        values, rejected = _within(decision.channel, values, _unreadable(column))
        out.append(Converted(decision, column, values.rename(decision.channel), rejected))
    return out, messages


def _linear(values: pl.Series, scale: float, offset: float) -> pl.Series:
    scaled = values * scale if scale != 1.0 else values
    return scaled + offset if offset else scaled


def _unreadable(column: Column) -> dict[str, int]:
    count = int(column.unreadable.sum()) if column.unreadable is not None else 0
    return {"unreadable": count} if count else {}


def _within(
    channel: str, values: pl.Series, rejected: dict[str, int]
) -> tuple[pl.Series, dict[str, int]]:
    """Null what no sensor of that kind can report, and count it."""
    known = CHANNELS[channel]
    low, high = values.min(), values.max()
    if low is None or (float(low) >= known.low and float(high) <= known.high):  # type: ignore[arg-type]
        return values, rejected
    outside = ((values < known.low) | (values > known.high)).fill_null(False)
    return values.set(outside, None), {**rejected, "out_of_range": int(outside.sum())}


def _positive_retard(
    values: pl.Series, decision: Decision, column: Column, line: int, messages: list[Message]
) -> tuple[pl.Series, Decision]:
    low, high = values.min(), values.max()
    if low is None or float(low) >= 0 or float(high) > 0.1:  # type: ignore[arg-type]
        return values, decision
    messages.append(Message(line, f"knock retard '{column.header.strip()}' is logged as negative",
                            "sign turned: positive means pulled"))  # fmt: skip
    return -values, replace(decision, conversion="sign turned: x * -1", scale=-decision.scale)


def _barometer(
    plain: Mapping[str, Column], decisions: Sequence[Decision], vehicle: Vehicle, line: int,
    messages: list[Message],
) -> tuple[pl.Series | float, list[Decision]]:  # fmt: skip
    """The log's barometer (held over its gaps), else the site's standard pressure."""
    site = float(standard_pressure_kpa(vehicle.site.altitude_m))
    decision = next((d for d in decisions if d.channel == "barometric_pressure"), None)
    if decision is None:
        return site, list(decisions)
    values = _linear(plain["barometric_pressure"].values, decision.scale, decision.offset)
    if _latched(values, plain, decisions, vehicle):
        messages.append(
            Message(
                line,
                "the barometer was latched while the engine turned",
                "the site's standard pressure is used; set [site] altitude_m",
            )
        )
        kept = [replace(d, channel="", scale=1.0, offset=0.0, conversion="none",
                        why="barometer latched while the engine turned; the site's is used")
                if d is decision else d for d in decisions]  # fmt: skip
        return site, kept
    known = CHANNELS["barometric_pressure"]
    good = values.set(((values < known.low) | (values > known.high)).fill_null(False), None)
    if not good.drop_nulls().len():
        return site, list(decisions)
    if good.n_unique() <= 2 and good.null_count() == 0:
        return float(good[0]), list(decisions)
    return good.fill_null(strategy="forward").fill_null(strategy="backward"), list(decisions)


def _latched(
    barometer: pl.Series,
    plain: Mapping[str, Column],
    decisions: Sequence[Decision],
    vehicle: Vehicle,
) -> bool:
    """Whether a barometer was read from the manifold of an engine that turned already.

    Then it stands where the manifold stood at first, far below the site's, and was passed since.
    """
    known = barometer.drop_nulls()
    pressure = next((d for d in decisions if d.channel == "manifold_pressure" and not d.op), None)
    speed = plain.get("engine_speed")
    if not len(known) or known.n_unique() > 1 or pressure is None or speed is None:
        return False
    manifold = _linear(
        plain["manifold_pressure"].values, pressure.scale, pressure.offset
    ).drop_nulls()
    turning = speed.values.drop_nulls().head(FIRST_ROWS)
    if not len(manifold) or not len(turning) or float(turning.min() or 0) < TURNING_RPM:  # type: ignore[arg-type]
        return False
    level = float(known[0])
    near_first = abs(float(manifold.head(FIRST_ROWS).median() or 0) - level) <= SAME_KPA  # type: ignore[arg-type]
    above = float(manifold.quantile(0.99) or 0) > level + 2 * SAME_KPA
    site = float(standard_pressure_kpa(vehicle.site.altitude_m))
    return near_first and above and level < site - LATCHED_BELOW_KPA


def _display_ratio(
    columns: Sequence[Column], decisions: Sequence[Decision], plain: Mapping[str, Column],
    vehicle: Vehicle,
) -> tuple[float, str]:  # fmt: skip
    """What the instrument shows at lambda 1, and where that is known from."""
    if vehicle.lambda_sensor.display_ratio is not None:
        return float(vehicle.lambda_sensor.display_ratio), "vehicle.toml"
    measured = next((columns[d.column].values for d in decisions
                     if d.channel == "lambda" and d.op == "air_fuel_ratio"), None)  # fmt: skip
    narrow = plain.get("narrowband_voltage")
    if measured is not None and narrow is not None and narrow.numeric:
        found = _at_switching(measured, narrow.values)
        if found is not None:
            return found, "where the narrowband sensor switches"
    target = next((columns[d.column].values for d in decisions
                   if d.channel == "lambda_target" and d.op == "air_fuel_ratio"), None)  # fmt: skip
    if target is not None:
        counts = target.drop_nulls().round(2).value_counts(sort=True).head(1)
        if len(counts) and counts["count"][0] >= 0.15 * len(target):
            value = float(counts[counts.columns[0]][0])
            if any(low <= value <= high for low, high in _RATIO_BANDS):
                return value, "the commonest target"
    return DISPLAY_RATIO, "default"


def _at_switching(measured: pl.Series, narrow: pl.Series) -> float | None:
    volts = narrow.fill_null(np.nan).to_numpy()
    ratio = measured.fill_null(np.nan).to_numpy()
    above = volts > SWITCHING_V
    crossing = np.flatnonzero(above[1:] != above[:-1]) + 1
    crossing = crossing[np.isfinite(volts[crossing]) & np.isfinite(volts[crossing - 1])]
    if len(crossing) < 20:
        return None
    around = (ratio[crossing] + ratio[crossing - 1]) / 2
    value = float(np.nanmedian(around)) if np.isfinite(around).any() else float("nan")
    spread = float(np.nanstd(around))
    if not any(low <= value <= high for low, high in _RATIO_BANDS) or spread > 0.05 * value:
        return None
    return round(value, 1)
