"""What a chart shows, in a sentence."""

from collections.abc import Sequence

from pipeline.report.units import plain
from pipeline.results import Line


def digits_of(largest: float, unit: str) -> int:
    """Decimals of a sentence about a chart: three for lambda and what is as small."""
    if unit in ("lambda", "1", "") and largest < 5:
        return 3
    return 2 if 0 < largest < 1 else 1 if 0 < largest < 100 else 0


def line_summary(title: str, lines: Sequence[Line], unit: str, label: str) -> str:
    """Each line's least and greatest value, for those who do not see the picture."""
    parts = []
    for line in lines:
        values = [v for v in line.y if v is not None]
        if values:
            digits = digits_of(max(map(abs, values)), unit)
            name = f"{line.label} " if line.label and line.label != title else ""
            parts.append(f"{name}from {plain(min(values), digits)} to {plain(max(values), digits)}")
    told = "; ".join(parts) if parts else "no values"
    return f"{title}: {told}{f' {label}' if label and unit != '1' else ''}"
