"""Build sheets as a command line names them."""

from __future__ import annotations

from pathlib import Path

from livewatch import BuildSheet, UsageError, load_build_sheet, nearest, shipped_folder

__all__ = ["load_sheet"]


def load_sheet(given: str) -> BuildSheet:
    """The sheet a user names: a path, or the bare name of one that comes with livewatch.

    Raises:
        UsageError: there is none.
        MistakesError: there are mistakes in it.
    """
    path = Path(given)
    if path.exists():
        return load_build_sheet(path)
    known = {found.stem: found for found in sorted(shipped_folder("profiles").glob("*_build.yaml"))}
    if given in known:
        return load_build_sheet(known[given])
    raise UsageError(
        f"no build sheet {given!r}: it is neither a file nor one of those that come with livewatch, "
        f"{', '.join(known) or 'none'}{nearest(given, known)}"
    )
