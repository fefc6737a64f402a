"""The names of this room and where each comes from: read by type checkers, and at run time by the room itself."""

from .load import AIM as AIM
from .load import LoadFigures as LoadFigures
from .machine import TRANSITIONS as TRANSITIONS
from .machine import Transition as Transition
from .machine import Trigger as Trigger
from .state import AlarmDefinition as AlarmDefinition
from .state import AlarmState as AlarmState
from .state import State as State
from .system import ActionError as ActionError
from .system import AlarmSystem as AlarmSystem
