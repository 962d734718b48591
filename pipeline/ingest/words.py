"""Header cells taken apart: name, unit, side words; and found among the channels' terms."""

import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache, lru_cache

from pipeline.channels import CHANNELS, TARGET_OF
from pipeline.ingest.units import known_unit, quantity_of

_SAME = {
    "temp": "temperature", "temps.": "temperature", "tmp": "temperature", "temper": "temperature",
    "press": "pressure", "pres": "pressure", "prs": "pressure", "pressr": "pressure",
    "pos": "position", "posn": "position", "posit": "position",
    "eng": "engine", "veh": "vehicle", "spd": "speed", "vel": "velocity",
    "thr": "throttle", "throt": "throttle", "thrott": "throttle",
    "inj": "injector", "injection": "injection", "ign": "ignition", "adv": "advance",
    "tim": "timing", "batt": "battery", "bat": "battery", "vbat": "battery", "vbatt": "battery",
    "volt": "voltage", "volts": "voltage", "amb": "ambient", "exh": "exhaust",
    "atm": "atmospheric", "atmos": "atmospheric", "barom": "barometric", "man": "manifold",
    "manif": "manifold", "abs": "absolute", "absolut": "absolute", "absolue": "absolute",
    "absolu": "absolute", "absoluta": "absolute", "absoluto": "absolute",
    "gefiltert": "filtered", "filtre": "filtered", "filtree": "filtered", "filtrado": "filtered",
    "filtrada": "filtered", "smoothed": "filtered", "geglattet": "filtered",
    "pw": "pulsewidth", "wg": "wastegate",
    "int": "intake", "inlet": "intake", "cool": "coolant", "clnt": "coolant", "corr": "correction",
    "eth": "ethanol", "retd": "retard", "ret": "retard", "tgt": "target", "targ": "target",
    "trg": "target", "trgt": "target", "desired": "target", "des": "target", "commanded": "target",
    "command": "target", "cmd": "target", "cmded": "target", "setpoint": "target",
    "requested": "target", "request": "target", "goal": "target", "soll": "target",
    "sollwert": "target", "ziel": "target", "consigne": "target", "cible": "target",
    "objetivo": "target", "objectif": "target", "deseada": "target", "deseado": "target",
    "measured": "measured", "actual": "measured", "ist": "measured", "istwert": "measured",
    "gemessen": "measured", "mesure": "measured", "mesuree": "measured", "medida": "measured",
    "medido": "measured", "reading": "measured", "current": "measured", "live": "measured",
    "lam": "lambda", "λ": "lambda", "lbd": "lambda", "φ": "phi", "rate": "rate",
    "avg": "average", "mittel": "average", "min": "minimum", "max": "maximum",
    "rel": "relative", "gage": "gauge", "psig": "gauge", "barg": "gauge", "kpag": "gauge",
    "ltmr": "timer", "pct": "percent", "percentage": "percent", "prozent": "percent",
    "lf": "lufter", "drosselkl": "drosselklappe", "temperatur": "temperature",
    "temperatura": "temperatura", "cyc": "cycle", "dc": "duty", "sens": "sensor",
    "o2": "o2", "sig": "signal", "liq": "liquide", "refroid": "refroidissement",
}  # fmt: skip
"""Abbreviations and words of one meaning (common practice)."""


def _words(text: str) -> frozenset[str]:
    return frozenset(text.split())


_FILLERS = _words(
    "sensor signal value sens val channel the of der die das des du de del la le el los les l d "
    "percent in im am an measured gauge absolute deg "
)
"""Words that do not change which channel is meant."""

_ORDINALS = re.compile(r"^(?:bank|b|sensor|s|no|nr|num|cyl|cylinder|zylinder|#)?(\d{1,2})$")
_BANK = re.compile(r"^b(\d)s(\d)$")
_BRACKET = re.compile(r"[\[({<]([^\])}>]*)[\])}>]")


