"""The folder a run leaves behind: written while it goes on, opened again afterwards, however it ended."""

from __future__ import annotations

from livewatch.session.folder import Session, SessionError
from livewatch.session.log import EventLog, LoggedEvent, open_log
from livewatch.session.recorder import Recorder
from livewatch.session.summary import LogSummary, summarise

__all__ = [
    "EventLog",
    "LogSummary",
    "LoggedEvent",
    "Recorder",
    "Session",
    "SessionError",
    "open_log",
    "summarise",
]
