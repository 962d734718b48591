"""The block of checks after work: what to look at next to what was touched, and what the log says.

Which checks follow which work: common practice, no source.
"""

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from pipeline.logbook import Entry

#: Days after which work is no longer the first suspect: common practice, no source.
RECENT_DAYS = 45
ASK = "look yourself: no log shows it"


@dataclass(frozen=True)
class Look:
    """One check: finding kinds of the log that answer it, none where only a person can."""

    what: str
    kinds: tuple[str, ...] = ()


#: Area of the logbook's ``touched`` -> checks, in the order to do them.
LOOKS: Mapping[str, tuple[Look, ...]] = {
    "exhaust": (
        Look("leak before the lambda sensor", ("exhaust_leak",)),
        Look("carbon monoxide in the cabin: windows open, an alarm in the car"),
        Look("bolts and clamps again after the first heat cycles"),
    ),
    "turbo": (
        Look("oil pressure after the start", ("low_oil_pressure",)),
        Look("boost against before", ("boost_loss", "over_boost", "boost_creep")),
        Look("leak into the intake", ("intake_leak",)),
        Look("smoke, oil at the joints"),
    ),
    "cooling": (
        Look("air pocket", ("air_in_coolant", "coolant_loss_suspected")),
        Look("plateau", ("thermostat_stuck_open", "overheating")),
        Look("level, cold"),
    ),
    "fuel": (
        Look("smell and leaks at key-on, before cranking"),
        Look("fuel pressure over the manifold", ("low_fuel_pressure",)),
        Look("mixture under load", ("lean_under_load",)),
        Look("dead time and flow in the controller's settings", ("injector_minimum",)),
    ),
    "ignition": (
        Look("every cylinder fires", ("rough_running", "misfire_under_load")),
        Look("base timing by light, at two speeds"),
    ),
    "wiring": (
        Look("controller starting again", ("controller_reset",)),
        Look("crank signal", ("crank_signal_loss",)),
        Look("ground shift and other sensors that lie", ("sensor_fault",)),
        Look("charging", ("low_charging_voltage", "high_charging_voltage")),
    ),
    "sensor": (Look("sensors against their siblings", ("sensor_fault",)),),
}


@dataclass(frozen=True)
class AfterWork:
    """The last work before the session, and each check with what this log says of it."""

    date: str
    text: str
    areas: list[str]
    checks: list[tuple[str, str]]


def after_work(
    entries: Sequence[Entry], start_time: str, document: Mapping[str, Any]
) -> AfterWork | None:
    """Checks after the last work of the last weeks, None where nothing was touched.

    document: analysis.json as plain data; what it could not have shown is said, never skipped.
    """
    try:
        start = dt.datetime.fromisoformat(start_time).replace(tzinfo=None)
    except ValueError:
        return None
    recent = [
        e for e in entries
        if e.touched and dt.timedelta(0) <= start - e.date.replace(tzinfo=None)
        <= dt.timedelta(days=RECENT_DAYS)
    ]  # fmt: skip
    if not recent:
        return None
    last = max(recent, key=lambda e: e.when)
    checks = {
        look.what: _told(look, document) for area in last.touched for look in LOOKS.get(area, ())
    }
    return AfterWork(last.when[:10], last.text, list(last.touched), list(checks.items()))


def _told(look: Look, document: Mapping[str, Any]) -> str:
    if not look.kinds:
        return ASK
    found = [
        f["title"] for f in document["findings"]
        if f["kind"] in look.kinds and f["severity"] != "info"
    ]  # fmt: skip
    if found:
        return f"found: {'; '.join(dict.fromkeys(found))}"
    limits = document["limits_of_detection"]
    seen = [k for k in look.kinds if limits.get(k, {}).get("could_show")]
    if not seen:
        return "not judged: this log could not have shown it"
    return "nothing found" if len(seen) == len(look.kinds) else "nothing found in what could show"
