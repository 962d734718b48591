"""What the values say of a column's unit: the third vote, and the conversion that follows."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from pipeline.channels import Channel, unit_of
from pipeline.ingest.reading import Message
from pipeline.ingest.table import Column
from pipeline.ingest.units import factor, fold_unit, known_unit, pint_name, quantity_of
from pipeline.ingest.words import Name

Floats = npt.NDArray[np.float64]

SAMPLE_VALUES = 20_000
"""Values looked at per column to judge its unit."""

_GUESSES: Mapping[str, tuple[str, ...]] = {
    "pressure": ("kPa", "bar", "psi", "mbar", "inHg"),
    "temperature": ("degC", "degF", "kelvin"),
    "voltage": ("V", "mV"),
    "share": ("percent", "dimensionless"),
    "duration": ("ms", "us", "s"),
    "mass_flow": ("g/s", "kg/hour"),
    "speed": ("km/hour",),
    "rotation": ("rpm", "krpm"),
    "angle": ("degree",),
}
"""Units a column may be in where none is stated or the stated one cannot be, likeliest first."""

_GAUGE_CHANNELS = frozenset({"manifold_pressure", "manifold_pressure_target"})
_GAUGE_UNITS = frozenset(unit + mark for unit in ("psi", "bar", "kpa")
                         for mark in ("g", "gauge", "rel"))  # fmt: skip

FAR_OFF, ONE_LEVEL = 25.0, 4.0
"""Degrees between a failed thermistor's reading and the rest, and over which it may spread."""

_AIR_CHANNELS = frozenset({"intake_air_temperature", "ambient_air_temperature"})
HOT_END_C = 130.0
"""Air thermometers' tables end at 130 to 150 degC: common practice, no source."""


@dataclass(frozen=True, slots=True)
class Decision:
    """What a column becomes: value * scale + offset, then the special step `op`."""

    column: int
    channel: str
    unit: str
    scale: float = 1.0
    offset: float = 0.0
    op: str = ""
    conversion: str = "none"
    why: str = ""
    stated: bool = True


