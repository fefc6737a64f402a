"""Night, day, and one that needs no colour. Normal values are grey in all of them; colour belongs to what is wrong.

Every name in a theme's `variables` is an ink of the canvases, or a ground; the stylesheet says where they go. The hues
of the priorities differ in lightness as well, so that they can be told apart by people who see few colours; a shape and
a word always stand beside them.
"""

from __future__ import annotations

from textual.theme import Theme

__all__ = ["THEMES"]


GREYS = ("ground", "raised", "shade", "faint", "quiet", "ink", "loud", "stale")


def _theme(name: str, dark: bool, greys: str, **alarms: str) -> Theme:
    """`greys` are the colours of `GREYS`; `alarms`, by priority, those of its letters, of its filled block, and of the
    letters in that."""
    variables = dict(zip(GREYS, greys.split(), strict=True))
    for priority, colours in alarms.items():
        inks = (priority, f"{priority}-ground", f"{priority}-on")
        variables |= dict(zip(inks, colours.split(), strict=True))
    return Theme(
        name=name,
        primary=variables["loud"],
        secondary=variables["quiet"],
        accent=variables["loud"],
        warning=variables["medium"],
        error=variables["critical"],
        success=variables["ink"],
        foreground=variables["ink"],
        background=variables["ground"],
        surface=variables["raised"],
        panel=variables["raised"],
        boost=variables["raised"],
        dark=dark,
        variables={
            **variables,
            "input-cursor-background": variables["loud"],
            "input-cursor-foreground": variables["ground"],
            "block-cursor-background": variables["shade"],
            "block-cursor-foreground": variables["loud"],
            "block-cursor-text-style": "bold",
            "scrollbar": variables["faint"],
            "scrollbar-background": variables["ground"],
            "border": variables["faint"],
        },
    )


THEMES: tuple[Theme, ...] = (
    _theme(
        "night",
        True,
        "#131312 #1d1d1b #33332f #54544f #878780 #bebeb6 #efefe8 #6a6a64",
        critical="#ff6b57 #c9301c #ffffff",
        high="#f2994b #e08432 #140b02",
        medium="#d9c65a #c9b548 #141204",
        low="#8fb2cf #7fa3c2 #07111a",
    ),
    _theme(
        "day",
        False,
        "#e9e9e4 #dededa #cbcbc5 #a2a29b #6d6d67 #3c3c38 #0d0d0b #8d8d86",
        critical="#b3200d #b3200d #ffffff",
        high="#a84a00 #b85a0a #ffffff",
        medium="#6f5c00 #d8c34a #141204",
        low="#2c5c83 #34668f #ffffff",
    ),
    _theme(
        "no colour",
        True,
        "#000000 #141414 #3a3a3a #5a5a5a #a0a0a0 #d8d8d8 #ffffff #808080",
        critical="#ffffff #ffffff #000000",
        high="#ffffff #ffffff #000000",
        medium="#ffffff #c0c0c0 #000000",
        low="#e8e8e8 #909090 #000000",
    ),
)
"""The first is the one to begin with."""