@dataclass(frozen=True, slots=True)
class Name:
    """A header cell: its words, the unit written in it, and what the side words say."""

    words: tuple[str, ...]
    unit: str
    target: bool
    number: int | None
    gauge: bool
    vacuum: bool
    after_dead_centre: bool


def fold(text: str) -> str:
    """Lower case, accents taken off."""
    text = unicodedata.normalize("NFKD", text.replace("ß", "ss"))
    return "".join(c for c in text if not unicodedata.combining(c)).lower()


@lru_cache(maxsize=4096)
def split_header(cell: str) -> tuple[str, str]:
    """A header cell to name and unit: `(kPa)`, `[kPa]`, `_kPa`, `- kPa`, `in kPa`, `, kPa`."""
    text = cell.strip().strip("\"'").strip()
    for match in reversed(list(_BRACKET.finditer(text))):
        inside = match.group(1).strip()
        if known_unit(inside) or (
            match.end() == len(text) and len(inside) <= 12 and not re.search(r"[a-zA-Z]{7}", inside)
        ):
            rest = (text[: match.start()] + " " + text[match.end() :]).strip()
            if rest:
                return rest, inside
    best = text, ""
    for pattern in (
        r"^(.+?)\s+[-–|:]\s*(\S+(?: \S+)?)$",
        r"^(.+?)\s*,\s*(\S+)$",
        r"^(.+)[_.:/|-]([^_.:|\s]+)$",
        r"^(.+?)[_:-]([^_:|\s]+/[^_:|\s]+)$",
        r"^(.+)\s+(?:in\s+)?(\S+)$",
    ):
        found = re.match(pattern, text)
        if (
            found
            and known_unit(found.group(2))
            and _is_unit_word(found.group(2))
            and len(found.group(2)) > len(best[1])  # `g/s`, not its `s`
            and text.lower() != "a/f"
        ):
            best = found.group(1), found.group(2)
    return best


_AMBIGUOUS_WORDS = _words(
    "s m h g v c f k a l n b d t in min bar hz deg rev % lambda afr phi counts count map on off "
    "state 1 "
)
_CLEAR_SHORT = frozenset(["s", "v", "c", "f", "k", "%", "deg", "bar", "ms", "us", "min"])


def _is_unit_word(word: str) -> bool:
    low = fold(word)
    if low in ("lambda", "afr", "phi", "map", "state", "on", "off", "count", "counts", "1"):
        return False
    return low not in _AMBIGUOUS_WORDS or low in _CLEAR_SHORT


@lru_cache(maxsize=4096)
def words_of(text: str) -> tuple[str, ...]:
    """A name to folded words: camelCase, underscores, dots and digits parted."""
    text = re.sub(r"(?i)\ba(?:/f(?:[ _]ratio)?|[ _-]f[ _-]ratio)(?![a-z])", " afr ", text)
    text = text.replace("B+", " bplus ").replace("°", " ").replace("λ", " lambda ")
    text = re.sub(r"(?<=[a-zäöüß])(?=[A-Z])", " ", text)
    text = re.sub(r"(?<=[A-Z])(?=[A-Z][a-z])", " ", text)
    text = re.sub(r"(?<=[A-Za-z]\d)(?=[A-Z][a-z])", " ", text)
    folded = fold(text)
    found = re.findall(r"[a-zφ]+\d*[a-z]*\d*|\d+", folded)
    words: list[str] = []
    for word in found:
        if _BANK.match(word) or word in ("o2", "o2s", "ho2s"):
            words.append(word)
            continue
        match = re.match(r"^([a-zφ]{2,}?)(\d{1,2})$", word)
        if match and match.group(1) not in ("b", "s"):
            words.extend((_SAME.get(match.group(1), match.group(1)), match.group(2)))
        else:
            words.append(_SAME.get(word, word))
    return tuple(words)


