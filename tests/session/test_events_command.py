"""`livewatch events` as a person uses it."""

from __future__ import annotations

import json

import pytest

from livewatch.commands.cli import main
from livewatch.data.alarm_states import State
from livewatch.data.events import Fact
from livewatch.session import Recorder, Session


@pytest.fixture
def run(sessions, profile, frames, alarm, note, utc):
    folder = Session.create(sessions, profile, ["virtual:test"], start=utc)
    with Recorder(folder) as recorder:
        recorder.write_rows(frames(10))
        recorder.write_events([note(0)])
        recorder.write_events(
            [
                alarm(65, setpoint="lambda_1 > 1.06", first_out=True, action="Lift off the pedal now.",
                      because=(Fact("lambda_1", 1.093, "1"),)),
            ]
        )  # fmt: skip
        recorder.write_events([alarm(68, "returned to normal", State.RETURNED)])
    return folder.path


def said(capsys, *arguments) -> tuple[int, str, str]:
    code = main(["events", *map(str, arguments)])
    out, err = capsys.readouterr()
    return code, out, err


def test_the_list_is_in_words(run, capsys):
    code, out, err = said(capsys, run)
    assert (code, err) == (0, "")
    lines = out.splitlines()
    assert len(lines) == 3
    assert lines[0].split() == ["0:00.00", "note", "at", "0:00.00:", "note", "0"]
    assert lines[1].startswith("   1:05.00  ▲▲ CRITICAL lean under load [first out] · lambda_1 1.093 · Lift off")
    assert lines[2].strip() == "1:08.00  lean_under_load: over, not acknowledged"


def test_the_file_itself_may_be_named(run, capsys):
    assert said(capsys, run / "events.jsonl") == said(capsys, run)


def test_json_gives_the_lines_as_they_stand_in_the_file(run, capsys):
    _, out, _ = said(capsys, run, "--json")
    assert out == (run / "events.jsonl").read_text(encoding="utf-8")
    _, out, _ = said(capsys, run, "--json", "--kind", "note")
    assert out == (run / "events.jsonl").read_text(encoding="utf-8").splitlines(keepends=True)[0]


@pytest.mark.parametrize(
    "options,count",
    [
        (["--kind", "alarm"], 2),
        (["--kind", "alarm", "--kind", "note"], 3),
        (["--alarm", "lean_under_load"], 2),
        (["--priority", "critical"], 2),
        (["--priority", "low"], 0),
        (["--from", "1:06"], 1),
        (["--from", "65 s", "--to", "1.1 min"], 1),
        (["--to", "2026-05-04T09:31:05Z"], 2),
        (["--from", "2026-05-04T11:31:06+02:00"], 1),
    ],
)
def test_only_what_is_asked_for(run, capsys, options, count):
    code, out, err = said(capsys, run, *options)
    assert code == 0
    assert len(out.splitlines()) == count
    assert err == ("" if count else "note: no event in this log is like that\n")


def test_a_name_that_is_not_in_the_log_gets_the_nearest(run, capsys):
    _, out, err = said(capsys, run, "--alarm", "lean_under_laod")
    assert out == ""
    assert err == (
        "note: no event in this log is like that\n"
        "note: nothing in this log happened to 'lean_under_laod' (did you mean lean_under_load?)\n"
    )


def test_the_summary_tells_each_spell_and_the_load(run, capsys):
    code, out, _ = said(capsys, run, "--summary")
    assert code == 0
    lines = out.splitlines()
    assert lines[0] == "A run, from 2026-05-04 09:30:00 UTC"
    assert lines[1] == "The log covers 1:08.00, and does not say how it ended."
    assert lines[3] == "   1:05.00  ▲▲ critical  lean_under_load  [first out]"
    assert lines[4].strip() == ("lambda_1 > 1.06; stood for 0:03.00, then returned to normal; never acknowledged")
    assert "1 alarm; 1.0 in 10 minutes on average (about 1 is acceptable), 1 at the most" in out
    assert "Events: 2 alarm, 1 note" in out
    _, out, _ = said(capsys, run, "--summary", "--json")
    record = json.loads(out)
    assert record["alarms"][0]["duration"] == 3.0
    assert record["log"] == {}


def test_a_cut_log_is_read_and_the_cut_is_said(run, capsys):
    log = run / "events.jsonl"
    log.write_bytes(log.read_bytes()[:-5])
    code, out, err = said(capsys, run)
    assert (code, len(out.splitlines())) == (0, 2)
    assert err == "note: 1 last line of the event log cut off\n"


def test_a_run_without_alarms(sessions, profile, note, capsys):
    folder = Session.create(sessions, profile, [])
    with Recorder(folder) as recorder:
        recorder.write_events([note(0)])
    _, out, _ = said(capsys, folder.path, "--summary")
    assert "No alarm was raised." in out
    assert "and does not say how it ended" in out


def test_mistakes_are_told(run, tmp_path, capsys):
    assert said(capsys, tmp_path / "none") == (4, "", f"livewatch: {tmp_path / 'none'}: there is no such file\n")
    code, _, err = said(capsys, run, "--from", "1:30", "--to", "1:00")
    assert (code, err) == (2, "livewatch: --to lies before --from; expected a later time\n")
    code, _, err = said(capsys, run, "--from", "soon")
    assert code == 2
    assert "'soon' is no length of time; expected for example 90 s, 1.5 min or 1:30" in err
    for text in ("2026-13-45", "0001-01-01T00:00:00+23:59"):
        code, _, err = said(capsys, run, "--from", text)
        assert code == 2
        assert f"'{text}' is no date and time; expected for example 2026-05-04T09:31:00Z" in err


def test_the_help_shows_how_to_begin(capsys):
    assert main(["events", "--help"]) == 0
    out = capsys.readouterr().out
    assert "livewatch events sessions/" in out
    for option in ("--kind", "--alarm", "--priority", "--from", "--to", "--summary", "--json"):
        assert option in out
