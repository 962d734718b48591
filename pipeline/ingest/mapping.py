"""Columns to channels: name, unit and behaviour each vote; the vehicle file overrules all."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

from pipeline.channels import CHANNELS, Channel
from pipeline.ingest.equivalence import settle_equivalence
from pipeline.ingest.reading import Message
from pipeline.ingest.table import Column
from pipeline.ingest.units import pint_name, quantity_of
from pipeline.ingest.votes import (
    Ballot,
    Decision,
    ask,
    by_values,
    convert,
    made,
    plausible,
    sample_of,
)
from pipeline.ingest.words import find_channels, read_name, split_header
from pipeline.vehicle import ChannelRule

_ELSEWHERE: Mapping[tuple[str, str], str] = {
    ("lambda", "voltage"): "narrowband_voltage",
    ("narrowband_voltage", "mixture"): "lambda",
    ("vehicle_speed", "rotation"): "engine_speed",
    ("manifold_pressure", "share"): "wastegate_duty",
    ("spark_advance", "voltage"): "battery_voltage",
    ("coolant_temperature", "voltage"): "",
}
"""Where a name's channel does not go with the unit but another one does."""


def decide(
    columns: Sequence[Column],
    rules: Mapping[str, str | ChannelRule],
    clock: frozenset[int],
    line: int,
) -> tuple[list[Decision], list[Message]]:
    """One decision per column, in order, and what the user should know."""
    messages: list[Message] = []
    decisions: list[Decision] = []
    for index, column in enumerate(columns):
        rule = rule_for(column.header, rules)
        if rule is not None:
            decisions.append(_ruled(index, rule))
        elif index in clock and not _also_channel(column):
            decisions.append(Decision(index, "time", "s", why="clock"))
        elif not column.numeric:
            unit = _unit_text(column) or "1"
            decisions.append(Decision(index, "", unit, why="text, no numbers"))
        else:
            decisions.append(_vote(index, column, line, messages))
    decisions = _agree_on_temperatures(columns, decisions)
    decisions = settle_equivalence(columns, decisions, line, messages)
    return _one_each(columns, decisions), messages


def rule_for(header: str, rules: Mapping[str, str | ChannelRule]) -> str | ChannelRule | None:
    """The vehicle file's rule for a header cell, with or without its unit."""
    cell = header.strip()
    bare = split_header(cell)[0].strip()
    for key, rule in rules.items():
        if key.strip() in (cell, bare) or key.strip().casefold() in (
            cell.casefold(), bare.casefold(),
        ):  # fmt: skip
            return rule
    return None


def _ruled(index: int, rule: str | ChannelRule) -> Decision:
    whole = rule if isinstance(rule, ChannelRule) else ChannelRule(channel=rule)
    if whole.channel == "ignore":
        return Decision(index, "ignore", "", why="vehicle.toml says ignore")
    if whole.channel == "time":
        return Decision(index, "time", "s", why="vehicle.toml")
    channel = CHANNELS[whole.channel]
    unit_text = whole.unit or channel.unit
    decision = convert(
        index, channel, pint_name(unit_text) or unit_text, unit_text, read_name(f"x ({unit_text})")
    )
    if decision is None:
        return Decision(index, "", unit_text, why=f"vehicle.toml: {unit_text} is no unit of "
                        f"{channel.name}")  # fmt: skip
    scale, offset = whole.scale, whole.offset
    raw = "" if (scale, offset) == (1.0, 0.0) else f"x * {scale:g} + {offset:g}, "
    conversion = (raw + ("" if decision.conversion == "none" else decision.conversion)).rstrip(", ")
    return replace(decision, scale=decision.scale * scale,
                   offset=decision.scale * offset + decision.offset,
                   conversion=conversion or "none", why="vehicle.toml")  # fmt: skip


def _also_channel(column: Column) -> bool:
    return column.numeric and "run_time" in find_channels(read_name(column.header))


def _unit_text(column: Column) -> str:
    header_unit = split_header(column.header)[1]
    return header_unit or column.unit_cell.strip("()[]{} ") or column.cell_unit


