"""The page of one session from its two result files, as the batch calls it."""

from collections.abc import Sequence

import msgspec

from pipeline.logbook import Entry
from pipeline.report.page import render_session, session_units


def session_page(
    analysis: bytes,
    figures: bytes,
    *,
    units: str,
    logbook: Sequence[Entry] = (),
    alive: bool = True,
) -> str:
    """Render analysis.json and figures.json (their bytes); ``units`` is "metric" or "us"."""
    document = msgspec.json.decode(analysis)
    return render_session(
        document,
        msgspec.json.decode(figures),
        units=session_units(document, units),
        logbook_entries=logbook,
        alive=alive,
    )
