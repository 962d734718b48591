"""Under which conditions a session was driven, for the head of its page."""

from collections.abc import Mapping, Sequence
from typing import Any

from pipeline.logbook import Entry
from pipeline.report.units import Units


def conditions(document: Mapping[str, Any], units: Units, entries: Sequence[Entry]) -> list[str]:
    """What a tuner far away asks first: weather, heat of the engine, fuel, tables in use."""
    said = []
    for name, words_of in (
        ("ambient_temperature_c", "outside {}"),
        ("barometric_pressure_kpa", "barometer {}"),
        ("start_temperature_c", "coolant at the start {}"),
        ("coolant_max_c", "coolant at most {}"),
    ):
        metric = document["metrics"].get(name)
        if metric:
            said.append(words_of.format(units.show(metric["value"], metric["unit"])))
    values = document["vehicle"]["values"]
    given = {k: v["value"] for k, v in values.items() if v["source"] == "vehicle.toml"}
    if "fuel.kind" in given:
        octane = given.get("fuel.octane_ron")
        said.append(f"{given['fuel.kind']}{f', {octane:g} RON' if octane else ''}")
    for what, named in (
        ("fuel table", [e.table for e in entries if e.table]),
        ("calibration", [e.calibration for e in entries if e.calibration]),
    ):
        if named:
            said.append(f"{what} {named[-1]}")
    return said
