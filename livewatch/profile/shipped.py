"""Where the profiles and recorded drives that come with livewatch are, in an installed package and in a checkout."""

from __future__ import annotations

from pathlib import Path

from livewatch.errors import UsageError, nearest

__all__ = ["find_profile", "shipped_folder"]


def shipped_folder(name: str) -> Path:
    """The folder `profiles` or `replay_data` that comes with livewatch."""
    package = Path(__file__).resolve().parent.parent
    installed = package / "_shipped" / name
    return installed if installed.is_dir() else package.parent / name


def find_profile(given: str) -> Path:
    """The profile a user names: a path, or the bare name of one that comes with livewatch.

    Raises:
        UsageError: neither exists.
    """
    path = Path(given)
    if path.exists():
        return path
    folder = shipped_folder("profiles")
    known = {found.stem: found for found in sorted(folder.glob("*.yaml")) if not found.stem.endswith("_build")}
    if given in known:
        return known[given]
    raise UsageError(
        f"no profile {given!r}: it is neither a file nor one of those that come with livewatch, "
        f"{', '.join(known) or 'none'}{nearest(given, known)}"
    )
