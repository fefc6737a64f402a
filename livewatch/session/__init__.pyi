"""The names of this room and where each comes from: read by type checkers, and at run time by the room itself."""

from .folder import Session as Session
from .folder import SessionError as SessionError
from .log import EventLog as EventLog
from .log import LoggedEvent as LoggedEvent
from .log import open_log as open_log
from .recorder import Recorder as Recorder
from .summary import LogSummary as LogSummary
from .summary import summarise as summarise
