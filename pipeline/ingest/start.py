"""When a session began: the log's own clock, a date in the file's name, or the file's time."""

import re
from datetime import datetime, timedelta, timezone
from pathlib import PurePosixPath
from typing import Literal

from pipeline.ingest.reading import RawSession

Source = Literal["log", "name", "file"]

_CLOCK = r"(?:[ _T.-]*?(?<!\d)?(\d{2})[-_.:h]?(\d{2})(?:[-_.:m]?(\d{2}))?(?!\d))?"
_FORMS = (
    rf"(?<!\d)(?P<y>(?:19|20)\d{{2}})[-_.](?P<m>\d{{1,2}})[-_.](?P<d>\d{{1,2}})(?!\d){_CLOCK}",
    r"(?<!\d)(?P<y>(?:19|20)\d{2})(?P<m>\d{2})(?P<d>\d{2})(?:[ _T-]?(\d{2})[-_.:]?(\d{2})"
    r"(?:[-_.:]?(\d{2}))?(?!\d)|(?!\d))",
    rf"(?<!\d)(?P<d>\d{{1,2}})\.(?P<m>\d{{1,2}})\.(?P<y>(?:19|20)\d{{2}})(?!\d){_CLOCK}",
)
_EITHER = re.compile(r"(?<!\d)(\d{1,2})[-_/](\d{1,2})[-_/]((?:19|20)\d{2})(?!\d)")


def date_in_name(name: str) -> tuple[datetime, bool] | None:
    """Date (and whether a time of day follows) in a file's name, None where none or doubtful."""
    text = PurePosixPath(name).name
    for form in _FORMS:
        match = re.search(form, text)
        if not match:
            continue
        try:
            day = datetime(int(match["y"]), int(match["m"]), int(match["d"]))
        except ValueError:
            continue
        hours = [g for g in match.groups()[3:] if g is not None]
        if len(hours) >= 2:
            hour, minute = int(hours[0]), int(hours[1])
            second = int(hours[2]) if len(hours) > 2 else 0
            if hour < 24 and minute < 60 and second < 60:
                return day + timedelta(hours=hour, minutes=minute, seconds=second), True
        return day, False
    either = _EITHER.search(text)
    if either:
        a, b, year = (int(g) for g in either.groups())
        day_month = {(a, b), (b, a)}
        dates = set()
        for day_number, month in day_month:
            try:
                dates.add(datetime(year, month, day_number))
            except ValueError:
                continue
        if len(dates) == 1:
            return dates.pop(), False
    return None


def resolve_start(raw: RawSession, file_name: str, mtime_ns: int) -> tuple[str, Source]:
    """Start of a session as ISO 8601 and where it comes from (log, name, file)."""
    clock = raw.clock
    if clock.start is not None:
        return _iso(clock.start, clock.utc_offset_s), "log"
    named = date_in_name(file_name)
    since = timedelta(seconds=clock.since_file_start_s)
    if named is not None:
        day, with_time = named
        if clock.time_of_day_s is not None:
            first = clock.time_of_day_s - clock.since_file_start_s
            # The file's first row is on the named day; later sessions may lie past midnight.
            shift = timedelta(seconds=first % 86400.0) + since
            return _iso(day.replace(hour=0, minute=0, second=0) + shift, clock.utc_offset_s), "name"
        del with_time
        return _iso(day + since, None), "name"
    last = datetime.fromtimestamp(mtime_ns / 1e9)
    start = last - timedelta(seconds=clock.to_file_end_s)
    if clock.time_of_day_s is not None:
        midnight = start.replace(hour=0, minute=0, second=0, microsecond=0)
        options = [midnight + timedelta(days=k, seconds=clock.time_of_day_s) for k in (-1, 0, 1)]
        start = min(options, key=lambda option: abs(option - start))
    return _iso(start, clock.utc_offset_s), "file"


def _iso(moment: datetime, offset_s: float | None) -> str:
    micro = moment.microsecond
    moment = (moment + timedelta(microseconds=500 if micro % 1000 else 0)) if micro else moment
    moment = moment.replace(microsecond=moment.microsecond // 1000 * 1000)
    if offset_s is not None:
        moment = moment.replace(tzinfo=timezone(timedelta(seconds=offset_s)))
    return moment.isoformat(timespec="milliseconds" if moment.microsecond else "seconds")