def _vote(index: int, column: Column, line: int, messages: list[Message]) -> Decision:
    name = read_name(column.header)
    unit_text = _unit_text(column)
    quantity = quantity_of(unit_text)
    candidates = list(find_channels(name))
    if not candidates:
        return Decision(index, "", unit_text or "1", why="no known name")
    channel = CHANNELS[candidates[0]]
    if channel.quantity == "rotation" and quantity == "frequency":
        messages.append(Message(line, f"column '{column.header.strip()}' is a speed in {unit_text}",
                                "read as revolutions per second"))  # fmt: skip
        unit_text, quantity = "rev/s", "rotation"
    if quantity and not _fits(channel, quantity):
        other = next((CHANNELS[c] for c in candidates[1:] if _fits(CHANNELS[c], quantity)), None)
        if other is None and (found := _ELSEWHERE.get((channel.name, quantity))):
            other = CHANNELS[found]
        if other is None:
            ask(messages, line, column, channel.name,
                 f"named like {channel.name} but in {unit_text}")  # fmt: skip
            return Decision(index, "", unit_text, why=f"named like {channel.name}, but {unit_text} "
                            f"is no unit of it")  # fmt: skip
        channel = other
    values = sample_of(column)
    ballot = Ballot(index, column, channel, name, unit_text, values, line, messages)
    decision = by_values(ballot)
    if decision.channel == "knock_retard" and len(values) and values.min() < 0 >= values.max():
        messages.append(Message(line, f"'{column.header.strip()}' is never above zero",
                                "taken as positive: spark pulled"))  # fmt: skip
        decision = replace(decision, scale=-decision.scale, offset=-decision.offset,
                           conversion="negative where pulled: x * -1")  # fmt: skip
    return decision


def _fits(channel: Channel, quantity: str) -> bool:
    wanted = channel.quantity
    if wanted in ("level",):
        return True
    if wanted == "trim":
        return quantity in ("share", "ratio", "mixture")
    if wanted in ("mixture", "share"):
        return quantity in (wanted, "ratio")
    if wanted in ("count", "state"):
        return quantity in ("ratio", "count", "state")
    if wanted == "position":
        return quantity == "angle"
    return quantity == wanted


def _agree_on_temperatures(
    columns: Sequence[Column], decisions: Sequence[Decision]
) -> list[Decision]:
    """Where other temperatures are in degF, one without a unit is read alike if it can be."""
    fahrenheit = any("degF" in d.conversion or "°F" in d.conversion or (
        d.channel and CHANNELS.get(d.channel) and CHANNELS[d.channel].quantity == "temperature"
        and abs(d.scale - 5 / 9) < 1e-6) for d in decisions)  # fmt: skip
    if not fahrenheit:
        return list(decisions)
    out = []
    for decision in decisions:
        channel = CHANNELS.get(decision.channel)
        if channel and channel.quantity == "temperature" and not decision.stated:
            name = read_name(columns[decision.column].header)
            if plausible(channel, "degF", name, sample_of(columns[decision.column])):
                decision = made(
                    decision.column,
                    channel,
                    "degF",
                    "degF",
                    name,
                    "name; no unit stated, the log's other temperatures are in degF",
                )
        out.append(decision)
    return out


def _one_each(columns: Sequence[Column], decisions: Sequence[Decision]) -> list[Decision]:
    """At most one column per channel: the likeliest; a second lambda goes to `lambda_2`."""
    chosen = list(decisions)
    groups: dict[str, list[int]] = {}
    for place, decision in enumerate(decisions):
        if decision.channel and decision.channel not in ("time", "ignore"):
            groups.setdefault(decision.channel, []).append(place)
    for channel, places in groups.items():
        names = {place: read_name(columns[place].header) for place in places}
        ranked = sorted(places, key=lambda p: (
            decisions[p].why != "vehicle.toml",
            "filtered" in names[p].words,
            (names[p].number or 1) if channel != "narrowband_voltage" or names[p].number else 1,
            decisions[p].op == "air_fuel_ratio", _emptiness(columns[p]), p))  # fmt: skip
        first = ranked[0]
        rest = ranked[1:]
        if (names[first].number or 1) > 1 and decisions[first].why != "vehicle.toml":
            if channel == "lambda":
                chosen[first] = replace(decisions[first], channel="lambda_2")
                rest = ranked[1:]
                for place in rest:
                    chosen[place] = _second(decisions[place], channel)
                continue
            if channel in ("fuel_trim_short", "fuel_trim_long") and not rest:
                continue
        for place in rest:
            taken = any(d.channel == "lambda_2" for d in chosen)
            distinct = columns[place].header.strip() != columns[first].header.strip()
            same_sensor = "filtered" in names[place].words or (
                decisions[place].op != decisions[first].op
                and names[place].number == names[first].number
            )
            if channel == "lambda" and not taken and distinct and not same_sensor:
                chosen[place] = replace(
                    decisions[place],
                    channel="lambda_2",
                    why=decisions[place].why + "; second of its kind",
                )
            else:
                chosen[place] = _second(decisions[place], channel)
    return chosen


def _emptiness(column: Column) -> float:
    size = len(column.values)
    return round(column.values.null_count() / size, 1) if size else 1.0


def _second(decision: Decision, channel: str) -> Decision:
    return replace(decision, channel="", scale=1.0, offset=0.0, op="", conversion="none",
                   why=f"another column is {channel} already")  # fmt: skip
