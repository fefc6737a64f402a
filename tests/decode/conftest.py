"""What the decoding tests share: profiles and frames from a few words, and the files of the cantools source archive."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import isotp
import numpy as np
import pytest

from livewatch.data.frames import FrameBatch
from livewatch.profile.model import Channel, Diagnostics, Message, Profile, TableMapping
from tests.source_archive import source_archive

BUS = "engine"


@pytest.fixture(scope="session")
def dbc_files(pytestconfig: pytest.Config) -> list[Path]:
    """Every DBC in tests/files/dbc of the source archive of the installed cantools, from the package registry."""
    folder = source_archive(pytestconfig, "cantools", ".dbc")
    return sorted((folder / "tests" / "files" / "dbc").glob("*.dbc"))


@pytest.fixture
def profile_of() -> Callable[..., Profile]:
    """Make a profile of messages, channels and diagnostics alone."""

    def make(
        messages: Sequence[Message] = (),
        channels: Sequence[Channel] = (),
        diagnostics: Sequence[Diagnostics] = (),
        buses: Sequence[str] = (BUS,),
    ) -> Profile:
        return Profile(
            name="test",
            buses=dict.fromkeys(buses, ()),
            messages=tuple(messages),
            diagnostics=tuple(diagnostics),
            channels=tuple(channels),
            alarms=(),
            authority={},
            engine=None,
            tables=TableMapping(),
            figures=(),
            period=10_000_000,
            lead_up=0,
            sources={},
            text="",
        )

    return make


@pytest.fixture
def frames_of() -> Callable[..., FrameBatch]:
    """Make a batch of (identifier, data) or (identifier, data, flags), one frame a millisecond."""

    def make(
        rows: Sequence[tuple[int, bytes] | tuple[int, bytes, int]],
        *,
        bus: str | Sequence[str] = BUS,
        time: Sequence[int] | None = None,
    ) -> FrameBatch:
        names = [bus] * len(rows) if isinstance(bus, str) else list(bus)
        buses = tuple(dict.fromkeys(names))
        width = 64 if any(len(row[1]) > 8 for row in rows) else 8
        joined = b"".join(row[1].ljust(width, b"\0") for row in rows)
        return FrameBatch(
            np.array(range(0, len(rows) * 1_000_000, 1_000_000) if time is None else time, np.int64),
            np.array([buses.index(name) for name in names], np.uint8),
            np.array([row[0] for row in rows], np.uint32),
            np.array([row[2] if len(row) > 2 else 0 for row in rows], np.uint8),
            np.array([len(row[1]) for row in rows], np.uint8),
            np.frombuffer(joined, np.uint8).reshape(len(rows), width),
            buses,
        )

    return make


@pytest.fixture(scope="session")
def frames_of_transfer() -> Callable[..., list[bytes]]:
    """The data bytes of each frame can-isotp (ISO 15765-2) sends for a payload, flow control left out."""

    def make(payload: bytes, **params: object) -> list[bytes]:
        sent: list[isotp.CanMessage] = []
        waiting: list[isotp.CanMessage] = []
        address = isotp.Address(isotp.AddressingMode.Normal_11bits, txid=0x7E8, rxid=0x7E0)
        settings = {"stmin": 0, "max_frame_size": 1 << 20, **params}
        sender = isotp.TransportLayerLogic(
            rxfn=lambda _: waiting.pop(0) if waiting else None, txfn=sent.append, address=address, params=settings
        )
        sender.send(payload)
        block = int(str(params.get("blocksize", 0)))
        answered = 0
        while True:
            sender.process()
            if len(sent) > answered and sender.transmitting():
                # the tester's flow control: continue, `block` frames at a time
                waiting.append(isotp.CanMessage(arbitration_id=0x7E0, data=bytes((0x30, block, 0))))
            answered = len(sent)
            if not sender.transmitting():
                return [bytes(each.data) for each in sent]

    return make
