"""Loading a profile: from what an earlier run has kept of it, or by resolving its files.

A path, a name or a text comes in; a resolved `Profile` comes out, or `MistakesError` with every mistake of all the
files it is made from. What was resolved once is kept (see `cache`): reading it back needs none of the libraries that
read YAML, DBC files and units, whose import takes most of the time of a short command.
"""

from __future__ import annotations

from pathlib import Path

from livewatch.data.outside import read_file
from livewatch.profile.cache import ProfileCache
from livewatch.profile.model import Profile
from livewatch.profile.shipped import find_profile

__all__ = ["load_profile", "load_profile_text"]


def load_profile(given: Path | str) -> Profile:
    """The profile in a file; a text may also be the bare name of one that comes with livewatch (`brackwell_20t`).

    Raises:
        MistakesError: anything is wrong with it or with a file it names.
        UsageError: a text is neither a file nor such a name.
    """
    path = given if isinstance(given, Path) else find_profile(given)
    try:
        content = read_file(path)
    except OSError:
        content = b""
    cache = ProfileCache(path.name, content, path.parent)
    known = cache.read()
    if known is None:
        from livewatch.profile.resolve import resolve_file

        resolved = resolve_file(path)
        cache.write(resolved.profile, resolved.files)
        known = resolved.profile
    return known


def load_profile_text(text: str, name: str, folder: Path | None) -> Profile:
    """The profile in a text.

    Args:
        name: how messages name it.
        folder: where the files it names are; None when it may name none.

    Raises:
        MistakesError: anything is wrong with it or with a file it names.
    """
    cache = ProfileCache(name, text.encode(), folder)
    known = cache.read()
    if known is None:
        from livewatch.profile.resolve import resolve_text

        resolved = resolve_text(text, name, folder)
        cache.write(resolved.profile, resolved.files)
        known = resolved.profile
    return known
