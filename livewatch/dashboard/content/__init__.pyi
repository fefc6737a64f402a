"""The names of this room and where each comes from: read by type checkers, and at run time by the room itself."""

from .alarms import selected_alarm as selected_alarm
from .events import flooding as flooding
from .events import moment as moment
from .events import selected_event as selected_event
from .events import spells as spells
