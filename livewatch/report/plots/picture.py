"""A picture of a report: drawn as SVG that asks for nothing outside, or a sentence in its place.

A drawing function and words come in, a `Picture` goes out, drawn when somebody asks for it: words and JSON need none.
No identification number and no control code of a name is in it. matplotlib is loaded for the first one, draws without a
display, and writes letters as outlines, so that no reader lacks a font and nothing is clipped.
"""

from __future__ import annotations

import io
import warnings
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from functools import cached_property
from math import ceil
from typing import TYPE_CHECKING, Any

from livewatch.data.private import without_identification
from livewatch.report.palette import LINES, PAGE
from livewatch.wording.shown import shown, shown_lines

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["Picture", "beside", "lacking", "legend", "named", "rows_of", "shade"]

WIDTH = 5.2
"""Inches; the letters can be read where a page makes a picture as narrow as a phone or as wide as A4."""
LONGEST = 60
"""Characters of a name in a legend."""
STYLE: Any = {
    "axes.edgecolor": PAGE["rule"],
    "axes.grid": True,
    "axes.labelcolor": PAGE["ink"],
    "axes.spines.right": False,
    "axes.spines.top": False,
    "axes.titlelocation": "left",
    "axes.titlesize": 9.5,
    "figure.constrained_layout.use": True,
    "font.family": ["DejaVu Sans"],
    "font.size": 9,
    "grid.color": "#d4d8dd",
    "grid.linewidth": 0.6,
    "legend.fontsize": 8,
    "legend.frameon": False,
    "lines.linewidth": 1.3,
    "path.simplify_threshold": 0.3,
    "svg.fonttype": "path",
    "svg.hashsalt": "livewatch",
    "text.color": PAGE["ink"],
    "text.parse_math": False,  # a dollar in a name is a dollar
    "xtick.color": PAGE["quiet"],
    "ytick.color": PAGE["quiet"],
}


@dataclass(frozen=True)
class Picture:
    """One picture.

    Attributes:
        name: a word for files and anchors.
        title, caption: what it shows, and how to read it.
        alt: what can be seen in it, in words, with figures.
        draw: puts it on an empty figure of `height` inches.
        instead: why there is none; empty where there is one.
    """

    name: str
    title: str
    caption: str
    alt: str = ""
    draw: Callable[[Figure], None] | None = field(default=None, repr=False)
    height: float = 3.2
    instead: str = ""

    @cached_property
    def svg(self) -> str:
        """Empty where there is none."""
        if self.draw is None:
            return ""
        import matplotlib
        from matplotlib.backends.backend_svg import FigureCanvasSVG
        from matplotlib.figure import Figure
        from matplotlib.text import Text

        with matplotlib.rc_context(STYLE), warnings.catch_warnings():
            warnings.filterwarnings("ignore", "Glyph .* missing")  # a box is drawn in its place; `alt` has the letter
            figure = Figure(figsize=(WIDTH, self.height))
            FigureCanvasSVG(figure)
            self.draw(figure)
            for text in figure.findobj(Text):
                text.set_text(shown_lines(without_identification(text.get_text())))
            out = io.StringIO()
            figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
        svg = out.getvalue()
        return svg[svg.index("<svg") :]

    def to_json(self) -> dict[str, Any]:
        """Plain data, without the picture itself."""
        return {
            "picture": self.name,
            "title": self.title,
            "shows": self.alt or None,
            "not_drawn_because": self.instead or None,
        }


def lacking(name: str, title: str, caption: str, why: str) -> Picture:
    """The sentence in the place of a picture: `why` there is none."""
    return Picture(name, title, caption, instead=why)


def rows_of(count: int) -> int:
    """Rows of so many panels in two columns."""
    return ceil(count / 2)


def beside(figure: Figure, count: int, across: str, sharex: bool = False, sharey: bool = False) -> list[Axes]:
    """So many panels in two columns, with what goes `across` named below the lowest of each."""
    columns = min(2, count)
    panels = list(figure.subplots(rows_of(count), columns, squeeze=False, sharex=sharex, sharey=sharey).ravel())
    for panel in panels[count:]:
        panel.set_axis_off()
    for panel in panels[count - columns : count]:
        panel.set_xlabel(across)
        panel.tick_params(labelbottom=True)
    return panels[:count]


def named(axes: Axes, across: str, up: str, title: str = "") -> None:
    """Name the axes, each with its unit, and the panel; what is empty stays as it is."""
    if across:
        axes.set_xlabel(across)
    if up:
        axes.set_ylabel(up)
    if title:
        axes.set_title(title)


def shade(number: int) -> dict[str, Any]:
    """Colour and dash of the line of that number."""
    colour, dash, _ = LINES[number % len(LINES)]
    return {"color": colour, "linestyle": dash}


def legend(figure: Figure, axes: Axes | Iterable[Axes]) -> None:
    """One legend below all panels: nothing in them is covered."""
    panels = [axes] if not isinstance(axes, Iterable) else list(axes)
    known: dict[str, Any] = {}
    for panel in panels:
        for handle, label in zip(*panel.get_legend_handles_labels(), strict=True):
            known.setdefault(shown(without_identification(label), LONGEST), handle)
    if known:
        longest = max(map(len, known))
        columns = max(1, min(len(known), 84 // (longest + 8)))
        figure.legend(known.values(), known.keys(), loc="outside lower left", ncols=columns)
