"""How the person is looking: everything a widget needs besides the picture itself. Unchanging, replaced as a whole."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from livewatch.dashboard.headline import Headline
from livewatch.dashboard.reader_units import ReaderUnits
from livewatch.data.events import Event
from livewatch.run.history import History
from livewatch.run.player import PlayerState

__all__ = ["OVERLAYS", "Look", "Overlay"]

Overlay = Literal["over time", "pulls over speed", "pulls over time"]
OVERLAYS: tuple[Overlay, ...] = ("over time", "pulls over speed", "pulls over time")


@dataclass(frozen=True, slots=True, eq=False)
class Look:
    """Attributes:
    units: what numbers are read in.
    plain: whether the terminal shows ASCII only.
    headline: the sentence at the top.
    history: the past of all channels; None before there is any.
    events: everything that happened, oldest first.
    cursor: data time looked at, ns; the present in the live views.
    span: first and last data time there is, ns.
    window: data time that the traces cover, ns.
    overlay: what the traces show.
    alarm: name of the selected alarm; empty for the most urgent.
    event: position in `events` of the selected event; -1 for the one at or before the cursor.
    page: which of the pages of channels is shown under the cursor.
    silenced: whether the sounds are off.
    flood: whether more alarms have come than a person can take.
    player: how a replay stands; None when live.
    reading: share of a recording that has been read through, 0..1.
    """

    units: ReaderUnits
    plain: bool
    headline: Headline
    history: History | None = None
    events: Sequence[Event] = ()
    cursor: int = 0
    span: tuple[int, int] = (0, 0)
    window: int = 60_000_000_000
    overlay: Overlay = "over time"
    alarm: str = ""
    event: int = -1
    page: int = 0
    silenced: bool = False
    flood: bool = False
    player: PlayerState | None = None
    reading: float = 1.0
