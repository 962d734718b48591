"""What no log can show: checks by hand, with what the logbook has of them."""

from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.logbook import Entry

#: item of a logbook entry -> (what is checked, why it matters). Common practice, no source.
CHECKS: dict[str, tuple[str, str]] = {
    "base_timing": (
        "Base timing by light, at two speeds",
        "without it, spark is only what the controller believes",
    ),
    "compression": ("Compression of each cylinder", "a weak cylinder mimics fuel and spark faults"),
    "leak_down": ("Leak-down of each cylinder", "tells valves, rings and gasket apart"),
    "static_fuel_pressure": (
        "Static fuel pressure, hose off",
        "all fuel arithmetic rests on it",
    ),
    "injector_data": ("Source of the injector data", "flow and dead time move the whole table"),
    "wideband_free_air": (
        "Wideband sensor in free air",
        "an aged or mis-scaled sensor lies in every cell",
    ),
    "boost_leak_test": ("Boost leak test", "a leak after the compressor looks like a lazy turbo"),
    "coolant_bled": ("Cooling system bled", "air pockets fool the coolant sensor"),
    "oil_level": ("Oil level and leaks", "nothing in the log shows oil leaving"),
    "plugs_read": ("Plugs read", "they show what each single cylinder had"),
    "torque": ("Bolts re-torqued after heat", "new gaskets settle in the first heat cycles"),
    "thermistors": (
        "Temperature sensors at two points",
        "a wrong curve shifts fuel, spark and warnings",
    ),
}


@dataclass(frozen=True)
class HandCheck:
    """One line of the list; ``record`` is "not recorded" where the logbook has nothing."""

    what: str
    why: str
    record: str
    recorded: bool


def _key(item: str) -> str:
    return "_".join(item.lower().replace("-", " ").replace("_", " ").split())


def hand_checks(entries: Sequence[Entry]) -> list[HandCheck]:
    """Every hand check with its latest record, then checks of other items on record."""
    latest: dict[str, Entry] = {}
    for entry in sorted(entries, key=lambda e: e.when):
        if entry.kind == "check" and entry.item:
            latest[_key(entry.item)] = entry
    found = []
    for item, (what, why) in CHECKS.items():
        entry_or_none = latest.pop(item, None)
        record = "not recorded" if entry_or_none is None else _told(entry_or_none)
        found.append(HandCheck(what, why, record, entry_or_none is not None))
    for item, entry in sorted(latest.items()):
        found.append(HandCheck(item.replace("_", " ").capitalize(), "", _told(entry), True))
    return found


def _told(entry: Entry) -> str:
    value = "" if entry.value is None else f": {entry.value} {entry.unit or ''}".rstrip()
    text = f" ({entry.text})" if entry.text else ""
    return f"{entry.when[:10]}{value}{text}"
