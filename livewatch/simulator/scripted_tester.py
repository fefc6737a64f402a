"""A scripted tester asking the simulated car on its diagnostic port, in virtual time.

In: a `Drive` and the polls of a profile. Out: the frames of both sides, as a recorder on the bus would have kept
them. The car's side is the same `Responder` that answers a real bus. One request at a time; the parameter due
longest is next; up to six parameters of service 01 go into one request when asked to.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np

from livewatch.data.frames import EXTENDED, SENT, FrameBatch
from livewatch.profile.diagnostic_port.addresses import request_for
from livewatch.profile.model import Diagnostics, PollRequest, Profile
from livewatch.simulator.bus_frames import BEGINS, BLOCK
from livewatch.simulator.drive import STEP, Drive
from livewatch.simulator.engine_answers import MOST_AT_ONCE, EngineAnswers
from livewatch.simulator.responder import ANSWER, PENDING, DriveValues, Manners, Responder

__all__ = ["poll_drive"]

ANSWER_WITHIN = 0.050
"""s, P2 of ISO 15765-4, after which the tester goes on."""
PAUSE = 0.003
"""s between an answer and the next request."""
FRAME_TIME = 0.00025
"""s a frame takes on the bus, about."""
REACTION = 0.0008
"""s from a first frame to its flow control; common practice."""
WAITS_LONGER = 5.0
"""s for a unit that says "response pending" (P2* of ISO 14229-2)."""
FLOW_CONTROL = bytes((0x30, 0, 0, 0, 0, 0, 0, 0))
"""Send all that is left, without pauses (ISO 15765-2)."""


class _Row(NamedTuple):
    """A frame on the bus, `time` s into the drive; `sent` by the tester."""

    time: float
    identifier: int
    data: bytes
    sent: bool = False


def poll_drive(
    drive: Drive,
    profile: Profile,
    begins: int = BEGINS,
    together: int = MOST_AT_ONCE,
    manners: Manners | None = None,
) -> Iterator[FrameBatch]:
    """The conversation on every diagnostic port of `profile`, in batches of `BLOCK` s.

    Args:
        begins: ns since the Unix epoch of the drive's first moment.
        together: how many service 01 parameters one request may ask for, 1 to 6.
    """
    for port in profile.diagnostics:
        answers = EngineAnswers(DriveValues(drive), port.parameters, profile.channels)
        responder = Responder(answers, port.extended, manners)
        yield from _converse(port, responder, len(drive.time) * STEP, begins, together, drive.scenario.seed)


def _converse(
    port: Diagnostics, responder: Responder, end: float, begins: int, together: int, seed: int
) -> Iterator[FrameBatch]:
    rng = np.random.default_rng([seed, 555])
    due = [0.1 + 0.003 * place for place in range(len(port.poll))]
    rows: list[_Row] = []
    now = 0.1
    block_end = BLOCK
    while port.poll and now < end:
        first = min(range(len(due)), key=due.__getitem__)
        now = max(now, due[first])
        if now >= end:
            break
        places = _asked_together(port.poll, due, first, now, together)
        for place in places:
            due[place] = max(due[place] + port.poll[place].every / 1e9, now)
        request = _request([port.poll[place] for place in places])
        rows.append(_Row(now, port.request, request, sent=True))
        responder.receive(port.request, port.extended, request, now)
        now = _hear(port, responder, rows, now + ANSWER_WITHIN) + PAUSE + float(rng.exponential(0.0015))
        if now >= block_end:
            yield _batch(rows, port, begins)
            rows = []
            block_end += BLOCK
    if rows:
        yield _batch(rows, port, begins)


def _asked_together(
    poll: tuple[PollRequest, ...], due: list[float], first: int, now: float, together: int
) -> list[int]:
    if poll[first].service != 0x01:
        return [first]
    others = sorted((p for p in range(len(due)) if p != first and due[p] <= now), key=due.__getitem__)
    fitting = [place for place in others if poll[place].service == 0x01]
    return [first, *fitting[: together - 1]]


def _request(asked: list[PollRequest]) -> bytes:
    size = 1 if asked[0].service == 0x01 else 2
    body = bytes((asked[0].service,)) + b"".join(one.identifier.to_bytes(size, "big") for one in asked)
    return (bytes((len(body),)) + body).ljust(8, b"\x00")


def _hear(port: Diagnostics, responder: Responder, rows: list[_Row], until: float) -> float:
    """Take the answer to its end, with flow control; the time of its last frame, or `until` when none came."""
    physical = request_for(ANSWER[port.extended], port.extended)
    assert physical is not None
    missing = 0
    while (moment := responder.next_due()) is not None and moment <= until:
        for frame in responder.frames_until(moment):
            at = frame.time + FRAME_TIME
            rows.append(_Row(at, frame.identifier, frame.data))
            kind = frame.data[0] >> 4
            if kind == 1:
                total = (frame.data[0] & 15) << 8 | frame.data[1]
                missing = -(-(total - 6) // 7)
                until = at + 1.0
                rows.append(_Row(at + REACTION, physical, FLOW_CONTROL, sent=True))
                responder.receive(physical, port.extended, FLOW_CONTROL, at + REACTION)
            elif kind == 2:
                missing -= 1
            elif frame.data[1:2] == b"\x7f" and frame.data[3] == PENDING:
                until = at + WAITS_LONGER
                continue
            if kind in (0, 2) and missing <= 0:
                return at
    return until


def _batch(rows: list[_Row], port: Diagnostics, begins: int) -> FrameBatch:
    rows.sort(key=lambda row: row.time)
    n = len(rows)
    time = np.array([row.time for row in rows])
    kind = EXTENDED if port.extended else 0
    return FrameBatch(
        begins + (time * 1e6).astype(np.int64) * 1000,
        np.zeros(n, np.uint8),
        np.array([row.identifier for row in rows], np.uint32),
        np.array([kind | (SENT if row.sent else 0) for row in rows], np.uint8),
        np.full(n, 8, np.uint8),
        np.frombuffer(b"".join(row.data for row in rows), np.uint8).reshape(n, 8),
        (port.bus,),
    )
