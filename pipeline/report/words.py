"""Words for what files name in code: severities, states, kinds, durations. No jargon."""

from collections.abc import Mapping
from types import MappingProxyType

from pipeline.wording import clock, lasting

#: Severity -> (word, shape drawn beside it, what it asks for). The shape tells them apart
#: without colour: square, triangle, diamond, circle.
SEVERITY: Mapping[str, tuple[str, str, str]] = MappingProxyType(
    {
        "stop": ("Stop", "■", "do not run it like this"),
        "act": ("Act", "▲", "mend or retune before driving hard"),
        "watch": ("Watch", "◆", "keep an eye on it, look into it soon"),
        "info": ("Note", "○", "nothing that asks for work"),
    }
)
STEPS: Mapping[int, str] = MappingProxyType(
    {
        0: "Stop and look",
        1: "Can the numbers be trusted",
        2: "Mechanical",
        3: "Fuel supply",
        4: "Calibration, from the bottom up",
        5: "Proof",
    }
)
STATE: Mapping[str, str] = MappingProxyType(
    {
        "key_on": "key on, not yet running",
        "cranking": "cranking",
        "after_start": "first minute",
        "idle": "idle",
        "cruise": "cruise",
        "part_load": "part load",
        "boost": "boost",
        "overrun": "overrun",
        "overrun, fuel cut": "overrun, fuel cut",
        "stopped": "stopped",
    }
)
ENGINE: Mapping[str, str] = MappingProxyType(
    {
        "off_cold": "engine off, cold",
        "off_hot": "engine off, hot",
        "key_on": "key on, engine at rest",
        "idle": "idling",
        "driving": "driving",
    }
)
STATUS: Mapping[str, str] = MappingProxyType(
    {
        "found": "found something",
        "clear": "nothing found",
        "not_judged": "not judged",
        "failed": "broke off",
    }
)
START_SOURCE: Mapping[str, str] = MappingProxyType(
    {
        "log": "written in the log",
        "name": "taken from the file's name",
        "file": "taken from the file's time of change",
    }
)
_WORDS = {"egr": "EGR", "rpm": "rpm"}
#: A finding that spans this long is told by its ends, s: a minute (a choice).
SPAN_S = 60.0


#: Names that no change of underscores makes plain.
_PLAIN = {
    "half_order_over_floor": "rhythm of two turns over the noise",
    "error_in_the_middle": "typical error",
    "at_least": "least it can be",
    "either_way": "give or take",
}


def spoken(name: str) -> str:
    """Turn a code name into words: ``lean_under_load`` -> ``lean under load``."""
    if name in _PLAIN:
        return _PLAIN[name]
    return " ".join(_WORDS.get(w, w) for w in name.replace(".", " ").split("_"))


def sentence(name: str) -> str:
    """Like :func:`spoken`, with a capital first letter."""
    text = spoken(name)
    return text[:1].upper() + text[1:]


def full_sentence(text: str) -> str:
    """Capital letter in front and a full stop at the end, whatever an analysis wrote."""
    text = text.strip()
    if not text:
        return ""
    return text[:1].upper() + text[1:] + ("" if text[-1] in ".!?)" else ".")


def when(start_s: float, end_s: float, duration_s: float) -> str:
    """When something happened, in words."""
    if start_s <= 0.5 and end_s >= duration_s - 0.5:
        return "the whole session"
    length = end_s - start_s
    if length < 0.05:
        return f"at {clock(start_s)}"
    # Over minutes a finding may come and go: its ends are true of it, a length would not be.
    if length >= SPAN_S:
        return f"between {clock(start_s)} and {clock(end_s)}"
    return f"at {clock(start_s)}, for {lasting(length)}"


def sure(probability: float) -> str:
    """Say how sure a probability is: number first, then the word for it."""
    percent = f"{100 * probability:.0f} %"
    if probability >= 0.9:
        return f"{percent} (very sure)"
    if probability >= 0.7:
        return f"{percent} (fairly sure)"
    if probability >= 0.4:
        return f"{percent} (may well be)"
    return f"{percent} (a hint)"
