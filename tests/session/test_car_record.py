"""The same car again: what changed in it since its last session."""

from __future__ import annotations

import time
from pathlib import Path

from livewatch.commands.car_history import CarHistory
from livewatch.data.events import Event, FaultCodesRead, IdentityRead, ReadinessRead
from livewatch.profile import load_profile_text
from livewatch.session.car_record import CarRecord, car_changes, last_car_record
from livewatch.session.folder import Session
from livewatch.session.recorder import Recorder
from livewatch.wording.car import change_sentence
from tests.waiting import until

PROFILE = load_profile_text("profile: 1\nname: hill car\nsignature_alarms: off\n", "car.yaml", None)
UNIT = "7E8"


def said(
    vehicle: str, calibration: str, verification: str, codes: tuple[str, ...], unfinished: tuple[str, ...] = ()
) -> list[Event]:
    return [
        ReadinessRead(0, 0, UNIT, bool(codes), len(codes), unfinished),
        FaultCodesRead(0, 0, UNIT, "stored", codes),
        IdentityRead(0, 0, UNIT, "calibration", (calibration,)),
        IdentityRead(0, 0, UNIT, "vehicle", (vehicle,)),
        IdentityRead(0, 0, UNIT, "calibration verification", (verification,)),
    ]  # fmt: skip


def session(parent: Path, events: list[Event], start: int) -> Session:
    folder = Session.create(parent, PROFILE, ["port"], start=start * 1_000_000_000)
    with Recorder(folder) as recorder:
        recorder.write_events(events)
    return folder


def record_of(events: list[Event]) -> CarRecord:
    record = CarRecord(name=PROFILE.name)
    for event in events:
        record.hear(event)
    return record


def sentences(before: list[Event], now: list[Event]) -> list[str]:
    return [change_sentence(one, "before") for one in car_changes(record_of(before), record_of(now))]


def test_nothing_changed_nothing_said() -> None:
    same = said("aaa", "CAL-1", "5EED0001", ("P0171",))
    assert sentences(same, same) == []


def test_another_calibration_is_told_by_its_name_or_by_its_verification_number_alone() -> None:
    before = said("aaa", "CAL-1", "5EED0001", ())
    (renamed,) = sentences(before, said("aaa", "CAL-2", "5EED0002", ()))
    assert "the calibration was changed since: it was CAL-1, it is CAL-2" in renamed
    (hidden,) = sentences(before, said("aaa", "CAL-1", "5EED0002", ()))
    assert "changed since under the same name" in hidden and "5EED0002" in hidden


def test_cleared_codes_are_told_from_codes_that_went_by_themselves() -> None:
    before = said("aaa", "CAL-1", "5EED0001", ("P0171", "P0299"))
    (cleared,) = sentences(before, said("aaa", "CAL-1", "5EED0001", (), ("fuel system", "catalyst")))
    assert "codes were cleared since: P0171 (system too lean, bank 1), P0299" in cleared
    (gone,) = sentences(before, said("aaa", "CAL-1", "5EED0001", ("P0171",)))
    assert "codes are gone since: P0299" in gone
    (new,) = sentences(said("aaa", "CAL-1", "5EED0001", ()), before)
    assert "codes were stored since" in new


def test_the_session_before_is_that_of_the_same_car(tmp_path: Path) -> None:
    session(tmp_path, said("aaa", "CAL-1", "1", ()), 1_000)
    time.sleep(0.02)
    session(tmp_path, said("bbb", "CAL-9", "1", ()), 2_000)
    time.sleep(0.02)
    here = session(tmp_path, said("aaa", "CAL-2", "2", ()), 3_000)
    found = last_car_record(tmp_path, record_of(said("aaa", "CAL-2", "2", ())), here.path)
    assert found is not None and found.said[UNIT, "calibration"] == ("CAL-1",)
    assert last_car_record(tmp_path, record_of(said("ccc", "CAL-2", "2", ())), here.path) is None


def test_the_log_of_a_watch_gets_the_changes_as_notes(tmp_path: Path) -> None:
    session(tmp_path, said("aaa", "CAL-1", "1", ()), 1_000)
    notes: list[str] = []
    history = CarHistory(tmp_path, tmp_path / "now", PROFILE.name, notes.append)
    history.hear(said("aaa", "CAL-2", "2", ()))
    until(lambda: notes)
    history.close()
    assert len(notes) == 1 and "it was CAL-1, it is CAL-2" in notes[0]
