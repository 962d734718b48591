"""Units as logs write them: spelling to pint, factors from pint, quantities."""

import re
import unicodedata
from functools import cache, lru_cache
from typing import Any

# fmt: off
_UNITS = (
    # quantity, pint's name, spellings: lower case, accents, blanks and dots taken off
    ("rotation", "rpm",
     "rpm | 1/min | min-1 | u/min | upm | tr/min | trpm | rev/min | revs/min | r/min "
     "| rev | min^-1 | /min | t/min | tpm"),
    ("rotation", "rad/s", "rad/s"),
    ("rotation", "turn/s", "rps | rev/s | u/s | tr/s | 1/s | s-1"),
    ("rotation", "krpm", "krpm | rpm*1000"),
    ("frequency", "hertz", "hz"),
    ("pressure", "kPa", "kpa | kpaa | kpaabs | kpag | kpagauge | kparel | kpavac"),
    ("pressure", "bar", "bar | bara | barabs | barg | bargauge | barrel"),
    ("pressure", "mbar", "mbar | mbara | mbarabs | mbarvac"),
    ("pressure", "hPa", "hpa"),
    ("pressure", "Pa", "pa"),
    ("pressure", "MPa", "mpa"),
    ("pressure", "psi", "psi | psia | psig | psiabs | psigauge | psirel | lb/in2 | lbf/in2 | lbs"),
    ("pressure", "inHg", "inhg | inhgvac | in.hg | inhgabs | inhga | \"hg"),
    ("pressure", "mmHg", "mmhg"),
    ("pressure", "torr", "torr"),
    ("pressure", "cmHg", "cmhg"),
    ("pressure", "kgf/cm**2", "kgf/cm2 | kg/cm2 | kp/cm2 | at"),
    ("pressure", "inH2O", "inh2o"),
    ("pressure", "atm", "atm"),
    ("temperature", "degC",
     "degc | c | celsius | oc | gradc | cel | degcelsius | degreec | degreesc | "
     "gradcelsius"),
    ("temperature", "degF", "degf | f | fahrenheit | degreef | degreesf | of | degfahrenheit"),
    ("temperature", "kelvin", "k | kelvin | degk"),
    ("voltage", "V", "v | volt | volts | vdc | voltios"),
    ("voltage", "mV", "mv"),
    ("share", "percent",
     "% | pct | percent | prozent | percentage | prc | %dc | %duty | %tps | pourcent "
     "| %vol | vol%"),
    ("share", "dimensionless", "0-1 | 0..1 | fraction"),
    ("ratio", "dimensionless", "ratio | 1 | -"),
    ("share", "permille", "promille | permille"),
    ("angle", "degree",
     "deg | degbtdc | btdc | degca | ca | degkw | gradkw | grad | degvot | degkwvot "
     "| vot | degcrank | degavpmh | degvil | degapms | degree | degrees | degcrk | "
     "degbefore | degbeforetdc | grados | dbtdc"),
    ("angle", "degree_after", "degatdc | atdc | degnot | degkwnot | degapmh | degaftertdc"),
    ("power", "kW", "kw"),
    ("angle", "radian", "rad"),
    ("duration", "s", "s | sec | secs | second | seconds | sek | seg"),
    ("duration", "ms", "ms | msec | msecs | millis | milliseconds"),
    ("duration", "us", "us | µs | μs | usec | microseconds"),
    ("duration", "min", "min | minutes"),
    ("duration", "hour", "h | hours"),
    ("duration", "ns", "ns"),
    ("mass_flow", "g/s", "g/s | g/sec | gps | gs"),
    ("mass_flow", "kg/hour", "kg/h | kg/hr | kgh"),
    ("mass_flow", "kg/s", "kg/s"),
    ("mass_flow", "mg/s", "mg/s"),
    ("mass_flow", "lb/min", "lb/min | lbs/min | ppm"),
    ("mass_flow", "lb/hour", "lb/hr | lb/h"),
    ("mass_flow", "g/min", "g/min"),
    ("speed", "km/hour", "km/h | kmh | kph | km/hr | kmph"),
    ("speed", "mile/hour", "mph | mi/h"),
    ("speed", "m/s", "m/s | mps"),
    ("speed", "knot", "kn | kt | kts | knot | knots"),
    ("mixture", "lambda", "lambda | λ | l"),
    ("mixture", "air_fuel_ratio",
     "afr | a/f | :1 | air/fuel | g/g | kg/kg | afrratio | airfuelratio"),
    ("mixture", "equivalence_ratio", "phi | φ | eqr | eq"),
    ("count", "dimensionless", "count | counts | #"),
    ("state", "dimensionless", "on/off | bool | 0/1 | state | off/on | flag"),
    ("length", "m", "m"),
    ("length", "km", "km"),
    ("length", "ft", "ft"),
    ("length", "mile", "mi"),
    ("torque", "newton*meter", "nm | n*m"),
    ("torque", "lbf*ft", "lbft"),
    ("power", "hp", "hp"),
    ("power", "metric_horsepower", "ps"),
    ("current", "ampere", "a"),
    ("current", "mA", "ma"),
    ("resistance", "ohm", "ohm"),
    ("acceleration", "gravity", "g"),
    ("acceleration", "m/s**2", "m/s2"),
    ("volume_flow", "liter/hour", "l/h"),
    ("volume_flow", "cc/min", "cc/min"),
    ("volume", "cc", "cc"),
    ("mass", "mg", "mg | mg/stroke"),
    ("consumption", "liter/km/100", "l/100km"),
    ("consumption", "km/liter", "kmpl"),
    ("consumption", "mpg", "mpg"),
)
# fmt: on
_SPELLINGS: dict[str, tuple[str, str]] = {
    spelling.strip(): (pint, quantity)
    for quantity, pint, spellings in _UNITS
    for spelling in spellings.split(" | ")
}
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
