"""Laying out: values and a template come in, the text of a file goes out.

Everything of a stranger's (names of files, channels, alarms, profiles, parts) is escaped for what it is laid out as,
shown without control characters, and without identification numbers unless they are asked for. An HTML page holds all
that it shows: pictures are in it, a policy in its head forbids it to ask for anything, and there is no script.
"""

from __future__ import annotations

import base64
import re
from collections.abc import Callable
from functools import cache
from typing import TYPE_CHECKING, Any

from livewatch.data.private import without_identification
from livewatch.report.palette import PAGE
from livewatch.version import __version__
from livewatch.wording.shown import shown

if TYPE_CHECKING:
    import jinja2

    from livewatch.report.plots.picture import Picture

__all__ = ["lay_out", "plain_json"]

LONGEST = 4000
"""Characters of one text."""
_MARKDOWN = re.compile(r"([\\`*_{}\[\]<>#|~])")
"""What Markdown takes for more than itself."""


def lay_out(template: str, *, private: bool = False, **values: Any) -> str:
    """The text that a template makes of the values. `private`: whether identification numbers may be in it."""
    kind = template.split(".")[-2]
    return _environment(kind, private).get_template(template).render(page=PAGE, version=__version__, **values)


def plain_json(value: Any, private: bool = False) -> Any:
    """Plain data with its texts as a page would have them."""
    match value:
        case str():
            return value if private else without_identification(value)
        case dict():
            return {plain_json(key, private): plain_json(inner, private) for key, inner in value.items()}
        case list() | tuple():
            return [plain_json(inner, private) for inner in value]
    return value


@cache
def _environment(kind: str, private: bool) -> jinja2.Environment:
    import jinja2

    made = jinja2.Environment(
        loader=jinja2.PackageLoader("livewatch.report", "templates"),
        autoescape=kind == "html",
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        finalize=_printed(kind, private),
    )
    made.filters["source"] = _source
    return made


def _printed(kind: str, private: bool) -> Callable[[Any], Any]:
    def printed(value: Any) -> Any:
        if not isinstance(value, str) or hasattr(value, "__html__"):
            return value
        text = shown(value if private else without_identification(value), LONGEST)
        return _MARKDOWN.sub(r"\\\1", text) if kind == "md" else text

    return printed


def _source(picture: Picture) -> Any:
    """A picture as an address that holds it: what is within an image runs no script and asks for nothing."""
    from markupsafe import Markup

    return Markup("data:image/svg+xml;base64," + base64.b64encode(picture.svg.encode()).decode())
