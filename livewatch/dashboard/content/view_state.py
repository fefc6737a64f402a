"""How the person is looking: everything a widget needs besides the snapshot itself. Unchanging, replaced as a whole."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from livewatch.dashboard.content.headline import Headline
    from livewatch.data.events import Event
    from livewatch.run.history import History
    from livewatch.run.player import PlayerState
    from livewatch.wording.reader_units import ReaderUnits

__all__ = ["OVERLAYS", "Overlay", "ViewState"]

Overlay = Literal["over time", "pulls over speed", "pulls over time"]
OVERLAYS: tuple[Overlay, ...] = ("over time", "pulls over speed", "pulls over time")


@dataclass(frozen=True, slots=True, eq=False)
class ViewState:
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
