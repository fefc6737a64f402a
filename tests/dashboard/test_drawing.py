"""What is drawn, cell by cell: figures, letters, curves, and what becomes of them on a terminal with ASCII only."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from livewatch.dashboard.content.axis_ranges import nice_step
from livewatch.dashboard.content.traces import extremes
from livewatch.dashboard.drawing.canvas import Canvas
from livewatch.dashboard.drawing.font import figure, figure_width, letters
from livewatch.dashboard.drawing.plain import as_plain, terminal_is_plain
from livewatch.dashboard.drawing.plot import Plot
from tests.drawn import CHARACTERS

DIGITS = "0123456789"


@pytest.mark.parametrize("height", range(5, 11))
@pytest.mark.parametrize("weight", ["light", "heavy", "dotted"])
@pytest.mark.parametrize("plain", [False, True])
def test_every_digit_looks_different_in_every_size_and_weight(height: int, weight: str, plain: bool) -> None:
    shapes = {figure(digit, height, weight, plain) for digit in DIGITS}  # type: ignore[arg-type]
    assert len(shapes) == len(DIGITS)
    assert all(len(shape) == height for shape in shapes)
    assert all(len(row) == figure_width("8", height) for shape in shapes for row in shape)


@pytest.mark.parametrize("height", range(5, 11))
def test_the_three_weights_of_a_figure_tell_apart_without_colour(height: int) -> None:
    light, heavy, dotted = (figure("1.03", height, weight) for weight in ("light", "heavy", "dotted"))  # type: ignore[arg-type]

    def ink(rows: tuple[str, ...]) -> int:
        return sum(character != " " for row in rows for character in row)

    assert ink(heavy) > 1.1 * ink(light)
    assert all(character == " " or 0x2800 <= ord(character) <= 0x28FF for row in dotted for character in row)
    assert len({figure("1.03", height, weight, True) for weight in ("light", "heavy", "dotted")}) == 3  # type: ignore[arg-type]


def test_a_figure_of_five_rows_is_what_was_designed() -> None:
    assert figure("2", 5) == ("▟▀▀▙", "   █", "  ▄▀", " ▟▘ ", "█▄▄▄")
    assert figure("4", 5, plain=True) == ("#  #", "#  #", "####", "   #", "   #")


def test_minus_is_drawn_and_what_is_unknown_is_blank() -> None:
    assert any("▀" in row for row in figure("-", 5))
    assert all(row.strip() == "" for row in figure("x", 5))


def test_the_action_fits_a_narrow_terminal_in_large_letters() -> None:
    rows = letters("Lift off the pedal now", 76)
    assert rows is not None
    assert len(rows) == 3
    assert max(map(len, rows)) <= 76
    assert letters("Lift off the pedal now", 60) is None
    assert letters("Λift", 76) is None, "what is not drawn is written instead"
    assert letters("", 76) is None


def test_every_letter_looks_different() -> None:
    shapes = {letters(letter, 20) for letter in "ABCDEFGHIJKLMNPQRSTUVWXYZ0123456789"}
    assert len(shapes) == 35, "O and 0 are the same shape"
    assert None not in shapes


def test_text_too_long_for_its_place_ends_at_a_word_with_a_sign() -> None:
    canvas = Canvas(10, 3)
    assert canvas.write(0, 0, "short term fuel trim") == 7
    assert canvas.write_right(10, 1, "82 %") == 6
    canvas.write(8, 2, "beyond the edge")
    canvas.write(0, 7, "below the canvas")
    assert canvas.text().splitlines() == ["short »", "      82 %", "        »"]


@settings(max_examples=60, deadline=None)
@given(text=st.text(CHARACTERS, max_size=40), x=st.integers(-20, 30), y=st.integers(-3, 5), plain=st.booleans())
def test_whatever_is_written_the_sheet_keeps_its_size(text: str, x: int, y: int, plain: bool) -> None:
    from rich.cells import cell_len

    canvas = Canvas(24, 3, plain)
    canvas.write(x, y, text, "loud")
    for row in range(3):
        line = canvas.line(row)
        assert sum(cell_len(part) for part, _ in line) == 24
        if plain:
            assert all(part.isascii() for part, _ in line)


def test_ascii_text_takes_the_cells_it_took_before() -> None:
    assert as_plain("▲▲ λ 1.03 ≥ ±5 °C – boost…") == "!! l 1.03 > ~5 oC - boost."
    assert as_plain("Zoë") == "Zoe"
    assert as_plain("日本") == "????", "two cells each"


@pytest.mark.parametrize(
    ("environment", "encoding", "plain"),
    [
        ({"TERM": "xterm-256color", "LANG": "en_GB.UTF-8"}, "utf-8", False),
        ({"TERM": "xterm-256color", "LANG": "de_DE.utf8"}, "utf-8", False),
        ({"TERM": "xterm-256color"}, "utf-8", False),
        ({"TERM": "xterm-256color", "LANG": "en_GB.UTF-8", "LC_ALL": "C"}, "utf-8", True),
        ({"TERM": "xterm", "LANG": "en_GB.ISO-8859-1"}, "utf-8", True),
        ({"TERM": "xterm-256color", "LANG": "en_GB.UTF-8"}, "ascii", True),
        ({"TERM": "linux", "LANG": "en_GB.UTF-8"}, "utf-8", True),
        ({"TERM": "dumb", "TEXTUAL_DRIVER": "textual.drivers.web_driver:WebDriver"}, "utf-8", False),
    ],
)
def test_a_terminal_that_shows_ascii_only_is_recognised(
    environment: dict[str, str], encoding: str, plain: bool
) -> None:
    assert terminal_is_plain(environment, encoding) is plain


def draw(ys: list[float], up: tuple[float, float] = (0.0, 1.0), plain: bool = False) -> list[str]:
    canvas = Canvas(len(ys), 3, plain)
    plot = Plot(canvas, 0, 0, len(ys), 3, (0.0, len(ys) - 1.0), up)
    plot.curve(np.arange(len(ys)), ys, "ink")
    plot.finish()
    return [
        canvas.line(row)[0][0] if len(canvas.line(row)) == 1 else "".join(part for part, _ in canvas.line(row))
        for row in range(3)
    ]


def test_a_curve_stands_where_its_values_are() -> None:
    top, middle, bottom = draw([1.0] * 8)
    assert top.strip() and not middle.strip() and not bottom.strip()
    top, middle, bottom = draw([0.0] * 8)
    assert bottom.strip() and not top.strip() and not middle.strip()


def test_a_value_off_the_scale_runs_along_the_edge_and_does_not_vanish() -> None:
    top, middle, bottom = draw([9.0] * 8)
    assert top.strip() and not middle.strip()
    top, middle, bottom = draw([-math.inf, *[-9.0] * 6, math.inf])
    assert bottom.strip() and not top.strip()


def test_what_is_unknown_is_a_gap() -> None:
    rows = draw([1.0, 1.0, 1.0, math.nan, math.nan, math.nan, 1.0, 1.0, 1.0])
    assert rows[0][0] != " " and rows[0][4] == " " and rows[0][8] != " "
    assert draw([math.nan] * 5) == ["     "] * 3


def test_a_curve_in_ascii_uses_three_heights_in_a_cell() -> None:
    rows = draw([1.0, 0.9, 0.75, 0.6, 0.5, 0.3, 0.1, 0.0], plain=True)
    assert "".join(rows).isascii()
    assert "'" in rows[0] and "." in rows[2]


def test_a_curve_is_joined_up_where_it_jumps() -> None:
    rows = draw([0.0, 0.0, 0.0, 1.0, 1.0, 1.0])
    assert all(any(row[column] != " " for column in (2, 3)) for row in rows), "the flank is drawn through all rows"


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10_000), most=st.integers(10, 300))
def test_a_thinned_line_keeps_its_highest_and_lowest_point(seed: int, most: int) -> None:
    rng = np.random.default_rng(seed)
    ys = rng.normal(size=5000).astype(np.float32)
    ys[rng.integers(0, 5000, 300)] = np.nan
    xs, thinned = extremes(np.arange(5000), ys, most)
    assert len(thinned) <= most + 2
    assert np.nanmax(thinned) == np.nanmax(ys)
    assert np.nanmin(thinned) == np.nanmin(ys)
    assert np.all(np.diff(xs) >= 0)


@given(rough=st.floats(1e-6, 1e9))
def test_a_step_of_an_axis_is_one_two_or_five(rough: float) -> None:
    step = nice_step(rough)
    mantissa = step / 10 ** math.floor(math.log10(step) + 1e-9)
    assert min(abs(mantissa - nice) for nice in (1, 2, 5, 10)) < 1e-6
    assert rough * (1 - 1e-6) <= step <= 2.6 * rough


def test_nothing_is_said_with_colour_alone(run_of, app_of) -> None:  # type: ignore[no-untyped-def]
    """Every alarm on the seat has its shape and its word, and a silenced, stale or unknown value its own word."""
    from livewatch.dashboard.widgets.large_figures import LargeFigures
    from livewatch.data.samples import Quality

    watched = run_of()
    ticks = watched.shown.ticks
    row = ticks.index["engine_speed"]
    ticks.quality[row] = Quality.STALE
    ticks.value[row] = math.nan
    ticks.age[row] = 3.2
    widget = LargeFigures()
    widget.snapshot = replace(watched.shown, ticks=ticks)
    canvas = Canvas(80, 7)
    widget.draw(canvas, app_of(watched).view_state())
    text = canvas.text()
    assert "stale, 3.2 s old" in text
    assert "▲▲ lean under load" in text
    stale_cells = {character for line in text.splitlines()[1:6] for character in line[3:25] if character != " "}
    assert all(0x2800 <= ord(character) <= 0x28FF for character in stale_cells), "an old number is drawn in dots"
