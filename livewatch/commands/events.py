"""`livewatch events`: read, filter and summarise the event log of a run.

A session folder or an `events.jsonl` comes in; lines for a person, the lines as they stand in the file, or a summary go
to standard output. What was odd in the file itself is said on standard error.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path

import click
from rich.text import Text

from livewatch import (
    EVENT_KINDS,
    PRIORITIES,
    AlarmSpell,
    LogFilter,
    LoggedEvent,
    LogSummary,
    Moment,
    UsageError,
    nearest,
    open_log,
    parse_utc,
    summarise,
    utc_text,
)
from livewatch.commands.options import read_duration
from livewatch.commands.page import Page, say
from livewatch.wording.events import MARKS, TONES, clock_text, sentence, tone

__all__ = ["events"]


def _moment(ctx: click.Context, param: click.Parameter, value: str | None) -> Moment | None:
    """A point in a log: `90 s` or `1:30` of data time, or the source's own clock as `2026-05-04T09:31:00Z`."""
    if value is None:
        return None
    text = value.strip()
    if not re.match(r"\d{4}-\d{2}-\d{2}", text):
        return Moment(time=read_duration(ctx, param, text) or 0)
    try:
        moment = datetime.fromisoformat(text)
        utc = parse_utc((moment if moment.tzinfo else moment.replace(tzinfo=UTC)).isoformat())
    except ValueError:
        utc = None
    if utc is None:
        problem = f"{text!r} is no date and time; expected for example 2026-05-04T09:31:00Z"
        raise click.BadParameter(problem, ctx, param)
    return Moment(utc=utc)


@click.command()
@click.argument("path", type=click.Path(path_type=Path))
@click.option("--kind", "kinds", multiple=True, type=click.Choice(list(EVENT_KINDS)),
              help="Only events of this kind; may be given several times.")  # fmt: skip
@click.option("--alarm", "alarms", multiple=True, metavar="NAME",
              help="Only what happened to this alarm, channel or bus; may be given several times.")  # fmt: skip
@click.option("--priority", "priorities", multiple=True, type=click.Choice(PRIORITIES),
              help="Only alarms of this priority; may be given several times.")  # fmt: skip
@click.option(
    "--from",
    "start",
    metavar="TIME",
    callback=_moment,
    help="From here on: 1:30 into the run, or 2026-05-04T09:31:00Z.",
)
@click.option("--to", "stop", metavar="TIME", callback=_moment, help="Up to here, inclusive.")
@click.option("--summary", is_flag=True, help="How long each alarm stood, and how much the alarms asked of a person.")
@click.option("--json", "as_json", is_flag=True, help="The lines as they stand in the file; a summary as one object.")
def events(
    path: Path,
    kinds: tuple[str, ...],
    alarms: tuple[str, ...],
    priorities: tuple[str, ...],
    start: Moment | None,
    stop: Moment | None,
    summary: bool,
    as_json: bool,
) -> None:
    """Read the event log of a run.

    PATH is the session folder a run left behind, or an events.jsonl. The log holds everything livewatch said: alarms
    raised, answered and gone, channels lost, what was odd in the data. Times are data time, counted from the first
    frame.

    \b
    Examples
      livewatch events sessions/brackwell-20260504T093000Z
      livewatch events sessions/brackwell-20260504T093000Z --summary
      livewatch events events.jsonl --kind alarm --priority critical --from 1:30
    """
    log = open_log(path)
    wanted = LogFilter(frozenset(kinds), frozenset(alarms), frozenset(priorities), start, stop)
    _check_order(start, stop)
    out = Page(soft_wrap=True)
    said = Page(stderr=True, soft_wrap=True)
    if summary:
        found = summarise((logged.event for logged in log), wanted)
        if as_json:
            say(json.dumps({**found.to_json(), "log": dict(log.counts)}, ensure_ascii=False, indent=2, allow_nan=False))
        else:
            _print_summary(found, out)
    else:
        names: set[str] = set()
        passing = (logged for logged in _noting(log, names) if wanted.passes(logged.event))
        _print_events(passing, as_json, out, said)
        for alarm in alarms:
            if alarm not in names:
                said.print(f"note: nothing in this log happened to {alarm!r}{nearest(alarm, names)}")
    for kind, number in log.counts.items():
        said.print(f"note: {number} {kind}")


