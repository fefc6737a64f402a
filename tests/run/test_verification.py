"""A session folder's events against those its rows give today: the same, or every difference by name."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from livewatch import Verification, verify
from livewatch.commands.cli import main
from livewatch.data.actions import Action
from livewatch.data.alarm_states import UNACKNOWLEDGED
from livewatch.data.frames import FrameBatch
from livewatch.profile.model import Profile
from livewatch.run.run import Run
from livewatch.session.folder import Session
from livewatch.session.recorder import Recorder

Drive = Callable[..., FrameBatch]


def record(parent: Path, profile: Profile, batch: FrameBatch, *, answered: bool = False) -> Path:
    """A session folder of `batch`, in batches of 500 frames; where `answered`, a person acknowledges what stands,
    shelves it the next time, and writes a note."""
    folder = Session.create(parent, profile, ["can0"])
    run = Run(profile, Recorder(folder, may_wait=True))
    acknowledged: set[str] = set()
    for start in range(0, len(batch), 500):
        run.push(batch[start : start + 500])
        for state in run.pipeline.alarms.states() if answered else ():
            if state.state in UNACKNOWLEDGED:
                again = state.name in acknowledged
                duration = 3_000_000_000 if again else 0
                run.apply(Action("shelve" if again else "acknowledge", state.name, duration, "known" if again else ""))
                acknowledged.add(state.name)
                run.apply(Action("note", text="the driver lifted"))
    run.close()
    return folder.path


@pytest.fixture(scope="module")
def session(engine: Profile, drive: Drive, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return record(tmp_path_factory.mktemp("sessions"), engine, drive(3, 60))


def copied(session: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(session, tmp_path / session.name))


def changed(folder: Path, change: Callable[[list[dict]], list[dict]]) -> Verification:
    """The folder verified after a change of its log."""
    log = folder / "events.jsonl"
    records = change([json.loads(line) for line in log.read_text().splitlines()])
    log.write_text("".join(json.dumps(record) + "\n" for record in records))
    return verify(folder)


def test_what_was_recorded_is_found_again(session: Path, capsys: pytest.CaptureFixture[str]) -> None:
    said = verify(session)
    assert said.agrees and said.recorded == len((session / "events.jsonl").read_text().splitlines()) > 5
    assert main(["replay", "--verify", str(session)]) == 0
    assert capsys.readouterr().out.startswith(f"= {session}: today's livewatch gives the same {said.recorded} events.")


def test_answers_of_a_person_are_given_again_at_their_moments(engine: Profile, drive: Drive, tmp_path: Path) -> None:
    folder = record(tmp_path, engine, drive(3, 60), answered=True)
    said = verify(folder)
    lines = [json.loads(line) for line in (folder / "events.jsonl").read_text().splitlines()]
    transitions = {line.get("transition") for line in lines}
    assert {"acknowledged", "shelved"} <= transitions and said.answers > 1 and said.personal > 0
    assert said.agrees, said.differences


def test_every_kind_of_difference_is_named(session: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = copied(session, tmp_path)

    def change(records: list[dict]) -> list[dict]:
        raised = [record for record in records if record.get("transition") == "raised"]
        raised[0]["setpoint"] = "lambda_1 > 9"
        raised[1]["time"] += 0.5
        invented = {**raised[2], "subject": "no_such_alarm"}
        return [record for record in records if record is not raised[2]] + [invented]

    said = changed(folder, change)
    assert sorted(one.what for one in said.differences) == ["changed", "missing", "moved", "new"]
    (fields,) = [one.fields for one in said.differences if one.what == "changed"]
    assert [name for name, _, _ in fields] == ["setpoint"] and fields[0][1] == "lambda_1 > 9"
    (gone,) = [one for one in said.differences if one.what == "missing"]
    assert gone.subject == "no_such_alarm"
    assert main(["replay", "--verify", str(tmp_path)]) == 7
    out = capsys.readouterr().out
    assert "on record, not found today" in out and 'instead of "lambda_1 > 9"' in out
    assert main(["replay", "--verify", "--json", str(folder)]) == 7
    assert json.loads(capsys.readouterr().out)["agrees"] is False


def test_a_run_that_was_cut_off_lacks_no_event_it_never_wrote(session: Path, tmp_path: Path) -> None:
    folder = copied(session, tmp_path)
    manifest = json.loads((folder / "manifest.json").read_text())
    (folder / "manifest.json").write_text(json.dumps({**manifest, "state": "running", "ended": None}))
    said = changed(folder, lambda records: records[: len(records) // 2])
    assert said.state == "killed" and said.agrees and said.after > 0


def test_what_is_no_session_or_says_nothing_is_refused(
    session: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = copied(session, tmp_path)
    (folder / "events.jsonl").write_text("")
    assert main(["replay", "--verify", str(folder)]) == 4
    assert "there is no event on record" in capsys.readouterr().err
    (tmp_path / "empty").mkdir()
    assert main(["replay", "--verify", str(tmp_path / "empty")]) == 4
    assert "no session folder is in it" in capsys.readouterr().err