@lru_cache(maxsize=4096)
def read_name(cell: str) -> Name:
    """Take a header cell apart."""
    text, unit = split_header(cell)
    words = list(words_of(text))
    if unit and not _lookup(words) and _lookup([w for w in words_of(cell) if w != "target"]):
        # `engine rpm`: the unit is the name.
        words = list(words_of(cell))
    low = fold(cell)
    after = bool(re.search(r"\batdc\b|after top|\bnach ot\b|\bn\. ?ot\b|apres pmh|\bdpmi\b", low))
    words = [w for w in words if w not in ("btdc", "atdc", "bplus") or w == "bplus"]
    target = "target" in words
    number: int | None = None
    kept: list[str] = []
    for index, word in enumerate(words):
        bank = _BANK.match(word)
        match = _ORDINALS.match(word)
        if bank:
            number = int(bank.group(1))
        elif match and index > 0:
            number = int(match.group(1))
        elif word in ("bank", "b") and index + 1 < len(words) and words[index + 1].isdigit():
            continue
        else:
            kept.append(word)
    gauge = bool({"gauge", "relative", "ueberdruck", "uberdruck", "manometrique"} & set(kept))
    gauge = gauge or fold(unit) in ("psig", "barg", "kpag", "kpa g", "bar g", "psi g")
    vacuum = bool({"vacuum", "vac", "vide", "vacio", "depression", "unterdruck"} & set(kept))
    vacuum = vacuum or "vac" in fold(unit)
    return Name(tuple(w for w in kept if w != "target"), unit, target, number, gauge, vacuum, after)


@cache
def _index() -> dict[frozenset[str], tuple[tuple[str, ...], ...]]:
    """Terms by their set of words, fillers taken off: (channel, words left) pairs."""
    table: dict[frozenset[str], list[tuple[str, ...]]] = {}
    for name, channel in CHANNELS.items():
        for term in (*channel.terms, name.replace("_", " ")):
            if term.endswith((" 2",)) or "target" in term.split():
                continue
            words = words_of(term.replace("b+", "bplus"))
            key = frozenset(words) - _FILLERS or frozenset(words)
            entry = table.setdefault(key, [])
            if (name,) not in entry:
                entry.append((name,))
    return {key: tuple(value) for key, value in table.items()}


@cache
def _joined() -> dict[str, tuple[str, ...]]:
    """Terms written as one word: `enginespeed`, `coolanttemp`."""
    table: dict[str, tuple[str, ...]] = {}
    for name, channel in CHANNELS.items():
        for term in (*channel.terms, name.replace("_", " ")):
            plain = "".join(re.findall(r"[a-z0-9]+", fold(term)))
            table.setdefault(plain, tuple(words_of(term)))
    return table


_SYMBOLS = {
    "n": ("speed", "drehzahl", "rotation"), "p": ("pressure", "druck", "pressure"),
    "t": ("temperature", "temperatur", "temperature"), "u": ("voltage", "spannung", "voltage"),
    "v": ("speed", "geschwindigkeit", "speed"),
}  # fmt: skip
"""Symbols of quantities (ISO 80000) put before a name, `p_oil`: the words they stand for and the
quantity."""


def _by_symbol(words: Sequence[str]) -> tuple[str, ...]:
    plain, ending, quantity = _SYMBOLS[words[0]]
    rest = ["engine" if word in ("motor", "mot") else word for word in words[1:]]
    found = _lookup([*rest, plain]) or _lookup(["".join(words[1:]) + ending]) or _lookup(rest)
    fits = tuple(channel for channel in found if CHANNELS[channel].quantity == quantity)
    # V is a velocity by the standard and a voltage by habit.
    return fits or (_by_symbol(["u", *words[1:]]) if words[0] == "v" else ())


_IDLE_SPEED = _words(
    "idle speed n rpm engine drehzahl motordrehzahl leerlauf leerlaufdrehzahl regime moteur "
    "ralenti regimen motor revoluciones"
)


