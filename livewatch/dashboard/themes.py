"""Night, day, and one that needs no colour. Normal values are grey in all of them; colour belongs to what is wrong.

Every name in a theme's `variables` is an ink of the canvases, or a ground; the stylesheet says where they go. The hues
of the priorities differ in lightness as well, so that they can be told apart by people who see few colours; a shape and
a word always stand beside them.
"""

from __future__ import annotations

from textual.theme import Theme

__all__ = ["THEMES"]


def _theme(name: str, dark: bool, greys: dict[str, str], alarms: dict[str, str]) -> Theme:
    return Theme(
        name=name,
        primary=greys["loud"],
        secondary=greys["quiet"],
        accent=greys["loud"],
        warning=alarms["medium"],
        error=alarms["critical"],
        success=greys["ink"],
        foreground=greys["ink"],
        background=greys["ground"],
        surface=greys["raised"],
        panel=greys["raised"],
        boost=greys["raised"],
        dark=dark,
        variables={
            **greys,
            **alarms,
            "input-cursor-background": greys["loud"],
            "input-cursor-foreground": greys["ground"],
            "block-cursor-background": greys["shade"],
            "block-cursor-foreground": greys["loud"],
            "block-cursor-text-style": "bold",
            "scrollbar": greys["faint"],
            "scrollbar-background": greys["ground"],
            "border": greys["faint"],
        },
    )


THEMES: tuple[Theme, ...] = (
    _theme(
        "night",
        True,
        {
            "ground": "#131312",
            "raised": "#1d1d1b",
            "shade": "#33332f",
            "faint": "#54544f",
            "quiet": "#878780",
            "ink": "#bebeb6",
            "loud": "#efefe8",
            "stale": "#6a6a64",
        },
        {
            "critical": "#ff6b57",
            "critical-ground": "#c9301c",
            "critical-on": "#ffffff",
            "high": "#f2994b",
            "high-ground": "#e08432",
            "high-on": "#140b02",
            "medium": "#d9c65a",
            "medium-ground": "#c9b548",
            "medium-on": "#141204",
            "low": "#8fb2cf",
            "low-ground": "#7fa3c2",
            "low-on": "#07111a",
        },
    ),
    _theme(
        "day",
        False,
        {
            "ground": "#e9e9e4",
            "raised": "#dededa",
            "shade": "#cbcbc5",
            "faint": "#a2a29b",
            "quiet": "#6d6d67",
            "ink": "#3c3c38",
            "loud": "#0d0d0b",
            "stale": "#8d8d86",
        },
        {
            "critical": "#b3200d",
            "critical-ground": "#b3200d",
            "critical-on": "#ffffff",
            "high": "#a84a00",
            "high-ground": "#b85a0a",
            "high-on": "#ffffff",
            "medium": "#6f5c00",
            "medium-ground": "#d8c34a",
            "medium-on": "#141204",
            "low": "#2c5c83",
            "low-ground": "#34668f",
            "low-on": "#ffffff",
        },
    ),
    _theme(
        "no colour",
        True,
        {
            "ground": "#000000",
            "raised": "#141414",
            "shade": "#3a3a3a",
            "faint": "#5a5a5a",
            "quiet": "#a0a0a0",
            "ink": "#d8d8d8",
            "loud": "#ffffff",
            "stale": "#808080",
        },
        {
            "critical": "#ffffff",
            "critical-ground": "#ffffff",
            "critical-on": "#000000",
            "high": "#ffffff",
            "high-ground": "#ffffff",
            "high-on": "#000000",
            "medium": "#ffffff",
            "medium-ground": "#c0c0c0",
            "medium-on": "#000000",
            "low": "#e8e8e8",
            "low-ground": "#909090",
            "low-on": "#000000",
        },
    ),
)
"""The first is the one to begin with."""
