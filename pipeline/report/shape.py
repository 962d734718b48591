"""What makes two charts share a template."""

from dataclasses import dataclass

from pipeline.report import theme


@dataclass(frozen=True)
class Shape:
    """A chart without its data. ``lines``: (has a band, is a step) of each."""

    lines: tuple[tuple[bool, bool], ...] = ()
    points: bool = False
    shade: bool = False
    marks: bool = False
    flags: bool = False
    time: bool = False
    rows: bool = False
    whiskers: bool = False
    #: Whether the axis below carries labels.
    labels: bool = True
    height: float = theme.PANEL_HEIGHT
    width: float = theme.PLOT

    def key(self, alive: bool) -> str:
        """Name of the template: all but the size, and for a static one all but the axes too."""
        lines = "".join("lb"[band] + ".s"[step] for band, step in self.lines)
        parts = ["points", "shade", "marks", "rows", "whiskers"]
        parts += ["flags", "time", "labels"] if alive else []
        return " ".join([lines, *(part for part in parts if getattr(self, part))])
