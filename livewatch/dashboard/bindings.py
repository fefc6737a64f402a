"""Every key, as data: help screen, command palette, bottom row and the bindings themselves come from here."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from textual.binding import Binding

__all__ = ["KEYS", "Key", "bindings", "keys_for"]

Where = Literal["everywhere", "cell", "on the bench", "bench", "replay"]


@dataclass(frozen=True, slots=True)
class Key:
    """One thing a person can do.

    Attributes:
        keys: as Textual names them, several separated by commas.
        shown: how the key is printed; ASCII.
        action: the app's action.
        hint: one or two words for the bottom row.
        help: a sentence without a full stop.
        where: where it works; `replay` is every view of a replay, `bench` that and the bench of a live run.
        group: heading on the help screen.
        rank: order in the bottom row, 0 for not there.
    """

    keys: str
    shown: str
    action: str
    hint: str
    help: str
    where: Where = "everywhere"
    group: str = "Look"
    rank: int = 0


ALARMS, LOOK, TIME, WRITE, PROGRAM = "Alarms", "Look", "Time", "Write down", "Program"

# ruff: noqa: E501 - a table reads better with a key on a line.

KEYS: tuple[Key, ...] = (
    Key("a", "a", "acknowledge", "acknowledge", "Acknowledge the selected alarm, the most urgent unless chosen", group=ALARMS, rank=1),
    Key("A", "A", "acknowledge_all", "all", "Acknowledge every alarm", group=ALARMS, rank=6),
    Key("h", "h", "silence", "silence", "Hush the sounds of the alarms there are; a new alarm sounds again", group=ALARMS, rank=2),
    Key("s", "s", "shelve", "shelve", "Shelve the selected alarm for a time", group=ALARMS, rank=5),
    Key("o", "o", "out_of_service", "out of service", "Take the selected alarm out of service, with a reason", group=ALARMS),
    Key("b", "b", "bring_back", "bring back", "Bring the selected alarm back from the shelf or into service", group=ALARMS),
    Key("up", "up", "select(-1)", "select", "Select the alarm above; on the bench the event before", group=ALARMS),
    Key("down", "down", "select(1)", "select", "Select the alarm below; on the bench the event after", group=ALARMS),
    Key("m", "m", "marker", "marker", "Set a marker at this moment", group=WRITE, rank=3),
    Key("n", "n", "note", "note", "Write a note, pinned to this moment", group=WRITE, rank=7),
    Key("1", "1", "view('seat')", "seat", "Seat: one glance, large figures, what to do", group=LOOK, rank=4),
    Key("2", "2", "view('cell')", "cell", "Cell: traces, pulls, the verdict forming, the buses", group=LOOK, rank=4),
    Key("3", "3", "view('bench')", "bench", "Bench: the timeline with its events, values at any moment", group=LOOK, rank=4),
    Key("tab", "tab", "next_view", "next view", "The next of the three views", group=LOOK),
    Key("v", "v", "overlay", "overlay", "Traces over time, pulls over engine speed, pulls over time", where="cell", group=LOOK, rank=4),
    Key("w", "w", "window(-1)", "shorter", "Traces over a shorter time", where="cell", group=LOOK),
    Key("W", "W", "window(1)", "longer", "Traces over a longer time", where="cell", group=LOOK),
    Key("x", "x", "more_values", "more values", "The next channels under the cursor", where="on the bench", group=LOOK, rank=6),
    Key("r", "r", "read", "read all", "Read in full what the views had no room for: alarms, verdict, next drive, figures", group=LOOK, rank=1),
    Key("u", "u", "units", "units", "Units: metric, metric with bar, imperial", group=LOOK, rank=8),
    Key("l", "l", "mixture", "lambda", "Lambda or air-fuel ratio", group=LOOK),
    Key("t", "t", "next_theme", "theme", "Colours: night, day, none", group=LOOK, rank=9),
    Key("c", "c", "plain", "characters", "Draw with blocks and dots, or with plain ASCII characters", group=LOOK),
    Key("space", "space", "play", "play", "Play or pause", where="replay", group=TIME, rank=1),
    Key("left", "left", "move(-5)", "back", "5 s back", where="bench", group=TIME, rank=2),
    Key("right", "right", "move(5)", "on", "5 s on", where="bench", group=TIME, rank=2),
    Key("less_than_sign", "<", "move(-30)", "far back", "30 s back", where="bench", group=TIME),
    Key("greater_than_sign", ">", "move(30)", "far on", "30 s on", where="bench", group=TIME),
    Key("comma", ",", "step(-1)", "step back", "Pause, and one tick back", where="replay", group=TIME),
    Key("full_stop", ".", "step(1)", "step", "Pause, and one tick on", where="replay", group=TIME),
    Key("minus", "-", "speed(-1)", "slower", "Slower, down to 0.1x", where="replay", group=TIME, rank=3),
    Key("plus,equals_sign", "+", "speed(1)", "faster", "Faster, up to 50x", where="replay", group=TIME, rank=3),
    Key("f", "f", "full_speed", "full speed", "As fast as it goes, or back to the recorded pace", where="replay", group=TIME, rank=5),
    Key("home", "home", "start", "start", "To the start", where="bench", group=TIME),
    Key("end", "end", "end", "end", "To the end; live, back to the present", where="bench", group=TIME),
    Key("enter", "enter", "go_to_event", "go there", "Go to the time of the selected event", where="bench", group=TIME),
    Key("j", "j", "jump(1)", "next alarm", "Jump to the next alarm", where="bench", group=TIME, rank=4),
    Key("J", "J", "jump(-1)", "alarm before", "Jump to the alarm before", where="bench", group=TIME),
    Key("left_square_bracket", "[", "mark(0)", "loop start", "Set the start of the loop here", where="replay", group=TIME),
    Key("right_square_bracket", "]", "mark(1)", "loop end", "Set the end of the loop here, and loop", where="replay", group=TIME),
    Key("backslash", "\\", "clear_marks", "no loop", "Loop no more", where="replay", group=TIME),
    Key("question_mark,f1", "?", "help", "all keys", "This page", group=PROGRAM),
    Key("ctrl+p", "ctrl+p", "command_palette", "find", "Find anything by its name", group=PROGRAM),
    Key("q,ctrl+q,ctrl+c", "q", "leave", "quit", "Quit; live, after asking", group=PROGRAM, rank=10),
)  # fmt: skip
"""In the order of the help screen."""


def bindings() -> list[Binding]:
    """All of them for Textual."""
    return [Binding(key.keys, key.action, key.help, show=False, priority=key.keys == "tab") for key in KEYS]


def keys_for(view: str, replay: bool) -> tuple[Key, ...]:
    """The keys that do something in a view."""
    return tuple(key for key in KEYS if works(key, view, replay))


def works(key: Key, view: str, replay: bool) -> bool:
    """Whether a key does something. On the bench of a live run one can look back; in a replay the keys of time work in
    every view."""
    if key.where == "everywhere":
        return True
    if key.where == "cell":
        return view == "cell"
    if key.where == "on the bench":
        return view == "bench"
    if key.where == "bench":
        return replay or view == "bench"
    return replay
