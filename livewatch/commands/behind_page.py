"""The process behind the page: a command line whose screen goes to a browser.

`python -m livewatch.commands.behind_page watch -p my_car.yaml`

The standard output of this process carries the screen to the server. Whatever the command prints besides goes to the
standard error, which the server passes on to the terminal it was started from; the command is told that it has a
terminal, because it has one, only further away.
"""

from __future__ import annotations

import sys
from typing import Any, TextIO, cast

from livewatch.commands import cli

__all__ = ["main"]


class _FarTerminal:
    """A text stream that says it is a terminal."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream

    def isatty(self) -> bool:
        """It is."""
        return True

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)


def main() -> int:
    """Run the command line this process was given; the exit code."""
    sys.stdout = cast(TextIO, _FarTerminal(sys.stderr))
    return cli.main(sys.argv[1:])


if __name__ == "__main__":
    sys.exit(main())
