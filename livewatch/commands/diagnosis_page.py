"""Diagnoses as pages for a person, with a line for each where there are several."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

from rich.table import Table

from livewatch import Diagnosis, Failure, Pile, diagnose_pile
from livewatch.commands.lines import tell_failure, tell_session
from livewatch.commands.page import Page
from livewatch.wording.cautions import CAUTION
from livewatch.wording.events import MARKS, clock_text, fact_words

__all__ = ["print_pages"]

MOST_SPELLS = 20


def print_pages(paths: Sequence[Path], pile: Pile) -> int:
    """Diagnose `paths` and print what they show; the worst exit code comes back.

    Raises:
        LivewatchError: the only path cannot be diagnosed.
    """
    console, failures = Page(), 0
    overview, done = _overview(), 0
    for outcome in _outcomes(paths, pile):
        if isinstance(outcome, Failure):
            failures = max(failures, tell_failure(outcome))
            continue
        failures = max(failures, tell_session(outcome))
        _print(outcome, console)
        overview.add_row(*_in_short(outcome))
        done += 1
    if done > 1:
        console.print(overview)
    console.print(CAUTION, style="italic")
    return failures


def _outcomes(paths: Sequence[Path], pile: Pile) -> Iterator[Diagnosis | Failure]:
    said = Page(stderr=True)
    if not said.is_terminal:
        yield from [pile.diagnose(paths[0])] if len(paths) == 1 else diagnose_pile(paths, pile)
        return
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn  # late: only a terminal shows it

    columns = (TextColumn("{task.description}", markup=False), BarColumn(), TimeRemainingColumn())
    with Progress(*columns, console=said, transient=True) as bar:
        task = bar.add_task("", total=1.0)
        if len(paths) == 1:
            bar.update(task, description=str(paths[0]))
            yield pile.diagnose(paths[0], lambda share: bar.update(task, completed=share))
            return
        for number, outcome in enumerate(diagnose_pile(paths, pile), 1):
            bar.update(task, description=f"{number} of {len(paths)}", completed=number / len(paths))
            yield outcome


def _print(diagnosis: Diagnosis, console: Page) -> None:
    """A page for a person."""
    title = diagnosis.title
    if len(title) + 4 <= console.width:
        console.rule(title, align="left", style="dim")
    else:  # a rule would cut it
        console.print(title)
    if diagnosis.wrong_profile:
        console.print(diagnosis.wrong_profile)
    console.print(diagnosis.page())
    console.print(_alarm_table(diagnosis) if diagnosis.alarms else "No alarm was raised.")
    if len(diagnosis.alarms) > MOST_SPELLS:
        console.print(f"... and {len(diagnosis.alarms) - MOST_SPELLS} more; --json has them all.")
    load = diagnosis.load
    if load.floods or load.chattering:
        console.print(f"Alarm floods: {load.floods}; chattering: {', '.join(load.chattering) or 'none'}.")
    if diagnosis.odd:
        console.print("Odd in the input:", style="bold")
        for what, number in diagnosis.odd.items():
            console.print(f"  {number:>9} {what}")
    if diagnosis.unused:
        console.print(f"Columns that are no channel of the profile: {', '.join(diagnosis.unused)}.")
    if diagnosis.unknown_buses:
        buses = list(diagnosis.profile.buses)
        console.print(
            f"Channels of the recording that are no bus of the profile: {', '.join(diagnosis.unknown_buses)}. "
            f"The profile has {', '.join(buses)}; say for example --bus {buses[0]}={diagnosis.unknown_buses[0]}."
        )


def _alarm_table(diagnosis: Diagnosis) -> Table:
    table = Table(box=None, padding=(0, 2, 0, 0), header_style="dim")
    for heading in ("from", "to", "priority", "alarm", "because"):
        table.add_column(heading, overflow="fold")
    for spell in diagnosis.alarms[:MOST_SPELLS]:
        table.add_row(
            clock_text(spell.start),
            "stands" if spell.end is None else clock_text(spell.end),
            f"{MARKS[spell.priority]} {spell.priority}",
            spell.alarm.replace("_", " ") + (" (first out)" if spell.first_out else ""),
            ", ".join(fact_words(spell.because)),
        )
    return table


def _overview() -> Table:
    """One line a recording, for the one who has forty of them."""
    table = Table(title="All recordings", title_justify="left", box=None, padding=(0, 2, 0, 0), header_style="dim")
    for heading in ("recording", "verdict", "cause", "critical", "high", "other"):
        table.add_column(heading)
    return table


def _in_short(diagnosis: Diagnosis) -> tuple[str, ...]:
    counts = [sum(spell.priority == priority for spell in diagnosis.alarms) for priority in ("critical", "high")]
    other = len(diagnosis.alarms) - sum(counts)
    cause = diagnosis.causes[0].name if diagnosis.causes else ""
    return str(diagnosis.path), diagnosis.verdict, cause, *map(str, [*counts, other])
