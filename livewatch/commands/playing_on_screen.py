"""A source played as if it were live, into a session folder, in the dashboard, where a person moves to and fro.

Until its first frame nothing is loaded but what draws it and what keeps the recording.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from livewatch import Profile, Recorder, Session, Source
from livewatch.commands.lines import code_of
from livewatch.commands.publishing import published
from livewatch.dashboard import show_replay
from livewatch.run.player import Player
from livewatch.wording.recording import kept_sentence

if TYPE_CHECKING:
    from livewatch.publish.settings import PublishSettings

__all__ = ["play_on_screen"]


def play_on_screen(
    open_source: Callable[[], Source],
    name: str,
    profile: Profile,
    speed: float | None,
    out: Path,
    settings: PublishSettings | None = None,
) -> int:
    """Play the source called `name`, which `open_source` opens anew, into a session folder below `out`, published as
    `settings` say; what comes back is the exit code."""
    folder = Session.create(out, profile, [name])
    recorder = Recorder(folder, may_wait=True)
    player = Player(open_source, profile, recorder, speed=speed)
    with published(settings, recorder, lambda: player.run, player.submit, player.apply, replaying=True):
        code = show_replay(player)
    from livewatch.commands.printing import say_last  # late: wanted at the end alone

    say_last(kept_sentence(recorder), sys.stdout)
    if player.failure is not None:
        raise player.failure
    return code_of(recorder, code)
