"""`livewatch watch`: a car or a dyno cell, live."""

from __future__ import annotations

import shutil
import sys
import time
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import click
from rich.text import Text

from livewatch import Profile, Recorder, Run, Session, SourceError, UsageError, nearest, profile_for
from livewatch.commands.asking import agree_to_poll, standard_profile_of
from livewatch.commands.car_history import CarHistory
from livewatch.commands.carrying_on import carry_on, session_to_carry_on
from livewatch.commands.far import Far
from livewatch.commands.line_display import LineDisplay
from livewatch.commands.lines import code_of
from livewatch.commands.options import (
    browser_options,
    bus_option,
    lines_option,
    out_option,
    profile_option,
    read_duration,
)
from livewatch.commands.page import say
from livewatch.commands.printing import LAST_WORDS, Printer, direct_page, say_last
from livewatch.commands.publishing import publish_options, published, settings_of
from livewatch.run.achieved_rates import rates_of
from livewatch.run.asked_to_end import signals_noted
from livewatch.run.history import History
from livewatch.run.live import LiveBus, LiveRun, found_buses_text, list_buses, parse_live_buses
from livewatch.wording.car import rates_sentence
from livewatch.wording.recording import kept_sentence

__all__ = ["watch"]

SIGPIPE = 13


def _buses(options: tuple[str, ...], profile: Profile) -> list[LiveBus]:
    """The live buses asked for, named as the profile names them.

    Raises:
        UsageError: none is given, or one has no bus of the profile.
    """
    if not options:
        options = ("configured:",)
        try:
            parse_live_buses(options)
        except UsageError:
            raise UsageError(
                "no bus given: expected --bus with an adapter, for example --bus engine=socketcan:can0@500k; "
                "livewatch watch --list-buses shows the adapters found"
            ) from None
    names = list(profile.buses)
    named = [f"{names[0]}={text}" if len(names) == 1 and "=" not in text.split(":")[0] else text for text in options]
    buses = list(parse_live_buses(named))
    for bus in buses:
        if bus.name not in profile.buses:
            raise UsageError(
                f"--bus {bus.text!r}: the profile has no bus {bus.name!r}, it has {', '.join(names) or 'none'}"
                f"{nearest(bus.name, names)}"
            )
    return buses


@click.command()
@profile_option(required=False)
@bus_option(
    "A bus of the profile and the adapter it is on, for example engine=socketcan:can0@500k. Repeatable.",
    "BUS=INTERFACE:CHANNEL@RATE",
)
@click.option(
    "--from-mqtt",
    metavar="BROKER[/STATION]",
    help="Watch a station elsewhere that publishes its frames; without a station, the channels that the profile's "
    "`mqtt` names, beside the buses or alone.",
)
@click.option("--list-buses", is_flag=True, help="Show the adapters found on this machine, and end.")
@click.option("--poll", is_flag=True, help="Transmit the profile's polls (read-only requests). Off unless given.")
@click.option(
    "--carry-on/--anew",
    "carry_on_wanted",
    default=None,
    help="Whether a session that was cut off is carried on; asked unless given.",
)
@click.option("--yes", is_flag=True, help="Do not ask before polling.")
@click.option(
    "--for", "duration", metavar="TIME", callback=read_duration, help="End by itself after this long: 10 min."
)
@lines_option
@browser_options
@publish_options
@out_option
def watch(**options: Any) -> int:
    """Watch a car or a dyno cell live. The driver drives; a passenger or an operator reads.

    \b
      livewatch watch --list-buses
      livewatch watch -p brackwell_20t --bus engine=socketcan:can0@500k
      livewatch watch --from-mqtt mqtts://broker.example/car_7
      livewatch watch -p dyno_cell --bus engine=slcan:/dev/ttyACM0@500k --bus cell=virtual:cell
    """
    asked = _Asked(**options)
    if asked.list_buses:
        _show_buses()
        return 0
    far = Far.of(asked.from_mqtt, asked.bus_options, asked.poll)
    profile = _profile(asked, far)
    buses = [] if far is not None and not asked.bus_options else _buses(asked.bus_options, profile)
    if asked.browser:
        from livewatch.dashboard.browser.server import serve_in_browser

        command = [sys.executable, "-m", "livewatch.commands.behind_page", *asked.shown()]
        serve_in_browser(command, asked.host, asked.port, asked.token)
        return 0
    return _watch(asked, far, profile, buses)


