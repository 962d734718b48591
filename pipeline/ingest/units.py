"""Units as logs write them: spelling to pint, factors from pint, quantities."""

import re
import unicodedata
from functools import cache, lru_cache
from typing import Any

_SPELLINGS: dict[str, tuple[str, str]] = {
    # spelling: (pint's unit, quantity); lower case, accents, blanks and dots taken off
    "rpm": ("rpm", "rotation"), "1/min": ("rpm", "rotation"), "min-1": ("rpm", "rotation"),
    "u/min": ("rpm", "rotation"), "upm": ("rpm", "rotation"), "tr/min": ("rpm", "rotation"),
    "trpm": ("rpm", "rotation"), "rev/min": ("rpm", "rotation"), "revs/min": ("rpm", "rotation"),
    "r/min": ("rpm", "rotation"), "rev": ("rpm", "rotation"), "min^-1": ("rpm", "rotation"),
    "rad/s": ("rad/s", "rotation"), "rps": ("turn/s", "rotation"), "rev/s": ("turn/s", "rotation"),
    "/min": ("rpm", "rotation"), "t/min": ("rpm", "rotation"), "tpm": ("rpm", "rotation"),
    "krpm": ("krpm", "rotation"), "rpm*1000": ("krpm", "rotation"), "hz": ("hertz", "frequency"),
    "kpa": ("kPa", "pressure"), "kpaa": ("kPa", "pressure"), "kpaabs": ("kPa", "pressure"),
    "kpag": ("kPa", "pressure"), "kpagauge": ("kPa", "pressure"), "kparel": ("kPa", "pressure"),
    "bar": ("bar", "pressure"), "bara": ("bar", "pressure"), "barabs": ("bar", "pressure"),
    "barg": ("bar", "pressure"), "bargauge": ("bar", "pressure"), "barrel": ("bar", "pressure"),
    "mbar": ("mbar", "pressure"), "mbara": ("mbar", "pressure"), "mbarabs": ("mbar", "pressure"),
    "hpa": ("hPa", "pressure"), "pa": ("Pa", "pressure"), "mpa": ("MPa", "pressure"),
    "psi": ("psi", "pressure"), "psia": ("psi", "pressure"), "psig": ("psi", "pressure"),
    "psiabs": ("psi", "pressure"), "psigauge": ("psi", "pressure"), "psirel": ("psi", "pressure"),
    "lb/in2": ("psi", "pressure"), "lbf/in2": ("psi", "pressure"), "lbs": ("psi", "pressure"),
    "inhg": ("inHg", "pressure"), "inhgvac": ("inHg", "pressure"), "in.hg": ("inHg", "pressure"),
    "inhgabs": ("inHg", "pressure"), "inhga": ("inHg", "pressure"), "\"hg": ("inHg", "pressure"),
    "mmhg": ("mmHg", "pressure"), "torr": ("torr", "pressure"), "cmhg": ("cmHg", "pressure"),
    "kgf/cm2": ("kgf/cm**2", "pressure"), "kg/cm2": ("kgf/cm**2", "pressure"),
    "kp/cm2": ("kgf/cm**2", "pressure"), "at": ("kgf/cm**2", "pressure"),
    "kpavac": ("kPa", "pressure"), "mbarvac": ("mbar", "pressure"), "inh2o": ("inH2O", "pressure"),
    "atm": ("atm", "pressure"),
    "degc": ("degC", "temperature"), "c": ("degC", "temperature"), "celsius": ("degC", "temperature"),
    "oc": ("degC", "temperature"), "gradc": ("degC", "temperature"), "cel": ("degC", "temperature"),
    "degcelsius": ("degC", "temperature"), "degreec": ("degC", "temperature"),
    "degreesc": ("degC", "temperature"), "gradcelsius": ("degC", "temperature"),
    "degf": ("degF", "temperature"), "f": ("degF", "temperature"), "fahrenheit": ("degF", "temperature"),
    "degreef": ("degF", "temperature"), "degreesf": ("degF", "temperature"), "of": ("degF", "temperature"),
    "degfahrenheit": ("degF", "temperature"), "k": ("kelvin", "temperature"),
    "kelvin": ("kelvin", "temperature"), "degk": ("kelvin", "temperature"),
    "v": ("V", "voltage"), "volt": ("V", "voltage"), "volts": ("V", "voltage"),
    "mv": ("mV", "voltage"), "vdc": ("V", "voltage"), "voltios": ("V", "voltage"),
    "%": ("percent", "share"), "pct": ("percent", "share"), "percent": ("percent", "share"),
    "prozent": ("percent", "share"), "percentage": ("percent", "share"), "prc": ("percent", "share"),
    "%dc": ("percent", "share"), "%duty": ("percent", "share"), "%tps": ("percent", "share"),
    "pourcent": ("percent", "share"), "0-1": ("dimensionless", "share"),
    "0..1": ("dimensionless", "share"), "fraction": ("dimensionless", "share"),
    "ratio": ("dimensionless", "ratio"), "%vol": ("percent", "share"), "vol%": ("percent", "share"),
    "promille": ("permille", "share"), "permille": ("permille", "share"),
    "deg": ("degree", "angle"), "degbtdc": ("degree", "angle"), "btdc": ("degree", "angle"),
    "degatdc": ("degree_after", "angle"), "atdc": ("degree_after", "angle"),
    "degca": ("degree", "angle"), "ca": ("degree", "angle"), "degkw": ("degree", "angle"),
    "kw": ("kW", "power"), "gradkw": ("degree", "angle"), "grad": ("degree", "angle"),
    "degvot": ("degree", "angle"), "degkwvot": ("degree", "angle"), "vot": ("degree", "angle"),
    "degnot": ("degree_after", "angle"), "degkwnot": ("degree_after", "angle"),
    "degcrank": ("degree", "angle"), "degavpmh": ("degree", "angle"), "degvil": ("degree", "angle"),
    "degapms": ("degree", "angle"), "degapmh": ("degree_after", "angle"), "rad": ("radian", "angle"),
    "degree": ("degree", "angle"), "degrees": ("degree", "angle"), "degcrk": ("degree", "angle"),
    "degbefore": ("degree", "angle"), "degbeforetdc": ("degree", "angle"),
    "degaftertdc": ("degree_after", "angle"), "grados": ("degree", "angle"), "dbtdc": ("degree", "angle"),
    "s": ("s", "duration"), "sec": ("s", "duration"), "secs": ("s", "duration"),
    "second": ("s", "duration"), "seconds": ("s", "duration"), "sek": ("s", "duration"),
    "seg": ("s", "duration"), "ms": ("ms", "duration"), "msec": ("ms", "duration"),
    "msecs": ("ms", "duration"), "millis": ("ms", "duration"), "milliseconds": ("ms", "duration"),
    "us": ("us", "duration"), "µs": ("us", "duration"), "μs": ("us", "duration"),
    "usec": ("us", "duration"), "microseconds": ("us", "duration"), "min": ("min", "duration"),
    "minutes": ("min", "duration"), "h": ("hour", "duration"), "hours": ("hour", "duration"),
    "ns": ("ns", "duration"),
    "g/s": ("g/s", "mass_flow"), "g/sec": ("g/s", "mass_flow"), "gps": ("g/s", "mass_flow"),
    "gs": ("g/s", "mass_flow"), "kg/h": ("kg/hour", "mass_flow"), "kg/hr": ("kg/hour", "mass_flow"),
    "kgh": ("kg/hour", "mass_flow"), "kg/s": ("kg/s", "mass_flow"), "mg/s": ("mg/s", "mass_flow"),
    "lb/min": ("lb/min", "mass_flow"), "lbs/min": ("lb/min", "mass_flow"), "ppm": ("lb/min", "mass_flow"),
    "lb/hr": ("lb/hour", "mass_flow"), "lb/h": ("lb/hour", "mass_flow"), "g/min": ("g/min", "mass_flow"),
    "km/h": ("km/hour", "speed"), "kmh": ("km/hour", "speed"), "kph": ("km/hour", "speed"),
    "km/hr": ("km/hour", "speed"), "kmph": ("km/hour", "speed"), "mph": ("mile/hour", "speed"),
    "mi/h": ("mile/hour", "speed"), "m/s": ("m/s", "speed"), "mps": ("m/s", "speed"),
    "kn": ("knot", "speed"), "kt": ("knot", "speed"), "kts": ("knot", "speed"),
    "knot": ("knot", "speed"), "knots": ("knot", "speed"),
    "lambda": ("lambda", "mixture"), "λ": ("lambda", "mixture"), "l": ("lambda", "mixture"),
    "afr": ("air_fuel_ratio", "mixture"), "a/f": ("air_fuel_ratio", "mixture"), ":1": ("air_fuel_ratio", "mixture"),
    "air/fuel": ("air_fuel_ratio", "mixture"), "g/g": ("air_fuel_ratio", "mixture"), "kg/kg": ("air_fuel_ratio", "mixture"),
    "phi": ("equivalence_ratio", "mixture"), "φ": ("equivalence_ratio", "mixture"),
    "eqr": ("equivalence_ratio", "mixture"), "eq": ("equivalence_ratio", "mixture"),
    "afrratio": ("air_fuel_ratio", "mixture"), "airfuelratio": ("air_fuel_ratio", "mixture"),
    "1": ("dimensionless", "ratio"), "-": ("dimensionless", "ratio"), "": ("", ""),
    "count": ("dimensionless", "count"), "counts": ("dimensionless", "count"), "#": ("dimensionless", "count"),
    "on/off": ("dimensionless", "state"), "bool": ("dimensionless", "state"), "0/1": ("dimensionless", "state"),
    "state": ("dimensionless", "state"), "off/on": ("dimensionless", "state"), "flag": ("dimensionless", "state"),
    "m": ("m", "length"), "km": ("km", "length"), "ft": ("ft", "length"), "mi": ("mile", "length"),
    "nm": ("newton*meter", "torque"), "n*m": ("newton*meter", "torque"), "lbft": ("lbf*ft", "torque"), "hp": ("hp", "power"),
    "ps": ("metric_horsepower", "power"), "a": ("ampere", "current"), "ma": ("mA", "current"),
    "ohm": ("ohm", "resistance"), "g": ("gravity", "acceleration"), "m/s2": ("m/s**2", "acceleration"),
    "l/h": ("liter/hour", "volume_flow"), "cc/min": ("cc/min", "volume_flow"), "cc": ("cc", "volume"),
    "mg": ("mg", "mass"), "mg/stroke": ("mg", "mass"), "l/100km": ("liter/km/100", "consumption"),
    "kmpl": ("km/liter", "consumption"), "mpg": ("mpg", "consumption"),
}  # fmt: skip
"""Spellings in use (common practice) with pint's name. `lambda`, `air_fuel_ratio`,
`equivalence_ratio` and `degree_after` (after top dead centre) are this module's own."""

