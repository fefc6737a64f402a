"""The form of a build sheet: one question at a time, what each answer leads to at once, kept after every answer.

An `Intake` and a file come in; the file holds the sheet as far as it was told, whenever the person leaves. Enter takes
an answer, escape goes back, enter alone is "I don't know". A sheet written by hand is put aside, `NAME.before`, since
its own comments are not kept.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import ClassVar

from rich.text import Text
from textual import events
from textual.app import ComposeResult
from textual.binding import Binding
from textual.containers import Horizontal, Vertical, VerticalScroll
from textual.widgets import Input, OptionList, Static
from textual.widgets.option_list import Option

from livewatch.build_sheet.intake.answer import Answer, answer_of
from livewatch.build_sheet.intake.questions import PARTS, UNKNOWN, Choice, Measure, Question
from livewatch.build_sheet.intake.sheet_text import HEADER, sheet_text
from livewatch.build_sheet.intake.told import Intake
from livewatch.dashboard.drawing.plain import terminal_is_plain
from livewatch.dashboard.textual_internals import TextualApp
from livewatch.dashboard.themes import THEMES
from livewatch.data.kept import write_whole
from livewatch.errors import LivewatchError
from livewatch.wording.answer import SHEET_CAUTION, answer_lines, consequence_lines, unknown_line
from livewatch.wording.shown import shown

__all__ = ["SheetForm"]

WIDE = 110
"""Columns from which all questions are listed beside the one that is asked."""
LONGEST = 200
"""Characters of an answer."""
LEAVE, AGAIN = "leave", "again"
AT_THE_END = (("Leave: the sheet is kept", LEAVE), ("Ask again what was not known", AGAIN))
DO_NOT_KNOW = "I don't know"
BEGIN = (
    'Say what you know; "I don\'t know" is a good answer everywhere, and enter alone gives it. What it means stands '
    "here at once.\n"
)
INKS = {"!": "bold", "?": "bold", "=": "bold"}


class SheetForm(TextualApp):
    """Args:
    intake: what is known so far; filled by the person.
    path: where the sheet is kept.
    profile_name: as the person wrote it, for the comments of the file; empty for none.
    plain: draw in ASCII only; None to find out.

    Attributes:
        problem: why the sheet could not be kept the last time; empty when it was.
    """

    CSS_PATH = Path(__file__).with_name("form.tcss")
    TITLE = "livewatch"
    ENABLE_COMMAND_PALETTE = False
    BINDINGS: ClassVar[list[Binding | tuple[str, str] | tuple[str, str, str]]] = [
        Binding("escape", "previous", "Back"),
        Binding("ctrl+s,ctrl+q", "leave", "Leave"),
        Binding("pagedown", "scroll(1)", "Down", priority=True),
        Binding("pageup", "scroll(-1)", "Up", priority=True),
    ]

    def __init__(self, intake: Intake, path: Path, profile_name: str = "", plain: bool | None = None) -> None:
        super().__init__()
        self.intake = intake
        self.path = path
        self.problem = ""
        self._profile_name = profile_name
        self._asked: Question | None = None
        self._foreign = path.is_file() and not path.read_bytes().startswith(HEADER.encode())
        """Whether the file is one that somebody wrote by hand: it is put aside before anything is kept."""
        self._last = ""
        """Slot that the last answer was about."""
        self.show_ascii_only(terminal_is_plain() if plain is None else plain)
        for theme in THEMES:
            self.register_theme(theme)
        self.theme = THEMES[2].name if self.no_color else THEMES[0].name

    def compose(self) -> ComposeResult:
        """Heading, the question with its answers, what they mean, the keys."""
        yield Static(id="heading", markup=False)
        with Horizontal(id="body"):
            yield OptionList(id="asked")
            with Vertical(id="page"):
                yield Static(id="question", markup=False)
                yield Static(id="why", markup=False)
                yield OptionList(id="choices")
                yield Input(id="typed", compact=True, max_length=LONGEST)
                yield Static(id="understood", markup=False)
                with VerticalScroll(id="meaning", can_focus=False):
                    yield Static(id="answer", markup=False)
        yield Static(id="keys", markup=False)

    def on_mount(self) -> None:
        """The first question that has no answer."""
        self._ask(self.intake.next_question())

    def on_resize(self, event: events.Resize) -> None:
        """A list of all questions where there is room."""
        self.screen.set_class(event.size.width >= WIDE, "-wide")

    def on_key(self, event: events.Key) -> None:
        """A digit chooses."""
        choices = self.query_one("#choices", OptionList)
        if choices.display and event.character and event.character.isdigit():
            number = int(event.character) - 1
            if 0 <= number < choices.option_count:
                event.stop()
                self._take(str(choices.get_option_at_index(number).id))

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        """An answer was chosen, or a question to go back to."""
        if event.option_list.id == "asked":
            wanted = [one for one in self.intake.questions() if one.key == event.option_id]
            self._ask(wanted[0] if wanted else None)
        else:
            self._take(str(event.option_id))

    def on_input_changed(self, event: Input.Changed) -> None:
        """Say at once how it would be understood."""
        if self._asked is None:
            return
        understood = self.query_one("#understood", Static)
        understood.remove_class("-wrong")
        if not event.value.strip():
            understood.update("enter on an empty line: I don't know")
            return
        try:
            understood.update(f"= {shown(self.intake.understood(self._asked, event.value))}")
        except LivewatchError as error:
            understood.update(shown(str(error)))

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """An answer was typed."""
        self._take(event.value.strip() or UNKNOWN)

    def action_previous(self) -> None:
        """To the question before."""
        questions = self.intake.questions()
        keys = [question.key for question in questions]
        here = keys.index(self._asked.key) if self._asked is not None and self._asked.key in keys else len(keys)
        if here > 0:
            self._ask(questions[here - 1])

    def action_leave(self) -> None:
        """All that was said is kept."""
        self._keep()
        self.exit()

    def action_scroll(self, direction: int) -> None:
        """Through what the answers mean."""
        meaning = self.query_one("#meaning", VerticalScroll)
        if direction > 0:
            meaning.scroll_page_down(animate=False)
        else:
            meaning.scroll_page_up(animate=False)

    def _take(self, text: str) -> None:
        if self._asked is None:
            if text == AGAIN:
                self.intake.ask_unknown_again()
                self._ask(self.intake.next_question())
            else:
                self.action_leave()
            return
        try:
            self.intake.give(self._asked, text)
        except LivewatchError as error:
            understood = self.query_one("#understood", Static)
            understood.update(shown(str(error)))
            understood.add_class("-wrong")
            return
        self._last = self._asked.key.split(".")[0]
        self._keep()
        self._ask(self._after(self._asked))

    def _after(self, question: Question) -> Question | None:
        """The next that has no answer, from here on; else the first."""
        questions = self.intake.questions()
        keys = [one.key for one in questions]
        later = questions[keys.index(question.key) + 1 :]
        return next((one for one in later if one.key not in self.intake.said), self.intake.next_question())

    def _keep(self) -> None:
        try:
            if self.intake.said:
                if self._foreign:
                    write_whole(self.path.with_name(f"{self.path.name}.before"), self.path.read_bytes())
                    self._foreign = False
                text = sheet_text(self.intake.sheet(str(self.path)), self._profile_name or "PROFILE")
                write_whole(self.path, text.encode())
            self.problem = ""
        except OSError as error:
            self.problem = error.strerror or str(error)

    def _ask(self, question: Question | None) -> None:
        """Show a question, or that there is none left."""
        self._asked = question
        questions = self.intake.questions()
        keys = [one.key for one in questions]
        answered = sum(key in self.intake.said for key in keys)
        place = f"question {keys.index(question.key) + 1} of {len(keys)}" if question in questions else "all asked"
        kept = f"not kept: {self.problem}" if self.problem else f"kept in {self.path.name}" if answered else ""
        self.query_one("#heading", Static).update(shown(" · ".join(filter(None, ("Build sheet", place, kept)))))
        self._list(questions)
        is_typed = question is not None and not isinstance(question.answer, Choice)
        choices, typed = self.query_one("#choices", OptionList), self.query_one("#typed", Input)
        choices.display, typed.display = not is_typed, is_typed
        self.query_one("#understood", Static).display = is_typed
        self.query_one("#question", Static).update("That is all that matters." if question is None else question.text)
        self.query_one("#why", Static).update(self._why(question))
        if is_typed and question is not None:
            said = self.intake.said.get(question.key, "")
            typed.value = "" if said == UNKNOWN else said
            typed.cursor_position = len(typed.value)
            typed.placeholder = question.answer.example if isinstance(question.answer, Measure) else ""
            self.query_one("#understood", Static).update("enter on an empty line: I don't know")
            self.query_one("#understood", Static).remove_class("-wrong")
            typed.focus()
        else:
            self._offer(choices, question)
            choices.focus()
        self._mean()
        keys_line = "enter  take it   escape  back   page down  read on   ctrl+s  keep and leave"
        self.query_one("#keys", Static).update(keys_line)

    def _why(self, question: Question | None) -> str:
        if question is None:
            return "What was not known can be asked again, now or another day."
        example = f" For example {question.answer.example}." if isinstance(question.answer, Measure) else ""
        return f"{question.why}{example}"

    def _offer(self, choices: OptionList, question: Question | None) -> None:
        choices.clear_options()
        options: Sequence[tuple[str, str]] = AT_THE_END
        if question is not None:
            assert isinstance(question.answer, Choice)
            options = (*question.answer.options, (DO_NOT_KNOW, UNKNOWN))
        for number, (words, value) in enumerate(options, 1):
            choices.add_option(Option(Text(f"{number}  {words}"), id=value))
        values = [value for _, value in options]
        said = self.intake.said.get(question.key) if question is not None else None
        # Enter alone never says more than is known.
        choices.highlighted = values.index(said if said in values else UNKNOWN if UNKNOWN in values else LEAVE)

    def _list(self, questions: Sequence[Question]) -> None:
        listed = self.query_one("#asked", OptionList)
        listed.clear_options()
        for question in questions:
            said = self.intake.said.get(question.key)
            text = Text(no_wrap=True, overflow="ellipsis")
            indent = "  " if question.key.count(".") > 1 else ""
            here = ">" if question == self._asked else " "
            text.append(f"{here} {indent}{_label(question)}", "bold" if question == self._asked else "")
            if said is not None:
                text.append(f": {shown(self._said(question, said))}", "dim")
            listed.add_option(Option(text, id=question.key))

    def _said(self, question: Question, said: str) -> str:
        if said == UNKNOWN:
            return "not known"
        if isinstance(question.answer, Choice):
            short = {"same": "the same", "other": "another one", "none": "none of its own"}
            return short.get(said, said.replace("_", " "))
        return said

    def _mean(self) -> None:
        """What the answers amount to: the last one first."""
        self.query_one("#answer", Static).update(_meaning(answer_of(self.intake), self._last, bool(self.intake.said)))
        self.query_one("#meaning", VerticalScroll).scroll_home(animate=False)


def _label(question: Question) -> str:
    *start, last = question.key.split(".")
    if not start:
        return last.replace("_", " ")
    if start == ["engine"]:
        return {"air_metering": "air meter", "induction": "boost"}.get(last, last)
    side = "now" if start[1] == "fitted" else "as calibrated"
    words = {"at": "given at", "part": "what is written on it", "name": "name"}.get(last, last.replace("_", " "))
    return f"{words}, {side}" if last != "part" else words


def _meaning(answer: Answer, slot: str, anything_said: bool) -> Text:
    text = Text()
    if not anything_said:
        text.append(BEGIN)
    else:
        for line in answer_lines(answer):
            text.append(f"{shown(line, 2000)}\n", INKS.get(line[0], ""))
        lines = list(consequence_lines(answer, slot)) if slot in PARTS else []
        if lines:
            text.append("\n")
        for line in lines:
            text.append(f"{shown(line, 2000)}\n")
        if line := unknown_line(answer):
            text.append(f"\n{line}\n", "dim")
    text.append(f"\n{SHEET_CAUTION}", "italic")
    return text
