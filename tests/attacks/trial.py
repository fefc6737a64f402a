"""One wrong input at a time, given to livewatch in this process: what it prints is caught, what it touches is watched.

A kind and a number make an input (`wrong`); `Trial.tried` gives its exit code and what did not hold. It holds when the
exit code is 0, 2, 3, 4 or 5, when nothing is written but where livewatch keeps what it knows, no process started and no
address called, and when what is printed has no traceback, no warning and no code that acts on a terminal.
"""

from __future__ import annotations

import gzip
import json
import os
import shutil
import sys
import tempfile
import unicodedata
from functools import cache
from pathlib import Path
from typing import Any

from livewatch.commands.cli import main
from livewatch.errors import LivewatchError
from livewatch.wording.shown import shown_lines
from tests.attacks.mutations import mutated
from tests.attacks.pieces import PIECES, PORT, SUFFIXES
from tests.attacks.seeds import FILES, PROFILE, candump

__all__ = ["CAR", "KINDS", "Trial", "seeds", "wrong"]

ALLOWED = (0, 2, 3, 4, 5)
VISIBLE = (
    "Lu", "Ll", "Lt", "Lm", "Lo", "Mn", "Mc", "Me", "Nd", "Nl", "No", "Pc", "Pd", "Ps", "Pe", "Pi", "Pf", "Po",
    "Sm", "Sc", "Sk", "So", "Zs",
)  # fmt: skip
"""Categories of what a screen only shows (Unicode Standard, chapter 4)."""
CAR = PROFILE + b"signature_alarms: off\n"
KINDS = (*FILES, *PIECES)
SEEDS = {kind: (lambda make=make: (make(),)) for kind, make in FILES.items()}
SEEDS.update({kind: piece.seeds for kind, piece in PIECES.items()})
WRITING = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC | os.O_APPEND
TOUCHING = (
    "os.remove", "os.rename", "os.mkdir", "os.rmdir", "os.chmod", "os.chown", "os.link", "os.symlink", "os.truncate",
    "os.system", "os.exec", "os.posix_spawn", "os.fork", "subprocess.Popen", "socket.connect", "socket.bind",
    "urllib.Request", "webbrowser.open",
)  # fmt: skip
"""What no input may lead to (audit events of Python), besides a file opened to write."""


class Watch:
    """Sees what this process writes, starts and calls while it is `on`, but for the folders it may write to."""

    def __init__(self, *allowed: Path) -> None:
        self.on = False
        self.seen: list[str] = []
        self._allowed = tuple(map(str, allowed))
        sys.addaudithook(self._heard)

    def _heard(self, event: str, arguments: tuple[Any, ...]) -> None:
        if not self.on or (event != "open" and event not in TOUCHING):
            return
        if event == "open" and (not isinstance(arguments[0], str | bytes | Path) or not arguments[2] & WRITING):
            return
        told = os.fsdecode(arguments[0]) if arguments and isinstance(arguments[0], str | bytes | Path) else ""
        if told != os.devnull and not str(Path(told).absolute()).startswith(self._allowed):
            self.seen.append(f"{event} {told or arguments}")


@cache
def seeds(kind: str) -> tuple[bytes, ...]:
    return SEEDS[kind]()


def wrong(kind: str, number: int) -> bytes:
    """The wrong input of a kind and number. Every other one of what is compressed is damaged inside."""
    several = seeds(kind)
    seed = several[number % len(several)]
    if kind.startswith("candump.gz") and number % 2:
        return gzip.compress(mutated(gzip.decompress(seed), number), 1, mtime=0)
    return mutated(seed, number, several)


