"""Static SVG: Vega's marks by vl-convert, cleaned, in a frame of grid lines and tick labels."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from html import escape
from typing import Any

import msgspec
import vl_convert

from pipeline.report import theme

_ATTRIBUTES = re.compile(
    r' (?:class|role|aria-[a-z]+|pointer-events|stroke-miterlimit)="[^"]*"'
    r'| transform="translate\(0,0\)"| (?:stroke-opacity|opacity|fill-opacity)="1"'
)
_BACKGROUND = re.compile(r'<path class="(?:background|foreground)"[^>]*/>')
_EMPTY = re.compile(r"<(g|defs)(?: [^>]*)?></\1>")
#: From tag to tag: a path may hold ten thousand characters that need no look at each.
_BARE = re.compile(r"<g>([^<]*(?:<(?!g)[^<]*)*?)</g>")
_LONG = re.compile(r"-?\d+\.\d{2,}")
_PATH = re.compile(r' d="([^"]*)"')
_SYMBOL = re.compile(
    r'<path(?: aria-[a-z]+="[^"]*")* transform="translate\(([-\d.]+),([-\d.]+)\)"'
    r' d="M[^"]*"([^>]*)/>'
)
_IDS = re.compile(r'\bid="([^"]+)"')


def marks(vega: Mapping[str, Any], *, prefix: str) -> str:
    """Draw a static Vega spec's marks; returns the inner SVG, compact, with ids prefixed."""
    # As text, which the library takes apart faster than it walks through Python's lists.
    drawn: str = vl_convert.vega_to_svg(msgspec.json.encode(vega).decode("utf-8"))
    inner = drawn[drawn.index("<g") : drawn.rindex("</svg>")]
    return clean(inner, prefix)


def clean(inner: str, prefix: str) -> str:
    """Strip what a picture does not need, round to 0.1, separate numbers by blanks."""
    inner = _BACKGROUND.sub("", inner)
    inner = _one_path_for_points(inner)
    inner = _ATTRIBUTES.sub("", inner)
    for _ in range(12):
        smaller = _BARE.sub(r"\1", _EMPTY.sub("", inner))
        if smaller == inner:
            break
        inner = smaller
    inner = _LONG.sub(lambda m: f"{float(m[0]):.1f}".replace(".0", ""), inner)
    inner = _PATH.sub(lambda m: ' d="' + m[1].replace(",", " ") + '"', inner)
    for number, name in enumerate(dict.fromkeys(_IDS.findall(inner)), start=1):
        new = f"{prefix}-{number}"
        inner = inner.replace(f'id="{name}"', f'id="{new}"').replace(f"#{name})", f"#{new})")
    return inner


def _one_path_for_points(inner: str) -> str:
    """Join a scatter's symbols, one path each, into one path of dots (a tenth of the size)."""
    found = list(_SYMBOL.finditer(inner))
    if len(found) < 2:
        return inner
    colour = re.search(r'fill="([^"]*)"', found[0][3])
    dots = "".join(f"M{float(m[1]):.1f} {float(m[2]):.1f}h0" for m in found)
    path = (
        f'<path d="{dots}" fill="none" stroke="{colour[1] if colour else "currentColor"}"'
        f' stroke-width="4.5" stroke-linecap="round" opacity="0.6"/>'
    )
    first, last = found[0].start(), found[-1].end()
    return inner[:first] + path + inner[last:]


@dataclass(frozen=True)
class Frame:
    """What is drawn round the marks, in plot coordinates from the upper left corner.

    x_ticks, y_ticks: (position, label). texts: (x, y, text) inside the plot. flags: (x, letter)
    on top of marked places. ``labels``: whether the axis below is labelled.
    """

    height: float
    x_ticks: Sequence[tuple[float, str]] = ()
    y_ticks: Sequence[tuple[float, str]] = ()
    texts: Sequence[tuple[float, float, str]] = ()
    flags: Sequence[tuple[float, str]] = field(default=())
    labels: bool = True
    width: float = theme.PLOT


def picture(inner: str, frame: Frame) -> str:
    """Put marks into their frame: a whole ``<svg>`` that scales with its column."""
    top = theme.TOP + (theme.FLAG if frame.flags else 0)
    bottom = theme.BOTTOM if frame.labels else 4
    left = theme.WIDTH - theme.RIGHT - frame.width
    height, width = frame.height, frame.width
    grid = "".join(f"M{_n(x)} 0v{_n(height)}" for x, _ in frame.x_ticks)
    grid += "".join(f"M0 {_n(y)}h{_n(width)}" for y, _ in frame.y_ticks)
    parts = [
        f'<svg viewBox="0 0 {_n(theme.WIDTH)} {_n(top + height + bottom)}" fill="none"'
        f' aria-hidden="true"><g transform="translate({_n(left)} {_n(top)})">'
    ]
    if grid:
        parts.append(f'<path d="{grid}" stroke="currentColor" opacity=".13"/>')
    if frame.labels or frame.y_ticks:
        parts.append(f'<path d="M0 {_n(height)}h{_n(width)}" stroke="currentColor" opacity=".5"/>')
    parts.append(inner)
    text: list[str] = []
    for y, label in frame.y_ticks:
        text.append(f'<text x="-5" y="{_n(y + 4)}" text-anchor="end">{escape(label)}</text>')
    if frame.labels:
        for x, label in frame.x_ticks:
            anchor = "end" if x > width - 8 else "middle"
            text.append(
                f'<text x="{_n(x)}" y="{_n(height + 15)}" text-anchor="{anchor}">'
                f"{escape(label)}</text>"
            )
    for x, y, label in frame.texts:
        text.append(f'<text x="{_n(x)}" y="{_n(y)}">{escape(label)}</text>')
    for x, label in frame.flags:
        text.append(f'<text x="{_n(x)}" y="-4" text-anchor="middle">{escape(label)}</text>')
    if text:
        parts.append(f'<g fill="currentColor" font-size="{theme.FONT_SIZE}">{"".join(text)}</g>')
    parts.append("</g></svg>")
    return "".join(parts)


def _n(value: float) -> str:
    """One decimal at most."""
    return f"{value:.1f}".replace(".0", "")
