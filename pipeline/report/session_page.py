"""The page of one session from its two result files, as the batch and the mail call it."""

import msgspec

from pipeline.logbook import Entry
from pipeline.report.page import render_session, session_units


def session_page(analysis: bytes, figures: bytes, *, units: str, alive: bool = True) -> str:
    """Render analysis.json and figures.json (their bytes); ``units`` is "metric" or "us"."""
    document = msgspec.json.decode(analysis)
    drawn = msgspec.json.decode(figures)
    return render_session(
        document,
        drawn,
        units=session_units(document, units),
        logbook_entries=msgspec.convert(drawn.get("logbook", []), list[Entry]),
        alive=alive,
    )
