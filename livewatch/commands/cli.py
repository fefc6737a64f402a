"""The command line: finds the subcommand, runs it, and turns what goes wrong into one clear message and an exit code.

Exit codes: 0 done; 1 failed; 2 the command line makes no sense; 3 mistakes in a profile, build sheet or DBC; 4 a
recording, table or bus cannot be read; 5 `check` advises against a full-load run; 6 a live run ended in order, but its
recording lacks something; 7 `replay --verify` finds other events than recorded; 70 a fault in livewatch itself; 130
interrupted; 128 + n a live run that ended in order because of signal n (15 SIGTERM, 1 SIGHUP; 13 for an output that
nobody reads any more).
"""

from __future__ import annotations

import gc
import importlib
import os
import sys
from collections.abc import Sequence
from pathlib import Path

import click

from livewatch import LivewatchError, UsageError, __version__, nearest
from livewatch.commands.lines import say
from livewatch.run.linear_algebra import in_one_thread

__all__ = ["main"]

COMMANDS: dict[str, str] = {
    "demo": "Play the most telling of the recorded drives. Needs no car.",
    "connect": "Meet a car: find the adapter, the bit rate and who answers, write a profile.",
    "watch": "Watch a car or a dyno cell live, through any CAN adapter.",
    "board": "Show every station of an MQTT broker, worst first.",
    "publish": "Deliver to a broker what waits from earlier runs.",
    "replay": "Play a recording, a table or a session folder as if it were live.",
    "diagnose": "Read recordings as fast as it goes and say what they show.",
    "report": "Write what a drive shows as one file for a person.",
    "answer": "Say in everyday words whether parts need another calibration.",
    "compare": "Compare drives of one car: fixed, better, same or worse.",
    "pulls": "Lay full-pedal pulls on one another; for a dyno, correct power.",
    "sheet": "Ask for a build in plain words, and write the build sheet.",
    "check": "Compare a build sheet with a calibration before a wheel turns.",
    "profile": "Check, show or start a profile, the description of one vehicle.",
    "events": "Read, filter and summarise the event log of a run.",
    "shelf": "Find sessions by vehicle, date, verdict, alarm or part; a car's history.",
    "export": "Write channels, or a cut-out with its alarms, to CSV, Parquet or MF4.",
    "simulate": "Make a recording of an invented car, or play one onto a bus.",
}
"""Every subcommand and its line in the help; the order people meet them in."""

OBJECTS_AT_START, OBJECTS = 150_000, 20_000
"""New objects before the first look for garbage, and between further ones. A start makes 75,000 to 125,000 that stay:
nothing is to be found among them."""

EPILOG = """\b
Cautions
  The driver drives; a passenger or an operator reads the screen.
  Full-load pulls belong on a closed course or a dyno, with the car restrained,
  air moving and a fire extinguisher within reach.
  livewatch protects no engine: it only tells. Lift first, read afterwards.
  Local law and the judgement of a licensed professional come first.

\b
Exit codes
  0 done   1 failed   2 wrong command line   3 mistakes in a profile or sheet
  4 a recording or bus cannot be read   5 `check` advises against full load
  6 a session folder lacks something of its run   70 a fault in livewatch itself
  7 `replay --verify` finds other events than are on record
  130 interrupted   128 + n a live run was asked to end by signal n, and did in order
"""


class _Commands(click.Group):
    """Loads a subcommand when it is asked for, so that `--help` stays quick."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(f"livewatch.commands.{cmd_name}")
        command = getattr(module, cmd_name)
        assert isinstance(command, click.Command)
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        if args and not args[0].startswith("-") and args[0] not in COMMANDS:
            known = ", ".join(COMMANDS)
            raise UsageError(f"unknown command {args[0]!r}{nearest(args[0], COMMANDS)}; the commands are {known}")
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


@click.group(cls=_Commands, epilog=EPILOG, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, "-V", "--version", message="livewatch %(version)s")
def livewatch() -> None:
    """Watch an engine for the signature of a part its calibration was not written for.

    Start with `livewatch demo`. Then describe your car in a profile (`livewatch profile --help`) and watch it live
    (`livewatch watch`) or from a recording (`livewatch replay`, `livewatch diagnose`).
    """


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command line; `arguments` default to the process's own. Returns the exit code."""
    in_one_thread()
    gc.set_threshold(OBJECTS_AT_START)
    if _started not in gc.callbacks:
        gc.callbacks.append(_started)
    try:
        result = livewatch.main(None if arguments is None else list(arguments), "livewatch", standalone_mode=False)
        return result if isinstance(result, int) else 0
    except click.exceptions.Exit as done:
        return done.exit_code
    except click.ClickException as error:
        error.show()
        return error.exit_code
    except (click.Abort, KeyboardInterrupt):
        say("livewatch: interrupted", error=True)
        return 130
    except LivewatchError as error:
        say(f"livewatch: {error}", error=True)
        return error.exit_code
    except BrokenPipeError:
        # The reader of our output (head, less) has gone; nothing is left to say it to.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 1
    except Exception as fault:
        say(f"livewatch: a fault in livewatch itself: {_keep_traceback(fault)}", error=True)
        return 70


def _started(phase: str, _: dict[str, int]) -> None:
    """After the first look for garbage, look as often as usual."""
    if phase == "stop":
        gc.callbacks.remove(_started)
        gc.set_threshold(OBJECTS)


def _keep_traceback(fault: Exception) -> str:
    import tempfile  # late, both: hardly ever wanted
    import traceback

    text = "".join(traceback.format_exception(fault))
    try:
        handle, name = tempfile.mkstemp(prefix="livewatch-fault-", suffix=".txt")
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            file.write(f"livewatch {__version__}, Python {sys.version}\n{text}")
        kept = f"the details are in {Path(name)}; please send them with your report"
    except OSError:
        kept = "the details could not be kept"
    return f"{type(fault).__name__}: {fault}; {kept}"


if __name__ == "__main__":
    sys.exit(main())
