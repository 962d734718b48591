"""Display units: what a reader sees. Files stay SI; pages convert on the way out, prose too."""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

System = Literal["metric", "us"]

#: Unit as files write it -> (shown, factor, offset, decimals) for metric readers.
_METRIC: dict[str, tuple[str, float, float, int]] = {
    "rpm": ("rpm", 1.0, 0.0, 0),
    "kPa": ("kPa", 1.0, 0.0, 0),
    "degC": ("°C", 1.0, 0.0, 0),
    "K": ("K", 1.0, 0.0, 1),
    "s": ("s", 1.0, 0.0, 1),
    "ms": ("ms", 1.0, 0.0, 2),
    "min": ("min", 1.0, 0.0, 0),
    "%": ("%", 1.0, 0.0, 1),
    "deg": ("deg", 1.0, 0.0, 1),
    "V": ("V", 1.0, 0.0, 2),
    "g/s": ("g/s", 1.0, 0.0, 1),
    "km/h": ("km/h", 1.0, 0.0, 0),
    "km": ("km", 1.0, 0.0, 1),
    "Hz": ("Hz", 1.0, 0.0, 1),
    "kW": ("kW", 1.0, 0.0, 0),
    "kPa/s": ("kPa/s", 1.0, 0.0, 1),
    "K/s": ("K/s", 1.0, 0.0, 2),
    "lambda": ("lambda", 1.0, 0.0, 3),
    "1": ("", 1.0, 0.0, 2),
    "": ("", 1.0, 0.0, 2),
}
#: The same for US readers. 1 psi = 6.894757 kPa, 1 mile = 1.609344 km (both NIST SP 811);
#: 1 hp = 0.745700 kW (550 ft lbf/s, NIST SP 811); degF = 1.8 degC + 32.
_US: dict[str, tuple[str, float, float, int]] = {
    "kPa": ("psi", 1 / 6.894757, 0.0, 1),
    "kPa/s": ("psi/s", 1 / 6.894757, 0.0, 2),
    "degC": ("°F", 1.8, 32.0, 0),
    "K": ("°F", 1.8, 0.0, 1),
    "K/s": ("°F/s", 1.8, 0.0, 2),
    "km/h": ("mph", 1 / 1.609344, 0.0, 0),
    "km": ("mi", 1 / 1.609344, 0.0, 1),
    "kW": ("hp", 1 / 0.745700, 0.0, 0),
}
_SPELLED = {"°C": "degC", "degC": "degC", "percent": "%", "°": "deg"}
AIR_FUEL = "air-fuel ratio"

_NUMBER = r"[-−+±]?\d+(?:\.\d+)?"
_QUANTITY = re.compile(
    rf"(?<![\w.])({_NUMBER})(?:(\s?(?:to|and|–|\.\.|±)\s?|-)({_NUMBER}))?"
    rf"\s(kPa/s|kPa|°C|degC|K/s|K|km/h|km|kW)(?![\w/])"
    rf"(\s\({_NUMBER}(?:\s?(?:to|–)\s?{_NUMBER})\))?"
)
_LAMBDA = re.compile(
    r"\b[Ll]ambda((?:\s(?:of|at|above|below|under|over|target|about))?\s)"
    r"(\d(?:\.\d+)|1)((?:\s(?:to|and)\s|–)\d\.\d+)?(?!\.?\d)(?!\s?%)"
)
_PLAIN = re.compile(_NUMBER)