_PINT_OF_CHANNEL = {
    "rpm": "rpm", "kPa": "kPa", "degC": "degC", "V": "V", "%": "percent", "deg": "degree",
    "ms": "ms", "s": "s", "g/s": "g/s", "km/h": "km/hour", "1": "dimensionless",
}  # fmt: skip


@lru_cache(maxsize=4096)
def fold_unit(text: str) -> str:
    """One spelling per unit: lower case, no accents, blanks, brackets or carets."""
    text = text.strip().strip("[](){}<>").strip()
    text = text.replace("º", "°").replace("˚", "°").replace("ᵒ", "°").replace("℃", "°C")
    text = text.replace("℉", "°F").replace("°", "deg").replace("²", "2").replace("⁻¹", "-1")
    text = text.replace("\ufffd", "deg") if len(text) <= 3 else text
    text = unicodedata.normalize("NFKD", text)
    text = "".join(c for c in text if not unicodedata.combining(c)).lower().replace("μ", "µ")
    text = re.sub(r"degrees?|grados|grad(?=[cf])", "deg", text)
    return re.sub(r"[\s._^]|(?<=[a-z])-(?=[a-z])", "", text)


def known_unit(text: str) -> bool:
    """Whether the text is a unit this module knows."""
    return bool(text.strip()) and fold_unit(text) in _SPELLINGS


