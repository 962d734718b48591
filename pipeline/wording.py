"""Moments and counts in words, said alike by messages, analyses and pages."""


def clock(seconds: float) -> str:
    """Time into the log as m:ss or h:mm:ss, to the nearest second."""
    whole = max(0, round(seconds))
    minutes, s = divmod(whole, 60)
    hours, m = divmod(minutes, 60)
    return f"{hours}:{m:02d}:{s:02d}" if hours else f"{m}:{s:02d}"


def counted(number: int, noun: str) -> str:
    """A number with its noun, one or many: "1 session", "3 sessions"."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def lasting(seconds: float) -> str:
    """A length of time in words: "40 ms", "0.4 s", "12 s", "3 min", "1 h 05 min"."""
    if 0.0 < seconds < 0.1:
        return f"{1000.0 * seconds:.0f} ms"
    if seconds < 10:
        return f"{seconds:.1f} s"
    if seconds < 120:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 60 else f"{minutes // 60} h {minutes % 60:02d} min"


def none_or(number: int, noun: str) -> str:
    """Like :func:`counted`, with "no" for none: "no gap", "1 gap", "2 gaps"."""
    return counted(number, noun) if number else f"no {noun}"
