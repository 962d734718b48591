"""A checker's complaint about a settings file, as whoever wrote the file can use it."""

import re
from typing import Any, Literal, get_args, get_origin

import msgspec

#: What the checker calls a type -> what it has to be, as somebody who writes no programs says it.
_TYPES = {
    "float": "a number",
    "int": "a whole number",
    "str": "text in quotes",
    "bool": "true or false",
    "array": "a list in brackets",
    "object": "a table of keys and values",
    "datetime": "a date",
    "null": "",
}
_GOT = {
    "str": "text",
    "int": "a number",
    "float": "a number with decimals",
    "bool": "true or false",
    "array": "a list",
    "object": "a table",
    "datetime": "a date",
    "date": "a date",
    "time": "a time without a date",
}
_BOUNDS = {">=": "at least", "<=": "at most", ">": "more than", "<": "less than"}


def explain(error: msgspec.ValidationError, model: type[msgspec.Struct]) -> tuple[str, str, str]:
    """What is wrong, what to do, and the path of the value ("engine.cylinders"), "" for the file.

    ``model``: what the file was checked against; its named choices are listed in the cure.
    """
    message, _, path = str(error).partition(" - at `$.")
    path = path.rstrip("`")
    if found := re.fullmatch(r"Expected `([^`]+)` (>=|<=|>|<) ([-\d.]+)", message):
        kind, sign, bound = found.groups()
        wanted = f"has to be {_wanted(kind)}, {_BOUNDS[sign]} {float(bound):g}"
        return wanted, "correct the value", path
    if found := re.fullmatch(r"Expected `([^`]+)`, got `(\w+)`", message):
        kind, got = found.groups()
        cure = "correct the value"
        if got == "str" and ("float" in kind or "int" in kind):
            cure = "write the number without quotes and with a decimal point"
        elif "bool" in kind:
            cure = "write true or false, without quotes"
        elif kind == "array":
            cure = "put it in brackets: [ … ]"
        elif kind == "datetime":
            cure = _DATE_CURE
        return f"has to be {_wanted(kind)}, not {_GOT.get(got, got)}", cure, path
    if found := re.fullmatch(r"Invalid enum value (.+)", message):
        choices = _choices(model, path)
        cure = f"one of {', '.join(choices)}" if choices else "correct the value"
        return f"unknown: {found[1]}", cure, path
    if found := re.fullmatch(r"Object missing required field `(\w+)`", message):
        key = found[1]
        return f"'{key}' is missing", _DATE_CURE if key == "date" else f"add {key} = …", path
    if "RFC3339" in message:
        return "not a date", _DATE_CURE, path
    return message[:1].lower() + message[1:], "correct the value", path


_DATE_CURE = "write date = 2026-05-03 or date = 2026-05-03T18:20:00"


def _wanted(kind: str) -> str:
    parts = [_TYPES.get(part.strip(), part.strip()) for part in kind.split("|")]
    return " or ".join(part for part in parts if part)


def _choices(model: type[msgspec.Struct], path: str) -> list[str]:
    """Named choices of the field at ``path``, [] where it has none."""
    kind: Any = model
    for key in re.sub(r"\[[^\]]*\]", "", path).split("."):
        structs = [k for k in (kind, *get_args(kind))
                   if isinstance(k, type) and issubclass(k, msgspec.Struct)]  # fmt: skip
        fields = {f.name: f.type for f in msgspec.structs.fields(structs[0])} if structs else {}
        if key not in fields:
            return []
        kind = fields[key]
    for option in (kind, *get_args(kind)):
        if get_origin(option) is Literal:
            return [str(choice) for choice in get_args(option)]
    return []