def find_channels(name: Name) -> tuple[str, ...]:
    """Channels whose terms are the name's words, before unit and behaviour have their say."""
    words = name.words
    if not words:
        return ()
    found = _lookup(words)
    if not found and len(words) == 1:
        spelled = _joined().get(words[0])
        if spelled:
            found = _lookup(spelled)
    if not found:
        spelled = _joined().get("".join(words))
        if spelled:
            found = _lookup(tuple(w for w in spelled if w != "target"))
    if not found and len(words) > 1 and words[0] in _SYMBOLS:
        found = _by_symbol(words)
    if words == ("n",) and quantity_of(name.unit) == "rotation":
        # Alone it may count rows: only its unit makes it the engine's speed.
        found = ("engine_speed",)
    if name.target:
        if set(words) - _FILLERS <= _IDLE_SPEED:
            return ("idle_speed_target",)
        return tuple(TARGET_OF[c] for c in found if c in TARGET_OF)
    return found


def _lookup(words: Sequence[str]) -> tuple[str, ...]:
    table = _index()
    bare = frozenset(words) - _FILLERS
    for key in (frozenset(words), bare, bare - {"engine"}, bare - {"gauge", "relative", "vac"},
                bare - {"filtered"}):  # fmt: skip
        if key and key in table:
            return tuple(entry[0] for entry in table[key])
    return ()


@lru_cache(maxsize=4096)
def recognised(cell: str) -> bool:
    """Whether a header cell names a channel or a clock."""
    return bool(find_channels(read_name(cell))) or is_clock_name(cell)


_CLOCK_WORDS = _words(
    "time timestamp zeit zeitstempel uhrzeit temps heure horodatage tiempo hora elapsed "
    "datetime date datum fecha jour tag sec secs seconds sekunden secondes segundos millis "
    "milliseconds msec clock ts utc epoch laufzeit duration offset relative log recording "
    "session local gps stamp logtime logzeit ms t s of day tageszeit zeitpunkt device "
    "aufzeichnung since start marca system unix tick ticks counter micros microseconds us "
    "running run total ecu engine index timer sys seit beginn messbeginn messzeit from depuis "
    "debut le ecoule transcurrido desde inicio relativ absolut absolute ellapsed "
)
_CLOCK_CORE = _words(
    "time timestamp zeit zeitstempel uhrzeit temps heure horodatage tiempo hora elapsed "
    "datetime date datum fecha sec secs seconds sekunden secondes segundos millis milliseconds "
    "msec clock ts epoch stamp logtime logzeit ms t s zeitpunkt tageszeit micros microseconds "
    "ticks tick laufzeit unix timer messzeit "
)


def _clock_parts(word: str) -> tuple[str, ...]:
    """`unixtime` to `unix` and `time`: both have to be words of clocks."""
    if word not in _CLOCK_WORDS:
        for cut in range(3, len(word) - 3):
            if word[:cut] in _CLOCK_WORDS and word[cut:] in _CLOCK_CORE:
                return word[:cut], word[cut:]
    return (word,)


@lru_cache(maxsize=4096)
def is_clock_name(cell: str) -> bool:
    """Whether a header cell names a clock or a date."""
    text, unit = split_header(cell)
    words = [w for w in words_of(text) if not w.isdigit()]
    if unit and known_unit(unit) and quantity_of(unit) != "duration":
        return False  # `T [degC]` is a temperature
    if not words and unit:
        return quantity_of(unit) == "duration"
    words = [part for word in words for part in _clock_parts(word)]
    raw = set(re.findall(r"[a-z]+", fold(text))) or set(words)
    # Two words parted by case or underscores only matter together: `dwell time` is no clock.
    return (
        bool(words)
        and (set(words) <= _CLOCK_WORDS or raw <= _CLOCK_WORDS)
        and bool((set(words) | raw) & _CLOCK_CORE)
    )
