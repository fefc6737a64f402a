"""A word spoken by the machine, where it can. Never waits: the speaking program is started and left alone."""

from __future__ import annotations

import shutil
import subprocess
import sys
import time as wall
from collections.abc import Callable, Sequence

__all__ = ["Speech", "speech_command"]

_WINDOWS = (
    "Add-Type -AssemblyName System.Speech; "
    "(New-Object System.Speech.Synthesis.SpeechSynthesizer).Speak([Console]::In.ReadToEnd())"
)


def speech_command(
    find: Callable[[str], str | None] = shutil.which, platform: str = sys.platform
) -> Sequence[str] | None:
    """The command that speaks what it reads from its standard input, or its last argument; None where there is none."""
    if platform == "win32":
        shell = find("powershell")
        return None if shell is None else (shell, "-NoProfile", "-Command", _WINDOWS)
    if platform == "darwin" and (say := find("say")) is not None:
        return (say, "-f", "-")
    for name, options in (("espeak-ng", ("--stdin",)), ("espeak", ("--stdin",)), ("spd-say", ("-e",))):
        path = find(name)
        if path is not None:
            return (path, *options)
    return None


LONGEST = 10.0
"""Seconds after which a speaking program is taken to hang, and is ended."""


class Speech:
    """Args:
    command: reads a text from its standard input and speaks it; None keeps silent.
    clock: the machine's monotonic clock, s.
    """

    def __init__(self, command: Sequence[str] | None, clock: Callable[[], float] = wall.monotonic) -> None:
        self._command = command
        self._clock = clock
        self._started = 0.0
        self._speaking: subprocess.Popen[bytes] | None = None

    def say(self, text: str) -> None:
        """Speak, unless it is still speaking. One that hangs is ended, so that the next word is heard. A machine that
        cannot speak is left in peace from then on. `text` is a word or two: the pipe takes it at once, read or not."""
        if self._command is None:
            return
        if self._speaking is not None and self._speaking.poll() is None:
            if self._clock() - self._started < LONGEST:
                return
            self._speaking.kill()
        try:
            self._speaking = subprocess.Popen(
                self._command, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
            )
        except OSError:
            self._command = None
            return
        self._started = self._clock()
        assert self._speaking.stdin is not None
        try:
            self._speaking.stdin.write(text.encode() + b"\n")
            self._speaking.stdin.close()
        except OSError:  # it ended before it read: the next word is tried anew
            pass