def _check_order(start: Moment | None, stop: Moment | None) -> None:
    if start is None or stop is None:
        return
    if (start.time is not None and stop.time is not None and stop.time < start.time) or (
        start.utc is not None and stop.utc is not None and stop.utc < start.utc
    ):
        raise UsageError("--to lies before --from; expected a later time")


def _noting(events: Iterable[LoggedEvent], names: set[str]) -> Iterable[LoggedEvent]:
    """The same events, their subjects noted."""
    for logged in events:
        names.add(logged.event.subject)
        yield logged


def _print_events(events: Iterable[LoggedEvent], as_json: bool, out: Page, said: Page) -> None:
    printed = 0
    for logged in events:
        printed += 1
        if as_json:
            say(logged.line)
        else:
            event = logged.event
            words = Text(sentence(event), style=tone(event))
            out.print(Text(f"{clock_text(event.time / 1e9):>10}  ", style="dim") + words)
    if not printed and not as_json:
        said.print("note: no event in this log is like that")


def _print_summary(summary: LogSummary, out: Page) -> None:
    began = "" if summary.utc is None else utc_text(summary.utc)[:19].replace("T", " ")
    out.print(
        Text(f"{summary.profile or 'A run'}, from {began + ' UTC' if began else 'an unknown time'}", style="bold")
    )
    end = "" if summary.ended else ", and does not say how it ended"
    out.print(f"The log covers {clock_text(summary.duration)}{end}.\n")
    for spell in summary.spells:
        _print_spell(summary, spell, out)
    if summary.spells:
        out.print()
        _print_load(summary, out)
    else:
        out.print("No alarm was raised.")
    if summary.odd:
        out.print("\nOdd in the data:")
        for kind, number in summary.odd.items():
            out.print(f"  {number} {kind}")
    counted = ", ".join(f"{number} {kind}" for kind, number in sorted(summary.events.items()))
    out.print(f"\nEvents: {counted or 'none'}")


def _print_spell(summary: LogSummary, spell: AlarmSpell, out: Page) -> None:
    """Two lines: what was raised, and what became of it."""
    length = clock_text(summary.length(spell))
    stood = f"stood to the end, {length}" if spell.end is None else f"stood for {length}, then {spell.ended_by}"
    answered = spell.acknowledged
    answer = "never acknowledged" if answered is None else f"acknowledged at {clock_text(answered)}"
    facts = [spell.setpoint, stood, answer]
    mark = f"{MARKS[spell.priority]:<2} {spell.priority:<8}"
    first = "  [first out]" if spell.first_out else ""
    raised = Text(f"{mark}  {spell.alarm}{first}", style=TONES[spell.priority])
    out.print(Text(f"{clock_text(spell.start):>10}  ") + raised)
    out.print(Text(f"{'':>10}  {'; '.join(fact for fact in facts if fact)}", style="dim"))


def _print_load(summary: LogSummary, out: Page) -> None:
    """The figures of EEMUA 191, each with what it is held against."""
    figures = summary.figures
    plural = "" if figures.raised == 1 else "s"
    shares = ", ".join(f"{share:.0f} % {priority}" for priority, share in figures.share.items() if share)
    lines = [
        f"{figures.raised} alarm{plural}; {figures.average:.1f} in 10 minutes on average (about 1 is acceptable), "
        f"{figures.peak} at the most (more than 10 is a flood)",
        f"floods: {figures.floods}, lasting {figures.flood_time:.0f} s in all",
        f"priorities: {shares} (to aim at: 80 % low, 15 % medium, 5 % high, critical the exception)",
    ]
    if figures.chattering:
        names = ", ".join(f"{name} ({count}x)" for name, count in figures.chattering.items())
        lines.append(f"chattering (raised three times within a minute): {names}")
    if figures.standing:
        names = ", ".join(f"{name} ({clock_text(longest)})" for name, longest in figures.standing.items())
        lines.append(f"stood for ten minutes or longer: {names}")
    for line in lines:
        out.print(line)
