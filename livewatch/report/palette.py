"""The colours of a page and of its pictures, as `#rrggbb`; a test holds what is written in one of them on another to
WCAG 2.1 level AA. Lines differ in lightness, dash and mark as well, so that they are told apart in grey print."""

from __future__ import annotations

from collections.abc import Mapping

__all__ = ["LINES", "PAGE", "LineStyle"]

PAGE: Mapping[str, str] = {
    "paper": "#ffffff",
    "tint": "#f1f3f5",
    "ink": "#16191d",
    "quiet": "#4a525b",
    "rule": "#8b949e",
    "link": "#0b4a8f",
    "wrong": "#9c1c1c",
    "strained": "#7a4a00",
    "right": "#1c5a34",
    "unknown": "#4a525b",
}

LineStyle = tuple[str, str | tuple[int, tuple[int, ...]], str]
"""Colour, dash and mark, as matplotlib takes them."""
LINES: tuple[LineStyle, ...] = (
    ("#0b3c78", "-", "o"),
    ("#c2560a", "--", "s"),
    ("#2f7d4f", "-.", "^"),
    ("#7b2d7f", ":", "D"),
    ("#5b6670", (0, (5, 1, 1, 1, 1, 1)), "v"),
    ("#9a7b00", (0, (1, 1)), "P"),
)
"""The first line of a picture, the second, and so on."""
