"""Colours: every text on what it stands on has a contrast of 4.5 to 1 (WCAG 2.1, success criterion 1.4.3, level AA)."""

from __future__ import annotations

from itertools import pairwise

import pytest

from livewatch.report.palette import LINES, PAGE


def luminance(colour: str) -> float:
    """Relative luminance as WCAG 2.1 defines it."""
    parts = [int(colour[place : place + 2], 16) / 255.0 for place in (1, 3, 5)]
    linear = [one / 12.92 if one <= 0.03928 else ((one + 0.055) / 1.055) ** 2.4 for one in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_contrast_is_that_of_the_standard() -> None:
    assert contrast("#ffffff", "#000000") == pytest.approx(21.0)  # WCAG 2.1, definition of contrast ratio
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.01)  # the grey known to pass just so


@pytest.mark.parametrize("ground", ["paper", "tint"])
@pytest.mark.parametrize("text", sorted(PAGE.keys() - {"paper", "tint", "rule"}))
def test_what_is_written_can_be_read(text: str, ground: str) -> None:
    assert contrast(PAGE[text], PAGE[ground]) >= 4.5


@pytest.mark.parametrize("line", LINES)
def test_lines_stand_out_from_the_paper(line: tuple[str, object, str]) -> None:
    assert contrast(line[0], PAGE["paper"]) >= 3.0  # WCAG 2.1, 1.4.11: graphical objects


def test_lines_differ_in_dash_and_mark_so_that_grey_print_tells_them_apart() -> None:
    assert len({str(dash) for _, dash, _ in LINES}) == len(LINES) == len({mark for _, _, mark in LINES})
    greys = sorted(luminance(colour) for colour, _, _ in LINES[:2])
    assert all(high - low > 0.08 for low, high in pairwise(greys))  # the two that lie on one another most often