def quantity_of(text: str) -> str:
    """Quantity of a unit's spelling, empty where unknown."""
    return _SPELLINGS.get(fold_unit(text), ("", ""))[1]


def pint_name(text: str) -> str:
    """Pint's name of a unit's spelling (or this module's own), empty where unknown."""
    return _SPELLINGS.get(fold_unit(text), ("", ""))[0]


@cache
def factor(unit: str, to: str) -> tuple[float, float]:
    """Scale and offset that take pint's `unit` to a channel's unit: value * scale + offset."""
    target = _PINT_OF_CHANNEL.get(to, to)
    if unit == target:
        return 1.0, 0.0
    if unit == "degree_after":
        return -1.0, 0.0
    if unit == "krpm":
        return 1000.0, 0.0
    registry = _registry()
    zero = float(registry.Quantity(0.0, unit).to(target).magnitude)
    one = float(registry.Quantity(1.0, unit).to(target).magnitude)
    hundred = float(registry.Quantity(100.0, unit).to(target).magnitude)
    # Over a hundred units the difference carries more digits than over one.
    return ((hundred - zero) / 100.0 if zero else one), zero


@cache
def _registry() -> Any:
    from pint import UnitRegistry  # 0.3 s: only where there is something to convert

    return UnitRegistry(autoconvert_offset_to_baseunit=True)
