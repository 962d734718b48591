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
