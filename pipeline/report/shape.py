"""What makes two charts share a template."""

from dataclasses import dataclass

from pipeline.report import theme

#: Columns of lines and dots, in the order of their rows in a static version: plain lists, for
#: names cost a tenth of a picture.
LISTED = ("x", "y", "low", "high")


def listed(name: str) -> bool:
    """Whether a data set's rows are plain lists in a static version."""
    return name == "points" or name.startswith("l")


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

    def kind(self, alive: bool) -> "Shape":
        """Make the shape whose template serves this one: sizes are filled in, and axes not drawn
        in a static version make no difference."""
        axes = {"flags": self.flags, "time": self.time, "labels": self.labels} if alive else {}
        return Shape(lines=self.lines, points=self.points, shade=self.shade, marks=self.marks,
                     rows=self.rows, whiskers=self.whiskers, **axes)  # fmt: skip

    def key(self, alive: bool) -> str:
        """Name of the template: all but the size, and for a static one all but the axes too."""
        lines = "".join("lb"[band] + ".s"[step] for band, step in self.lines)
        parts = ["points", "shade", "marks", "rows", "whiskers"]
        parts += ["flags", "time", "labels"] if alive else []
        return " ".join([lines, *(part for part in parts if getattr(self, part))])
