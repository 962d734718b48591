"""One look for all charts: sizes for a narrow column, colours that colour-blind readers tell apart.

Charts are drawn 360 wide with text of 12, so that on a phone 390 wide nothing is smaller than
11 px. Colours of lines are Okabe-Ito's (Okabe and Ito, "Color Universal Design", 2008), the dark
ones first since they keep 3:1 on white, each with its own dash. Text, axes and grid take the
page's own colour (``currentColor``), so that dark mode and print need nothing.
"""

from typing import Any

WIDTH = 360.0
LEFT, RIGHT, TOP, BOTTOM = 46.0, 12.0, 6.0, 20.0
#: Room above a plot for the letters of marked places.
FLAG = 12.0
PLOT = WIDTH - LEFT - RIGHT
PANEL_HEIGHT = 72.0
CHART_HEIGHT = 170.0
FONT_SIZE = 12

#: (colour, dash). Blue, vermilion, green, purple, orange, sky blue.
SERIES: tuple[tuple[str, tuple[int, ...]], ...] = (
    ("#0072b2", ()),
    ("#d55e00", (6, 2)),
    ("#009e73", (2, 2)),
    ("#b25792", (8, 2, 2, 2)),
    ("#a66f00", (4, 4)),
    ("#3a8ebd", (1, 3)),
)

CONFIG: dict[str, Any] = {
    "aria": False,
    "background": "transparent",
    "font": "Roboto",
    "view": {"stroke": None},
    "numberFormat": "f",
    "axis": {
        "labelColor": "currentColor",
        "labelFontSize": FONT_SIZE,
        "domainColor": "currentColor",
        "domainOpacity": 0.5,
        "tickColor": "currentColor",
        "tickOpacity": 0.5,
        "gridColor": "currentColor",
        "gridOpacity": 0.13,
        "labelOverlap": True,
        "labelFlush": False,
    },
}

#: Eleven steps of cividis (Nuñez, Anderton, Renslow, PLOS ONE 2018), dark to light, and of a
#: blue - white - orange scale with its neutral in the middle.
CIVIDIS = (
    "#00224e", "#123570", "#3b496c", "#575d6d", "#707173", "#8a8678",
    "#a59c74", "#c3b369", "#e1cc55", "#f4de45", "#fee838",
)  # fmt: skip
BLUE_ORANGE = (
    "#134b73", "#2f6f9f", "#5e9cc6", "#93c2de", "#c8e0ee", "#f4f3f0",
    "#fbdcb4", "#f6bd7b", "#e8963f", "#c86f17", "#8f4a08",
)  # fmt: skip


def ink_on(colour: str) -> str:
    """Black or white, whichever has the greater contrast on ``colour`` (WCAG 2.x luminance)."""
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    luminance = 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
    return "#000" if (luminance + 0.05) / 0.05 > 1.05 / (luminance + 0.05) else "#fff"
