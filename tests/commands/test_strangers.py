"""Whatever a stranger wrote as a name, a unit or a message: no screen lets a control code or markup of it through.

A terminal acts on C0 and C1 control codes (ECMA-48, ISO/IEC 6429); bidirectional controls reorder what stands beside
them (Unicode UAX #9).
"""

from __future__ import annotations

import io
import json
import unicodedata
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from rich.table import Table
from rich.text import Text

from livewatch.commands.cli import main
from livewatch.commands.page import Page
from livewatch.wording.shown import LONGEST, shown, shown_lines

NASTY = "\x1b]0;owned\x07\x1b[2J\x9b31m\u202etxt\u2066\u200b[/red][bold]\x00\x7f\r\b"
UNFIT = {"Cc", "Cf", "Cs", "Co", "Cn"}
STRANGE = st.text(
    st.one_of(st.characters(), st.sampled_from("\x1b\x9b\x07\r\b\x7f\u202e\u2066\u200f[]/\\")), max_size=80
)


def unfit(text: str) -> set[str]:
    """What in a text a terminal would act on; a line's end is meant."""
    return {character for character in text if unicodedata.category(character) in UNFIT and character != "\n"}


@given(STRANGE)
def test_no_string_keeps_what_a_terminal_acts_on(text: str) -> None:
    assert not unfit(shown(text)) and "\n" not in shown(text)
    assert not unfit(shown_lines(text))
    assert shown(shown(text)) == shown(text)


def test_what_people_write_stays_as_it_is_and_no_string_is_endless() -> None:
    for text in ("Ölkühler, λ 0.98", "温度 °C", "é and é", "ταχύτητα", "two words", "[0x1A4]"):
        assert shown(text) == text
    assert len(shown("x" * 10**6)) == LONGEST == len(shown("\x1b" * 10**6))
    assert shown("a\x1b[2J") == "a\\x1b[2J", "what is taken out leaves a sign"
    assert shown_lines("a\n  b\n") == "a\n  b\n"


@settings(max_examples=60, suppress_health_check=[HealthCheck.too_slow], deadline=None)
@given(STRANGE)
def test_no_page_takes_a_name_for_markup_or_lets_a_control_code_through(name: str) -> None:
    for terminal in (False, True):
        out = io.StringIO()
        page = Page(file=out, force_terminal=terminal, color_system=None, width=200)
        table = Table(title=name)
        table.add_column(name)
        table.add_row(name)
        for what in (name, Text(name), Text(name, style="bold"), table):
            page.print(what)
        page.rule(name)
        assert not unfit(out.getvalue())


PROFILE = f"""
profile: 1
name: {json.dumps(NASTY)}
channels:
  engine_speed: {{unit: rpm, stale_after: 1 s}}
  lambda_1: {{unit: "1", stale_after: 1 s}}
signature_alarms: off
alarms:
  lean:
    condition: lambda_1 > 1.1
    priority: critical
    message: {json.dumps("msg " + NASTY)}
    action: {json.dumps("act " + NASTY)}
"""


@pytest.fixture
def car(tmp_path: Path) -> Path:
    """A profile full of a stranger's strings, and a table named like one, with a column named like one."""
    (tmp_path / "car.yaml").write_text(PROFILE, encoding="utf-8")
    rows = [f'time [s],engine_speed [rpm],lambda_1 [1],"oil {NASTY.replace(chr(13), "").replace(chr(0), "")}"']
    rows += [f"{0.1 * row:.1f},2000,{1.0 if row < 20 else 1.3},1" for row in range(60)]
    (tmp_path / "drive [red].csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    return tmp_path


def test_no_command_lets_them_reach_the_terminal(car: Path, capsys: pytest.CaptureFixture[str]) -> None:
    profile, drive, out = str(car / "car.yaml"), str(car / "drive [red].csv"), str(car / "out [bold]")
    said: list[str] = []

    def run(*arguments: str) -> int:
        code = main(list(arguments))
        captured = capsys.readouterr()
        said.extend((captured.out, captured.err))
        return code

    assert run("profile", "check", profile) in (0, 3)
    assert run("profile", "show", profile) in (0, 3)
    assert run("replay", drive, "-p", profile, "--lines", "--speed", "max", "--out", out) == 0
    folder = str(next((car / "out [bold]").iterdir()))
    assert run("events", folder) == 0
    assert run("events", folder, "--summary") == 0
    assert run("diagnose", drive, "-p", profile) == 0
    assert run("diagnose", str(car / f"no{chr(27)}[2J.log"), "-p", profile) == 4
    assert run("events", str(car / f"no{chr(27)}[2J")) == 4
    assert not [text for text in said if unfit(text)]
    assert any("lean" in text for text in said) and any("CRITICAL" in text for text in said)
    # A long path is folded at the width of the terminal.
    assert any("[red]" in text.replace("\n", "") for text in said), "markup is shown as it was written"
