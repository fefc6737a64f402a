"""Text in its place: whole, or a shorter wording, or whole words and a sign; never cut without one."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st
from rich.cells import cell_len

from livewatch.dashboard.drawing.fitting import MORE, SIGN, Steady, fit, one_line, wrap
from livewatch.profile import load_profile
from livewatch.profile.shipped import find_profile
from livewatch.signature.causes.registry import HYPOTHESES
from livewatch.signature.evidence.authority import AuthorityWatch
from livewatch.signature.evidence.coverage import GROUPS, cover
from livewatch.wording.shorter import (
    DRIVES,
    authority_words,
    drive_words,
)

WORDS = st.lists(st.text("abcλ°é日-_/,.0123456789", min_size=1, max_size=30), min_size=1, max_size=25).map(" ".join)
WIDE = settings(max_examples=120, deadline=None)


def letters_of(text: str) -> str:
    return "".join(text.split())


@WIDE
@given(WORDS, st.integers(2, 80), st.integers(0, 80))
def test_wrapping_loses_nothing_and_keeps_to_its_width(text: str, width: int, first: int) -> None:
    lines = wrap(text, width, min(first, width))
    assert letters_of("".join(lines)) == letters_of(text)
    assert all(cell_len(line) <= (width if at else min(first, width)) for at, line in enumerate(lines))
    if all(cell_len(word) <= width for word in text.split()):
        assert " ".join(line for line in lines if line).split() == text.split(), (
            "no word is broken that a line can hold"
        )


@WIDE
@given(st.lists(WORDS, min_size=1, max_size=4), st.integers(2, 80), st.integers(1, 6))
def test_what_fits_is_whole_and_what_does_not_ends_with_a_sign(texts: list[str], width: int, rows: int) -> None:
    fitted = fit(tuple(texts), width, rows)
    assert len(fitted.lines) <= rows
    assert all(cell_len(line) <= width for line in fitted.lines)
    fits = [number for number, text in enumerate(texts) if len(wrap(text, width)) <= rows]
    assert fitted.whole == bool(fits)
    if fits:
        assert fitted.choice == fits[0], "the fullest that fits"
        assert letters_of("".join(fitted.lines)) == letters_of(texts[fits[0]])
        return
    assert fitted.lines[-1].endswith((MORE, SIGN))
    said = letters_of("".join(fitted.lines)).removesuffix(letters_of(MORE)).removesuffix(SIGN)
    assert letters_of(texts[-1]).startswith(said), "what is there is how it begins"


@WIDE
@given(WORDS, st.integers(1, 60))
def test_one_line_never_ends_in_mid_word(text: str, width: int) -> None:
    said = one_line(text, width)
    assert cell_len(said) <= width
    words = said.removesuffix(MORE).removesuffix(SIGN).split()
    whole = text.split()
    assert words == whole[: len(words)] or (len(words) == 1 and whole[0].startswith(words[0]))


def test_a_number_is_shown_whole_or_not_at_all() -> None:
    assert one_line("123456", 4) == SIGN
    assert one_line("limit 123456 kPa", 11) == f"limit {SIGN}"


def test_paragraphs_begin_a_line_each_and_run_on_where_they_must() -> None:
    wordings = (("Lift off.", "Do not repeat the pull."), "Lift off. Do not repeat the pull.")
    assert fit(wordings, 40, 2).lines == ("Lift off.", "Do not repeat the pull.")
    assert fit(wordings, 40, 1).lines == ("Lift off. Do not repeat the pull.",)


@WIDE
@given(st.lists(st.integers(0, 60), min_size=2, max_size=30))
def test_a_wording_does_not_go_to_and_fro_with_its_figures(figures: list[int]) -> None:
    steady = Steady()
    choices = []
    for figure in figures:
        texts = (f"boost {'9' * figure} kPa, wanted 212 kPa", f"boost {'9' * figure} kPa", "boost")
        choices.append(steady.fit("boost", texts, 40, 1).choice)
    assert choices == sorted(choices)
    assert steady.fit("another", ("short",), 40, 1).choice == 0


def test_every_cause_and_every_drive_has_words_for_a_narrow_screen() -> None:
    for one in HYPOTHESES.values():
        assert len(one.short) <= 27, one.name
    asked = {how for *_, how in GROUPS}
    for spared in ((), ("high load",), tuple(name for name, *_ in GROUPS)):
        asked |= {cover((), 2.0, spared, True).next_drive}
    asked |= set(DRIVES)
    for how in asked:
        # Beside "so far unproven  seen 100 % of the range  next ", and the row below it.
        assert fit(drive_words(how), 76, 2, 29).whole, how


def test_a_shorter_drive_keeps_its_cautions() -> None:
    for full, short in DRIVES.items():
        for caution in ("closed course or", "dyno", "full load", "lift at the first alarm", "cooling down"):
            assert (caution in full.replace("a dyno", "dyno")) == (caution in short), short


def test_controllers_keep_their_bank() -> None:
    watch = AuthorityWatch(load_profile(find_profile("tarn_30t")), 3.0)
    words = {use.name: authority_words(use) for use in watch.uses()}
    assert words["total_fuel_trim_2"] == ("both fuel trims together, bank 2", "both trims, bank 2", "both trims b2")
    assert words["knock_retard"] == ("ignition taken back for knock", "ignition taken back")
