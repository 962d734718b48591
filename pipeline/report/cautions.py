"""Short cautions, all of them on every page, some beside the findings they belong to.

Common practice of the trade, no single source.
"""

from collections.abc import Mapping
from types import MappingProxyType

GENERAL = (
    "These are estimates from a log, not permission. Local rules come first; have a licensed "
    "professional look at what can hurt somebody.",
    "Nothing found with a blind sensor is no clean bill of health: read what was not judged.",
    "Road runs only where they are legal, tyres and brakes checked first. A passenger or a "
    "recorder minds the laptop; nobody reads it at speed.",
    "Car on stands, not on a jack; wheels chocked; no full-throttle run on stands.",
    "Work up from low load: each log proves only what it has seen. Taking fuel out and adding "
    "spark or boost come last, one at a time.",
)
BY_TOPIC: Mapping[str, str] = MappingProxyType(
    {
        "exhaust": "An exhaust leak brings carbon monoxide into the cabin: windows open, an alarm "
        "in the car, no drive with a suspected leak.",
        "fuel": "Fuel stands under pressure: relieve it before opening a line, no ignition source, "
        "a class B extinguisher at hand, look for leaks at key-on before cranking.",
        "oil": "Oil on a turbocharger or manifold burns: find the leak before the next drive.",
        "misfire": "Misfire and very rich running burn in the exhaust: an overheated catalyst or "
        "turbine can set the car on fire. Stop when it misfires in boost.",
        "cooling": "Never open a hot cooling system. A gauge that falls after overheating means "
        "stop, not relief.",
        "turbo": "Let a turbocharged engine idle a minute or two before switching off.",
        "ignition": "Ignition voltage kills: hands off coils and leads while cranking; keep the "
        "timing light clear of belts and of fans, which start on a resting engine too.",
        "sensor": "The wideband sensor is red hot with key on. Do not leave it unheated in the "
        "exhaust; no leaded fuel, no silicone sealant near it.",
        "alcohol": "Methanol and ethanol are toxic, burn with a flame you hardly see and need "
        "other seals.",
    }
)
#: Kinds of findings -> topics said beside them.
_TOPICS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "exhaust_leak": ("exhaust",),
        "rough_running": ("ignition", "misfire"),
        "misfire_under_load": ("misfire", "ignition"),
        "rich_under_load": ("misfire",),
        "rich_running": ("misfire",),
        "low_fuel_pressure": ("fuel",),
        "injector_limit": ("fuel",),
        "lean_under_load": ("fuel",),
        "overheating": ("cooling",),
        "coolant_loss_suspected": ("cooling",),
        "air_in_coolant": ("cooling",),
        "thermostat_stuck_open": ("cooling",),
        "low_oil_pressure": ("oil",),
        "hot_exhaust": ("misfire", "turbo"),
        "knock_risk": ("ignition",),
        "hard_start": ("ignition",),
        "crank_signal_loss": ("ignition",),
    }
)


def beside(kind: str) -> list[str]:
    """Cautions that belong beside a finding of this kind."""
    return [BY_TOPIC[topic] for topic in _TOPICS.get(kind, ())]


def everything(fuel_kind: str) -> list[str]:
    """All cautions of a page; the one on alcohol only where it is burned."""
    alcohol = fuel_kind in ("e85", "ethanol", "methanol")
    return [*GENERAL, *(t for k, t in BY_TOPIC.items() if k != "alcohol" or alcohol)]