@dataclass(frozen=True, slots=True)
class _Asked:
    """The options of the command line, by the names they have there."""

    profile_name: str | None
    bus_options: tuple[str, ...]
    from_mqtt: str | None
    list_buses: bool
    poll: bool
    carry_on_wanted: bool | None
    yes: bool
    duration: int | None
    lines: bool
    browser: bool
    host: str
    port: int
    token: str | None
    broker: str | None
    publish_frames: bool
    allow_acknowledge: bool
    out: Path

    def shown(self) -> list[str]:
        """The command line whose dashboard the browser shows; polling was agreed to already."""
        words = ["watch"]
        for name, value in (("-p", self.profile_name), ("--from-mqtt", self.from_mqtt), ("--publish", self.broker)):
            words += [] if value is None else [name, value]
        words += [word for option in self.bus_options for word in ("--bus", option)]
        words += ["--poll", "--yes"] * self.poll
        words += [] if self.carry_on_wanted is None else ["--carry-on" if self.carry_on_wanted else "--anew"]
        words += [] if self.duration is None else ["--for", f"{self.duration / 1e6:.0f} ms"]
        words += ["--publish-frames"] * self.publish_frames + ["--allow-acknowledge"] * self.allow_acknowledge
        return [*words, "--out", str(self.out)]


def _profile(asked: _Asked, far: Far | None) -> Profile:
    """What is watched: the profile named, a far station's own, or the standard parameters of any car. The person has
    agreed before anything is transmitted."""
    if asked.profile_name is None and far is not None and far.station:
        return far.profile()
    if asked.profile_name is None and far is None and asked.bus_options:
        return standard_profile_of(asked.bus_options, asked.poll, asked.yes)
    profile = profile_for(None, asked.profile_name)
    if asked.poll:
        _agree_to_poll(profile, asked.yes)
    return profile


def _watch(asked: _Asked, far: Far | None, profile: Profile, buses: list[LiveBus]) -> int:
    """Record, judge and show until it ends; the exit code."""
    settings = settings_of(
        profile, asked.broker, asked.publish_frames, asked.allow_acknowledge, by_profile=far is None or not far.station
    )
    before = None if far is not None else session_to_carry_on(asked.out, profile, asked.carry_on_wanted)
    sources = [*(bus.text for bus in buses), *([asked.from_mqtt] if asked.from_mqtt else [])]
    folder = Session.create(asked.out, profile, sources)
    recorder = Recorder(folder)
    run = Run(profile, recorder, history=History(profile))
    if before is not None:
        carry_on(before, run, recorder)
    live = LiveRun(run, buses, asked.poll, None if far is None else partial(far.received, run))
    history = CarHistory(asked.out, folder.path, profile.name, live.note) if asked.poll else None
    if history is not None:
        run.listeners.append(history.hear)
    try:
        with published(settings, recorder, lambda: run, live.submit):
            if asked.lines or not sys.stdout.isatty():
                return _watch_lines(live, recorder, asked.duration)
            from livewatch.dashboard import show_live

            code = show_live(live, None if asked.duration is None else asked.duration / 1e9)
    except SourceError:
        if not run.pipeline.rows:
            # Nothing was watched: leave no empty folder behind.
            run.close()
            shutil.rmtree(folder.path, ignore_errors=True)
        raise
    finally:
        if history is not None:
            history.close()
    say_last(kept_sentence(recorder), sys.stdout)
    return code_of(recorder, code)


def _show_buses() -> None:
    say(found_buses_text(list_buses()))


def _agree_to_poll(profile: Profile, yes: bool) -> None:
    if not any(port.poll for port in profile.diagnostics):
        raise UsageError("--poll: the profile has no polls; expected `poll:` entries in it")
    agree_to_poll(yes)


def _watch_lines(live: LiveRun, recorder: Recorder, duration: int | None) -> int:
    """Watch until the time is over, somebody ends it, or nobody reads any more; the exit code."""
    end = None if duration is None else time.monotonic() + duration / 1e9
    printer = Printer(direct_page())
    with signals_noted("SIGTERM", "SIGHUP") as noted, LineDisplay(live.run, printer, live) as display:
        live.start()
        try:
            while (
                live.running
                and not live.finished
                and not noted
                and not printer.gone
                and (end is None or time.monotonic() < end)
            ):
                time.sleep(0.05)
                display.redraw()
        except KeyboardInterrupt:
            pass
        finally:
            live.stop()
    if live.failure is not None:
        raise live.failure
    said = kept_sentence(recorder)
    if rates := rates_of(live.run.pipeline):
        printer.line(Text(rates_sentence(rates)))
    printer.line(Text(said))
    if not printer.close(LAST_WORDS):
        say_last(said, sys.stderr)
    gone = 128 + SIGPIPE if printer.gone else 0
    return code_of(recorder, 128 + noted[0] if noted else gone)
