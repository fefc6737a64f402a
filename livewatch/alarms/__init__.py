"""Alarms after ANSI/ISA-18.2: ticks and a person's actions come in, events come out, and the screen is told how every
alarm stands. No clock is read and nothing is written: the same ticks, cut in any way, give the same events."""

from __future__ import annotations

from livewatch.alarms.load import AIM, LoadFigures
from livewatch.alarms.machine import TRANSITIONS, Transition, Trigger
from livewatch.alarms.state import AlarmDefinition, AlarmState
from livewatch.alarms.system import ActionError, AlarmSystem
from livewatch.data.alarm_states import State

__all__ = [
    "AIM",
    "TRANSITIONS",
    "ActionError",
    "AlarmDefinition",
    "AlarmState",
    "AlarmSystem",
    "LoadFigures",
    "State",
    "Transition",
    "Trigger",
]