@dataclass(frozen=True)
class Units:
    """How one reader wants numbers. ``ratio``: air-fuel ratio shown at lambda 1."""

    system: System = "metric"
    ratio: float = 14.7
    ratio_origin: str = "default"

    def _row(self, unit: str) -> tuple[str, float, float, int]:
        if self.system == "us":
            if unit == "lambda":
                return AIR_FUEL, self.ratio, 0.0, 2
            if unit in _US:
                return _US[unit]
        return _METRIC.get(unit, (unit, 1.0, 0.0, 2))

    def label(self, unit: str) -> str:
        """Name of ``unit`` as shown, "" for a pure number."""
        return self._row(unit)[0]

    def value(self, value: float, unit: str) -> float:
        """Convert a number for showing."""
        _, factor, offset, _ = self._row(unit)
        return value * factor + offset

    def span(self, value: float, unit: str) -> float:
        """Convert a difference of two values in ``unit``."""
        return value * self._row(unit)[1]

    def values(self, values: list[float | None], unit: str) -> list[float | None]:
        """Convert a list, None staying None."""
        _, factor, offset, _ = self._row(unit)
        if factor == 1.0 and offset == 0.0:
            return values
        return [None if v is None else v * factor + offset for v in values]

    def number(self, value: float, unit: str, digits: int | None = None) -> str:
        """Show a number without its unit."""
        shown = self.value(value, unit)
        return plain(shown, self._digits(shown, unit, digits))

    def show(self, value: float, unit: str, digits: int | None = None) -> str:
        """Show a number with its unit."""
        label = self.label(unit)
        text = self.number(value, unit, digits)
        if label in ("lambda", AIR_FUEL):
            return f"{label} {text}"
        return f"{text} {label}".rstrip()

    def _digits(self, shown: float, unit: str, digits: int | None) -> int:
        own = self._row(unit)[3]
        # Digits beyond what any log holds: hundreds of seconds or per cent, tens of milliseconds.
        if unit in ("s", "%", "ms") and digits is None:
            own = 0 if abs(shown) >= 100 else min(own, 1) if abs(shown) >= 10 else own
        if digits is not None:
            return max(digits, own) if self.system == "us" and unit in ("kPa", "kPa/s") else digits
        if own == 0 and abs(shown) < 10 and shown != int(shown):
            return 1
        return own

    def text(self, prose: str) -> str:
        """Convert the quantities written in prose ("120 kPa", "95 °C", "lambda 0.92")."""
        if self.system != "us":
            return prose
        prose = _QUANTITY.sub(self._quantity, prose)
        return _LAMBDA.sub(self._lambda, prose)

    def _quantity(self, match: re.Match[str]) -> str:
        first, joint, second, spelled, interval = match.groups(default="")
        unit = _SPELLED.get(spelled, spelled)
        label = self.label(unit)

        def one(text: str, difference: bool = False) -> str:
            raw = text.replace("−", "-")
            sign = "±" if raw.startswith("±") else "+" if raw.startswith("+") else ""
            number = float(raw.lstrip("±+"))
            # After "±" stands a difference: no offset.
            alone = difference or sign == "±"
            shown = self.span(number, unit) if alone else self.value(number, unit)
            decimals = len(raw.partition(".")[2])
            return sign + plain(shown, max(decimals, 1 if label.startswith("psi") else 0))

        pair = one(first) + joint + (one(second, "±" in joint) if second else "")
        return f"{pair} {label}{_PLAIN.sub(lambda found: one(found[0]), interval)}"

    def _lambda(self, match: re.Match[str]) -> str:
        def one(text: str) -> str:
            return plain(float(text) * self.ratio, 1)

        second = match[3] or ""
        if second:
            head, number = second[: -len(second.lstrip(" tand–"))], second.lstrip(" tando–")
            head = second[: len(second) - len(number)]
            second = head + one(number)
        name = AIR_FUEL.capitalize() if match[0].startswith("L") else AIR_FUEL
        return f"{name}{match[1]}{one(match[2])}{second}"


def plain(value: float, digits: int) -> str:
    """Fixed decimals, with a true minus and never a negative nought."""
    text = f"{value:.{digits}f}"
    if float(text) == 0.0:
        text = text.lstrip("-")
    return text.replace("-", "−")


#: Ratio by kind of fuel, for showing only (blend by mass of 14.7 and 9.0; definition).
_KIND = {"petrol": 14.7, "e10": 14.1, "e85": 9.8, "ethanol": 9.0, "methanol": 6.4}


def units_of(document: Mapping[str, Any], system: System) -> Units:
    """Choose display units; the ratio is the instrument's, else the fuel's."""
    values = document.get("vehicle", {}).get("values", {})

    def given(name: str) -> tuple[Any, str]:
        entry = values.get(name) or {}
        return entry.get("value"), entry.get("source", "default")

    for name in ("lambda_sensor.display_ratio", "fuel.stoichiometric_ratio"):
        value, source = given(name)
        if isinstance(value, int | float):
            return Units(system, float(value), f"{name}, {source}")
    kind, source = given("fuel.kind")
    return Units(system, _KIND.get(kind, 14.7), f"fuel.kind {kind or 'petrol'}, {source}")