def command(kind: str, content: bytes, folder: Path) -> list[str]:
    """Lays the input out in `folder`; the command line that reads it."""
    (folder / "car.yaml").write_bytes(CAR)
    diagnose = ["diagnose", "-p", "car.yaml", "--json"]
    match kind:
        case "profile":
            (folder / "car.yaml").write_bytes(content)
            return ["profile", "check", "car.yaml"]
        case "formula":
            text = json.dumps(content.decode("utf-8", "replace"))
            (folder / "car.yaml").write_text(
                "profile: 1\nname: car\n"
                f"channels: {{engine_speed: {{}}, boost_pressure: {{}}, x: {{formula: {text}, unit: 1}}}}\n",
                encoding="utf-8",
            )
            return ["profile", "check", "car.yaml"]
        case "dbc":
            (folder / "engine.dbc").write_bytes(content)
            return ["profile", "from-dbc", "engine.dbc", "--bus", "engine"]
        case "build sheet":
            (folder / "build.yaml").write_bytes(content)
            return ["check", "-p", "car.yaml", "build.yaml"]
        case "baseline":
            (folder / "drive.log").write_bytes(seeds("candump")[0])
            (folder / "matching.log").write_bytes(content)
            return [*diagnose, "drive.log", "--baseline", "matching.log"]
        case "manifest" | "event log" | "samples":
            return session(kind, content, folder)
        case "diagnostic answers":
            (folder / "car.yaml").write_bytes(PORT)
            pieces = [content[at : at + 8] for at in range(0, len(content), 8)]
            lines = [f"({1_777_884_600 + at / 50:.6f}) can0 7E8#{piece.hex()}\n" for at, piece in enumerate(pieces)]
            (folder / "drive.log").write_text("".join(lines))
            return [*diagnose, "drive.log"]
    name = f"drive{SUFFIXES[kind]}"
    (folder / name).write_bytes(content)
    return [*diagnose, name]


def session(kind: str, content: bytes, folder: Path) -> list[str]:
    """A session folder with one file of it changed."""
    run = folder / "car-20260504T083000Z"
    run.mkdir()
    files = {"manifest": "manifest.json", "event log": "events.jsonl", "samples": "samples.csv"}
    for each, name in files.items():
        (run / name).write_bytes(content if each == kind else seeds(each)[0])
    (run / "profile.yaml").write_bytes(CAR)
    (run / "frames-0001.log").write_bytes(candump())
    return ["events", run.name, "--summary"] if kind == "event log" else ["diagnose", run.name, "--json"]


class Trial:
    """Tries inputs in this process: what they print is caught, what they write is watched.

    Args:
        folder: an empty one, of its own.
        kept: where livewatch may keep what it knows.
    """

    def __init__(self, folder: Path, kept: Path) -> None:
        self._folder = folder
        self._watch = Watch(kept, folder)
        self._printed = tempfile.TemporaryFile(dir=folder.parent)  # noqa: SIM115 - open as long as the process
        sys.dont_write_bytecode = True
        os.chdir(folder)
        sys.stdout.flush()
        sys.stderr.flush()
        for descriptor in (1, 2):
            os.dup2(self._printed.fileno(), descriptor)
        sys.stdout = sys.stderr = open(self._printed.fileno(), "w", encoding="utf-8", closefd=False)  # noqa: SIM115

    def tried(self, kind: str, content: bytes) -> tuple[int, str]:
        """The exit code, and what did not hold; empty when all did. Time and memory are looked at by the caller."""
        text, before = "", set[Path]()
        arguments = [] if kind in PIECES else command(kind, content, self._folder)
        if arguments:
            before = set(self._folder.rglob("*"))
        self._watch.on = kind != "mf4"  # which is read by a process of its own
        try:
            if arguments:
                code = main(arguments)
            else:
                text, code = PIECES[kind].read(content, self._folder), 0
        except LivewatchError as error:
            text, code = shown_lines(str(error)), error.exit_code
        except Exception as error:  # whatever it is, it is told with its input
            text, code = f"{type(error).__name__}: {error}", 70
        finally:
            self._watch.on = False
        what = self._wrong_with(code, text + self._caught())
        if arguments:
            if not what and (beside := set(self._folder.rglob("*")) - before):
                what = f"wrote {sorted(map(str, beside))[:3]}"
            for entry in list(self._folder.iterdir()):
                shutil.rmtree(entry) if entry.is_dir() else entry.unlink()
        return code, what

    def _caught(self) -> str:
        sys.stdout.flush()
        sys.stderr.flush()
        if not self._printed.seek(0, os.SEEK_END):
            return ""
        self._printed.seek(0)
        text = self._printed.read().decode("utf-8", "replace")
        self._printed.seek(0)
        self._printed.truncate()
        return text

    def _wrong_with(self, code: int, text: str) -> str:
        if code not in ALLOWED:
            return f"exit code {code}: {text[-300:]!r}"
        if "Traceback" in text or "Warning: " in text:
            return f"a traceback or warning: {text[-300:]!r}"
        if not text.replace("\n", "").isprintable():
            # All but spaces of other widths, which str.isprintable leaves out as well, act on what shows them.
            acting = [one for one in text if one != "\n" and unicodedata.category(one) not in VISIBLE]
            if acting:
                return f"printed {acting[0]!r}: {text[:200]!r}"
        seen, self._watch.seen = self._watch.seen, []
        return f"did {seen[:3]}" if seen else ""
