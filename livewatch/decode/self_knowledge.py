"""What control units say of themselves, as events.

Complete answers come in, in order, each with its row and time; (row, event) pairs come out: fault codes, readiness,
freeze frames, identity. A unit that says the same again within a minute is not told again, so that a tester which asks
every second fills no log; after a minute it is, so that the end of a run says how things stood then. The values of a
freeze frame come in several answers and are told together, with the first answer that is no more of it.
"""

from __future__ import annotations

from livewatch.data.events import Event, FaultCodesRead, Figure, FreezeFrameRead, IdentityRead, ReadinessRead
from livewatch.decode.bus_traffic import Address
from livewatch.profile.diagnostic_port.answers import POSITIVE
from livewatch.profile.diagnostic_port.self_knowledge import (
    READ_CODES,
    SNAPSHOT,
    Codes,
    Fact,
    Frozen,
    Identity,
    Readiness,
    self_knowledge,
)

__all__ = ["SelfKnowledgeListener"]

AGAIN_AFTER = 60_000_000_000
"""Nanoseconds after which the same is told again."""
MOST_SENDERS = 64
"""Senders whose last words are remembered; those of more are told each time at most."""
SERVICES = frozenset({0x02, 0x03, 0x07, 0x09, 0x0A, READ_CODES})
"""Services whose answers hold nothing but this."""

LISTS = frozenset({bytes((0x42, first)) for first in range(0, 0x100, 0x20)} | {b"\x49\x00"})
"""How answers begin that list what there is."""
NO_FREEZE_FRAME = b"\x02\x00\x00\x00"
NO_SNAPSHOT = bytes((READ_CODES + POSITIVE, SNAPSHOT))


class SelfKnowledgeListener:
    """Remembers what every unit said last, and the freeze frame it is about to tell."""

    def __init__(self) -> None:
        self._told: list[tuple[int, Event]] = []
        self._last: dict[tuple[Address, str], tuple[int, Event]] = {}
        self._frozen: dict[Address, tuple[str | None, dict[str, tuple[float, str]]]] = {}

    def hears(self, row: int, time: int, sender: Address, answer: bytes) -> bool:
        """Take an answer whose last frame is `row`, stamped `time` ns; whether it holds nothing but what is told
        here."""
        facts = self_knowledge(answer)
        for said in facts or (None,):
            self._hears(row, time, sender, said)
        if answer[0] - POSITIVE not in SERVICES:
            return False
        return bool(facts) or answer[:2] in LISTS or answer[1:] == NO_FREEZE_FRAME or answer[:2] == NO_SNAPSHOT

    def _hears(self, row: int, time: int, sender: Address, said: Fact | None) -> None:
        known_code, known = self._frozen.get(sender, (None, {}))
        another = isinstance(said, Frozen) and None not in (said.code, known_code) and said.code != known_code
        if sender in self._frozen and (another or not isinstance(said, Frozen)):
            self._tell_frozen(row, time, sender)
            known_code, known = None, {}
        unit = f"{sender[1]:X}"
        match said:
            case Frozen(code=code, values=values):
                if sender in self._frozen or len(self._frozen) < MOST_SENDERS:
                    self._frozen[sender] = (code or known_code, {**known, **values})
            case Codes(kind=kind, codes=codes):
                self._tell(row, time, sender, kind, FaultCodesRead(0, 0, unit, kind, codes))
            case Readiness(lamp=lamp, stored=stored, unfinished=unfinished):
                self._tell(row, time, sender, "", ReadinessRead(0, 0, unit, lamp, stored, unfinished))
            case Identity(kind=kind, texts=texts):
                self._tell(row, time, sender, kind, IdentityRead(0, 0, unit, kind, texts))

    def take(self) -> list[tuple[int, Event]]:
        """What was said since the last call."""
        told, self._told = self._told, []
        return told

    def _tell_frozen(self, row: int, time: int, sender: Address) -> None:
        code, values = self._frozen.pop(sender)
        figures = tuple(Figure(name, value, unit) for name, (value, unit) in values.items())
        self._tell(row, time, sender, code or "", FreezeFrameRead(0, 0, f"{sender[1]:X}", code, figures))

    def _tell(self, row: int, time: int, sender: Address, kind: str, event: Event) -> None:
        key = (sender, f"{event.kind} {kind}")
        last = self._last.get(key)
        if last is not None and last[1] == event and 0 <= time - last[0] < AGAIN_AFTER:
            return
        if last is not None or len(self._last) < 8 * MOST_SENDERS:
            self._last[key] = (time, event)
        self._told.append((row, event))
