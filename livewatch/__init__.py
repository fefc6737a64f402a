"""livewatch: live telemetry of an engine, watched for the signature of a part its calibration was not written for.

    import livewatch

    diagnosis = livewatch.diagnose("drive.log", "my_car.yaml")
    print(diagnosis)
    table = diagnosis.channels("engine_speed", "boost_pressure")

This is the front door: everything a notebook, a script or the command line needs is a name of this package. A name is
loaded when it is first asked for; `import livewatch` alone loads nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from livewatch.version import __version__

if TYPE_CHECKING:
    from livewatch.alarms.load import LoadFigures
    from livewatch.alarms.spells import AlarmSpell
    from livewatch.build_sheet.forecast import Forecast, predict
    from livewatch.build_sheet.prediction import Prediction
    from livewatch.build_sheet.sheet import BuildSheet, load_build_sheet
    from livewatch.data.alarm_states import PRIORITIES, Priority, State
    from livewatch.data.events import (
        EVENT_KINDS,
        AlarmChanged,
        AlarmChattered,
        AlarmFlood,
        ClockMoved,
        Event,
        Fact,
        Figure,
        MarkerSet,
        NoteWritten,
        OdditiesCounted,
        Peak,
        PullEnded,
        QualityChanged,
        RunEnded,
        RunStarted,
        SecondsBefore,
        UnknownEvent,
        parse_utc,
        utc_text,
    )
    from livewatch.data.frames import FrameBatch
    from livewatch.diagnosis.assessment import Assessment, assess
    from livewatch.diagnosis.channel_table import ChannelTable
    from livewatch.diagnosis.comparison import Comparison
    from livewatch.diagnosis.diagnosis import Diagnosis, Terms, diagnose, diagnose_one, profile_for, read_baseline
    from livewatch.diagnosis.drive_file import compare_with_drive
    from livewatch.diagnosis.pile import Failure, Pile, diagnose_pile
    from livewatch.errors import LivewatchError, Mistake, MistakesError, SourceError, UsageError, nearest
    from livewatch.profile.dbc import load_dbc
    from livewatch.profile.load import load_profile, load_profile_text
    from livewatch.profile.model import Channel, Profile
    from livewatch.profile.schema import bus_name
    from livewatch.profile.shipped import shipped_folder
    from livewatch.profile.starting_profile import starting_profile
    from livewatch.run.opening import Source, Stretch, open_source
    from livewatch.run.run import Run
    from livewatch.session.folder import SessionFolder, open_session
    from livewatch.session.log import EventLog, LoggedEvent, open_log
    from livewatch.session.log_filter import LogFilter, Moment
    from livewatch.session.recorder import Recorder
    from livewatch.session.summary import LogSummary, summarise
    from livewatch.signature.cause import Cause
    from livewatch.signature.evidence.baseline import Baseline
    from livewatch.signature.evidence.pulls import Pull
    from livewatch.signature.finding import Finding
    from livewatch.signature.verdict import Verdict
    from livewatch.simulator.drive import Drive, simulate
    from livewatch.simulator.mismatches import Mismatch
    from livewatch.simulator.recording_writer import frames_of, write_recording
    from livewatch.simulator.scenario import Scenario
    from livewatch.sources.bus_map import parse_bus_options
    from livewatch.sources.recordings.recording import Recording, open_recording

__all__ = [
    "EVENT_KINDS",
    "PRIORITIES",
    "AlarmChanged",
    "AlarmChattered",
    "AlarmFlood",
    "AlarmSpell",
    "Assessment",
    "Baseline",
    "BuildSheet",
    "Cause",
    "Channel",
    "ChannelTable",
    "ClockMoved",
    "Comparison",
    "Diagnosis",
    "Drive",
    "Event",
    "EventLog",
    "Fact",
    "Failure",
    "Figure",
    "Finding",
    "Forecast",
    "FrameBatch",
    "LivewatchError",
    "LoadFigures",
    "LogFilter",
    "LogSummary",
    "LoggedEvent",
    "MarkerSet",
    "Mismatch",
    "Mistake",
    "MistakesError",
    "Moment",
    "NoteWritten",
    "OdditiesCounted",
    "Peak",
    "Pile",
    "Prediction",
    "Priority",
    "Profile",
    "Pull",
    "PullEnded",
    "QualityChanged",
    "Recorder",
    "Recording",
    "Run",
    "RunEnded",
    "RunStarted",
    "Scenario",
    "SecondsBefore",
    "SessionFolder",
    "Source",
    "SourceError",
    "State",
    "Stretch",
    "Terms",
    "UnknownEvent",
    "UsageError",
    "Verdict",
    "__version__",
    "assess",
    "bus_name",
    "compare_with_drive",
    "diagnose",
    "diagnose_one",
    "diagnose_pile",
    "frames_of",
    "load_build_sheet",
    "load_dbc",
    "load_profile",
    "load_profile_text",
    "nearest",
    "open_log",
    "open_recording",
    "open_session",
    "open_source",
    "parse_bus_options",
    "parse_utc",
    "predict",
    "profile_for",
    "read_baseline",
    "shipped_folder",
    "simulate",
    "starting_profile",
    "summarise",
    "utc_text",
    "write_recording",
]

_ROOMS: dict[str, str] = {
    "livewatch.alarms.load": "LoadFigures",
    "livewatch.alarms.spells": "AlarmSpell",
    "livewatch.build_sheet.forecast": "Forecast predict",
    "livewatch.build_sheet.prediction": "Prediction",
    "livewatch.build_sheet.sheet": "BuildSheet load_build_sheet",
    "livewatch.data.alarm_states": "PRIORITIES Priority State",
    "livewatch.data.events": (
        "EVENT_KINDS AlarmChanged AlarmChattered AlarmFlood ClockMoved Event Fact Figure MarkerSet NoteWritten Peak "
        "OdditiesCounted PullEnded QualityChanged RunEnded RunStarted SecondsBefore UnknownEvent parse_utc utc_text"
    ),
    "livewatch.data.frames": "FrameBatch",
    "livewatch.diagnosis.assessment": "Assessment assess",
    "livewatch.diagnosis.channel_table": "ChannelTable",
    "livewatch.diagnosis.diagnosis": "Diagnosis Terms diagnose diagnose_one profile_for read_baseline",
    "livewatch.diagnosis.comparison": "Comparison",
    "livewatch.diagnosis.drive_file": "compare_with_drive",
    "livewatch.diagnosis.pile": "Failure Pile diagnose_pile",
    "livewatch.errors": "LivewatchError Mistake MistakesError SourceError UsageError nearest",
    "livewatch.profile.dbc": "load_dbc",
    "livewatch.profile.load": "load_profile load_profile_text",
    "livewatch.profile.model": "Channel Profile",
    "livewatch.profile.schema": "bus_name",
    "livewatch.profile.shipped": "shipped_folder",
    "livewatch.profile.starting_profile": "starting_profile",
    "livewatch.run.opening": "Source Stretch open_source",
    "livewatch.run.run": "Run",
    "livewatch.session.folder": "SessionFolder open_session",
    "livewatch.session.log": "EventLog LoggedEvent open_log",
    "livewatch.session.log_filter": "LogFilter Moment",
    "livewatch.session.recorder": "Recorder",
    "livewatch.session.summary": "LogSummary summarise",
    "livewatch.signature.finding": "Finding",
    "livewatch.signature.evidence.baseline": "Baseline",
    "livewatch.signature.cause": "Cause",
    "livewatch.signature.evidence.pulls": "Pull",
    "livewatch.signature.verdict": "Verdict",
    "livewatch.simulator.drive": "Drive simulate",
    "livewatch.simulator.mismatches": "Mismatch",
    "livewatch.simulator.scenario": "Scenario",
    "livewatch.simulator.recording_writer": "frames_of write_recording",
    "livewatch.sources.bus_map": "parse_bus_options",
    "livewatch.sources.recordings.recording": "Recording open_recording",
}
"""Module to the names it gives, as above."""
_PLACES = {name: module for module, names in _ROOMS.items() for name in names.split()}


def __getattr__(name: str) -> Any:
    module = _PLACES.get(name)
    if module is None:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    value = globals()[name] = getattr(import_module(module), name)
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