def sample_of(column: Column) -> Floats:
    """Some of a column's values."""
    values = column.values.drop_nulls()
    step = max(1, len(values) // SAMPLE_VALUES)
    return values.gather_every(step).to_numpy().astype(np.float64)


@dataclass(frozen=True, slots=True)
class Ballot:
    """What is known of a column when its values vote: `values` are some of them, without nulls.

    `channel` is the one its name means, `unit_text` the unit as written ("" where none is),
    `line` the header's. What the user should know is added to `messages`.
    """

    index: int
    column: Column
    channel: Channel
    name: Name
    unit_text: str
    values: Floats
    line: int
    messages: list[Message]

    @property
    def header(self) -> str:
        """The header cell."""
        return self.column.header.strip()

    @property
    def lively(self) -> bool:
        """Whether the values move enough to tell anything."""
        return len(self.values) > 0 and len(np.unique(self.values[:2000])) > 2

    def say(self, what: str, cure: str) -> None:
        """Tell the user what was seen of the column and what was made of it."""
        self.messages.append(Message(self.line, what, cure))

    def fits(self, unit: str) -> bool:
        """Whether the values are usual for the channel in that unit."""
        return plausible(self.channel, unit, self.name, self.values)

    def read_as(self, unit: str, text: str, why: str) -> Decision:
        """The decision for the channel in a unit, or that it cannot be."""
        return made(self.index, self.channel, unit, text, self.name, why)


def by_values(ballot: Ballot) -> Decision:
    """Decide the unit with the values' vote."""
    channel, unit_text = ballot.channel, ballot.unit_text
    if channel.quantity == "mixture":
        return _mixture(ballot)
    if channel.quantity == "trim":
        return _trim(ballot)
    if channel.quantity not in _GUESSES:
        note = "" if not unit_text or known_unit(unit_text) else f", unit '{unit_text}' as logged"
        unit = channel.unit if channel.name != "knock_level" else (unit_text or "1")
        return Decision(ballot.index, channel.name, unit, why=f"name{note}")
    stated = pint_name(unit_text) if known_unit(unit_text) else ""
    name = _with_sign_of_values(channel, ballot.name, stated, unit_text, ballot.values)
    ballot = replace(ballot, name=name)
    return _with_unit(ballot, stated) if stated else _without_unit(ballot)


def _with_unit(ballot: Ballot, stated: str) -> Decision:
    """Keep the stated unit unless the values contradict it and another one explains them."""
    channel, text, lively = ballot.channel, ballot.unit_text, ballot.lively
    if channel.quantity == "temperature":
        if _is_shorted_air(channel, stated, ballot.values):
            return ballot.read_as(stated, text, "name, unit; one level at its hot end throughout")
        ballot = replace(ballot, values=_without_a_failed_end(ballot.values))
    if not lively or ballot.fits(stated):
        return ballot.read_as(stated, text, "name, unit")
    guesses = _GUESSES[channel.quantity]
    others = [unit for unit in guesses if unit != stated and ballot.fits(unit)]
    home = guesses[0]
    choice = home if home in others else (others[0] if len(others) == 1 else "")
    if choice:
        ballot.say(
            f"column '{ballot.header}' says {text} but its values can only be {choice}",
            f"read as {choice}; to overrule: [channels] {_quoted(ballot.header)} = "
            f'{{channel = "{channel.name}", unit = "{text}"}}',
        )
        return ballot.read_as(choice, choice, f"name; stated {text} contradicted by the values")
    if _possible(channel, stated, ballot.name, ballot.values):
        return ballot.read_as(stated, text, "name, unit; values unusual")
    ask(ballot.messages, ballot.line, ballot.column, channel.name,
        f"values are impossible in {text}")  # fmt: skip
    return Decision(ballot.index, "", text, why=f"named like {channel.name}, but the values are "
                    f"impossible in {text}")  # fmt: skip


def _without_unit(ballot: Ballot) -> Decision:
    """Take the channel's own unit where the values fit it, else the only other one they fit."""
    channel, text, lively = ballot.channel, ballot.unit_text, ballot.lively
    doubt = f" (unit '{text}' unknown)" if text else ""
    guesses = _GUESSES[channel.quantity]
    own = guesses[0]
    if not lively or ballot.fits(own):
        if channel.quantity == "share" and lively and _is_fraction(ballot.values):
            why = "name; no unit, values between 0 and 1"
            return replace(ballot.read_as("dimensionless", "0-1", why), stated=False)
        why = f"name; no unit stated{doubt}, values fit {channel.unit}"
        return replace(ballot.read_as(own, channel.unit, why), stated=False)
    others = [unit for unit in guesses[1:] if ballot.fits(unit)]
    if len(others) == 1:
        only = others[0]
        ballot.say(f"column '{ballot.header}' has no unit; its values fit {only} only",
                   f"read as {only}; name the unit in [channels] if that is wrong")  # fmt: skip
        return ballot.read_as(only, only, f"name; no unit stated{doubt}, values fit {only} only")
    if not others and _possible(channel, own, ballot.name, ballot.values):
        why = f"name; no unit stated{doubt}, values unusual"
        return replace(ballot.read_as(own, channel.unit, why), stated=False)
    ask(ballot.messages, ballot.line, ballot.column, channel.name,
        "no unit stated and the values do not tell it")  # fmt: skip
    return Decision(ballot.index, "", text or "1",
                    why=f"named like {channel.name}, unit unclear from the values")  # fmt: skip


def _is_fraction(values: Floats) -> bool:
    """Whether a share is written from 0 to 1, not in percent."""
    return bool(values.max() <= 1.05 and values.min() >= -0.1 and values.max() > 0.2
                and np.any(values != np.round(values)))  # fmt: skip


def _with_sign_of_values(
    channel: Channel, name: Name, stated: str, unit_text: str, values: Floats
) -> Name:
    """The name with its pressure marked as gauge: said, or shown by readings below zero."""
    if channel.name not in _GAUGE_CHANNELS:
        return name
    low = fold_unit(unit_text)
    if low.endswith(("a", "abs")) and low not in ("kpa", "hpa", "pa", "mpa"):
        return replace(name, gauge=False, vacuum=False)
    if low in _GAUGE_UNITS:
        return replace(name, gauge=True)
    if name.gauge or name.vacuum or not len(values):
        return name
    scale = factor(stated or "kPa", "kPa")[0]
    body = float(np.quantile(values, 0.02)) * scale
    boosty = bool({"boost", "ladedruck", "suralimentation"} & set(name.words))
    if body < -3.0 or (boosty and body < 8.0):
        return replace(name, gauge=True)
    return name


def _without_a_failed_end(values: Floats) -> Floats:
    """Drop readings of an open or shorted thermistor: one level, far above or below the rest.

    They are a fault to be reported, no vote against the unit the log states.
    """
    levels = np.unique(values)
    if levels.size < 3:
        return values
    gaps = np.diff(levels)
    k = int(np.argmax(gaps))
    if gaps[k] < FAR_OFF:
        return values
    low, high = levels[: k + 1], levels[k + 1 :]
    if high[-1] - high[0] <= ONE_LEVEL and low.size > 2:
        return np.asarray(values[values <= low[-1]])
    if low[-1] - low[0] <= ONE_LEVEL and high.size > 2:
        return np.asarray(values[values >= high[0]])
    return values


def _is_shorted_air(channel: Channel, stated: str, values: Floats) -> bool:
    """Whether an air thermometer stands at the hot end of its table, in the unit stated, all log.

    In degF those figures are air of 55 degC and more, which would have moved.
    """
    if channel.name not in _AIR_CHANNELS or stated != "degC" or not len(values):
        return False
    return bool(values.min() >= HOT_END_C and values.max() - values.min() <= ONE_LEVEL)


def plausible(channel: Channel, unit: str, name: Name, values: Floats) -> bool:
    """Whether the middle of the values is usual for the channel in that unit."""
    if not len(values):
        return True
    scale, offset = factor(unit, channel.unit)
    low, middle, high = np.quantile(values, [0.05, 0.5, 0.95]) * scale + offset
    if name.vacuum:
        return bool(-5 <= abs(middle) <= 100 and abs(high) <= 105 and max(abs(low), abs(high)) > 2)
    if name.gauge and channel.name in _GAUGE_CHANNELS:
        return bool(low >= -102 and high <= 450 and max(abs(low), abs(high)) > 8)
    if channel.name in _GAUGE_CHANNELS and high < 25:
        return False
    return bool(channel.usual_low <= middle <= channel.usual_high
                and channel.low <= low and high <= channel.high)  # fmt: skip


def _possible(channel: Channel, unit: str, name: Name, values: Floats) -> bool:
    scale, offset = factor(unit, channel.unit)
    middle = float(np.median(values)) * scale + offset
    return channel.low <= middle <= channel.high or name.gauge or name.vacuum


def made(index: int, channel: Channel, unit: str, text: str, name: Name, why: str) -> Decision:
    """The decision for a channel in a unit, or that it cannot be."""
    decision = convert(index, channel, unit, text, name)
    if decision is None:
        return Decision(index, "", text, why=f"{text} is no unit of {channel.name}")
    return replace(decision, why=why)


def convert(index: int, channel: Channel, unit: str, text: str, name: Name) -> Decision | None:
    """Scale and offset from pint; gauge and vacuum left to the barometer."""
    try:
        if channel.quantity == "mixture":
            op = {"air_fuel_ratio": "air_fuel_ratio", "equivalence_ratio": "inverse"}.get(unit, "")
            return Decision(
                index, channel.name, "1", op=op, conversion=_MIXTURE_TEXT.get(op, "none")
            )
        if channel.quantity not in _GUESSES:
            return Decision(index, channel.name, channel.unit)
        scale, offset = factor(unit, channel.unit)
    except Exception:  # pint has a family of errors for units it does not know or cannot convert
        return None
    conversion = "none"
    if (scale, offset) != (1.0, 0.0):
        conversion = f"{text} to {channel.unit}: x * {scale:.9g}" + (
            f" + {offset:.9g}" if offset else ""
        )
    op = ""
    if channel.name in _GAUGE_CHANNELS and (name.vacuum or name.gauge):
        op = "vacuum" if name.vacuum else "gauge"
        conversion = conversion.replace("none", text)
        conversion += ", barometer minus reading" if name.vacuum else ", plus barometer"
    if channel.name == "spark_advance" and name.after_dead_centre and unit != "degree_after":
        scale, conversion = -scale, "after to before top dead centre: x * -1"
    return Decision(index, channel.name, channel.unit, scale, offset, op, conversion)


_MIXTURE_TEXT = {"air_fuel_ratio": "air-fuel ratio / display ratio",
                 "inverse": "equivalence ratio: 1 / x"}  # fmt: skip


_AIR = frozenset({"air", "aire", "luft"})
_FUEL = frozenset({"fuel", "carburant", "combustible", "kraftstoff"})


def _mixture(ballot: Ballot) -> Decision:
    """Lambda, an air-fuel ratio or fuel over air: by unit, else by name, unless values forbid."""
    name, values, unit_text = ballot.name, ballot.values, ballot.unit_text
    unit = pint_name(unit_text) if quantity_of(unit_text) == "mixture" else ""
    words = set(name.words)
    why = "name, unit" if unit else "name"
    if not unit:
        first = next((w for w in name.words if w in _AIR | _FUEL), "")
        both = bool(words & _AIR and words & _FUEL)
        if "equivalence" in words and first in _AIR:
            unit = "lambda"  # air over fuel, over that at lambda 1
        elif words & {"afr"} or (both and first in _AIR):
            unit = "air_fuel_ratio"
        elif both or words & {"phi", "richesse", "riqueza", "equivalence", "dosado"}:
            unit = "equivalence_ratio"
        else:
            unit = "lambda"
    middle = float(np.median(values)) if len(values) else 1.0
    is_ratio = 4.0 <= middle <= 40.0
    near_one = 0.3 <= middle <= 3.0
    contradicted = (unit == "air_fuel_ratio" and near_one) or (
        unit != "air_fuel_ratio" and is_ratio
    )
    if contradicted and len(values):
        new = "lambda" if near_one else "air_fuel_ratio"
        what = "lambda" if near_one else "an air-fuel ratio"
        ballot.say(f"column '{ballot.header}' is named otherwise but its values are {what}",
                   f"read as {what}")  # fmt: skip
        unit, why = new, f"name; values can only be {what}"
    found = convert(ballot.index, ballot.channel, unit, unit, name)
    if found is None:
        return Decision(ballot.index, "", unit_text, why="no unit")
    return replace(found, why=why)


def _trim(ballot: Ballot) -> Decision:
    """A fuel trim in percent about 0: as it is, or shifted where it is centred on 100 or 1."""
    values, unit_text = ballot.values, ballot.unit_text
    middle = float(np.median(values)) if len(values) else 0.0
    share = quantity_of(unit_text) == "share"
    why = "name, unit" if share else "name"
    decision = Decision(ballot.index, ballot.channel.name, "%", why=why)
    if 50.0 < middle < 150.0:
        decision = replace(decision, offset=-100.0, conversion="centred on 100: x - 100")
    elif (
        len(values)
        and 0.5 < middle < 1.5
        and values.min() > 0.3
        and values.max() < 1.8
        and not share
    ):
        decision = replace(
            decision, scale=100.0, offset=-100.0, conversion="centred on 1: (x - 1) * 100"
        )
    elif fold_unit(unit_text) in ("0-1", "fraction"):
        return replace(decision, scale=100.0, conversion="share to %: x * 100")
    else:
        return decision
    ballot.say(f"fuel trim '{ballot.header}' is {decision.conversion.split(':')[0]}",
               "shifted so that 0 means none")  # fmt: skip
    return decision


def ask(messages: list[Message], line: int, column: Column, channel: str, what: str) -> None:
    """Say that a column is set aside, with the line to paste."""
    messages.append(
        Message(
            line,
            f"column '{column.header.strip()}' set aside: {what}",
            f"paste under [channels] in vehicle.toml: {_quoted(column.header)} = "
            f'{{channel = "{channel}", unit = "{unit_of(channel)}"}}',
        )
    )


def _quoted(header: str) -> str:
    clean = header.strip().replace("\\", "\\\\").replace('"', '\\"')
    return f'"{clean}"'
