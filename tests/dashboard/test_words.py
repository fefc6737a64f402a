"""What the screen says: the sentence that matters now, units in the reader's choice, sounds, and what is remembered."""

from __future__ import annotations

import math
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from livewatch.alarms import AlarmState, State
from livewatch.dashboard.alarm_sound import PATTERNS, AlarmSound
from livewatch.dashboard.content.headline import headline
from livewatch.dashboard.content.related_channels import commanded_for, limits_of
from livewatch.dashboard.content.snapshot_maker import SnapshotMaker
from livewatch.dashboard.remembered import Remembered
from livewatch.dashboard.speech import Speech, speech_command
from livewatch.profile.model import Profile
from livewatch.session.recorder import Recorder
from livewatch.wording.names import channel_label, short_label
from livewatch.wording.reader_units import ReaderUnits

Make = Callable[..., Any]
METRIC, BAR, IMPERIAL = (ReaderUnits(system, False, 14.1) for system in ("metric", "metric, bar", "imperial"))


def test_the_most_urgent_alarm_is_said_as_what_to_do_and_why(run_of: Make) -> None:
    line = headline(run_of().shown, METRIC, 0.0)
    assert (line.shape, line.word, line.action) == ("▲▲", "CRITICAL", "Lift off the pedal now")
    assert line.reason == "Lean under load: lambda 1.03, wanted 0.82."
    assert line.more == "Do not repeat the pull."
    assert (line.answered, line.also) == (False, 2)


def test_the_sentence_follows_the_readers_units(run_of: Make) -> None:
    snapshot = run_of().shown
    boost = replace(snapshot, alarms=tuple(one for one in snapshot.alarms if one.name == "boost_overshoot"))
    boost = replace(boost, alarms=(replace(boost.alarms[0], state=State.UNACKNOWLEDGED),))
    assert headline(boost, METRIC, 0.0).reason == "Boost overshoot: boost 210 kPa, wanted 212 kPa."
    assert headline(boost, IMPERIAL, 0.0).reason == "Boost overshoot: boost 30.4 psi, wanted 30.7 psi."
    ratio = replace(METRIC, air_fuel=True)
    assert headline(snapshot, ratio, 0.0).reason == "Lean under load: lambda 14.5 AFR, wanted 11.6 AFR."


def test_what_is_over_no_longer_says_what_to_do_at_once(run_of: Make) -> None:
    snapshot = run_of().shown
    over = tuple(
        replace(one, state=State.LATCHED_UNACKNOWLEDGED) if one.priority == "critical" else one
        for one in snapshot.alarms
    )
    line = headline(replace(snapshot, alarms=over), METRIC, 0.0)
    assert (line.word, line.action, line.reason) == ("WAS CRITICAL", "", "Lean under load: over now.")
    assert line.more == "Do not repeat the pull."


def test_an_alarm_that_can_no_longer_be_judged_says_so(run_of: Make) -> None:
    snapshot = run_of().shown
    alarms = (replace(snapshot.alarms[0], cannot_judge=True), *snapshot.alarms[1:])
    assert "can no longer be judged" in headline(replace(snapshot, alarms=alarms), METRIC, 0.0).reason


def test_when_all_is_well_it_is_quiet(run_of: Make) -> None:
    line = headline(run_of(alarming=False).shown, METRIC, 0.0)
    assert (line.priority, line.word, line.action) == (None, "", "")
    assert line.reason.startswith("No alarm. The most used correction is")


def test_a_source_in_trouble_is_said_when_no_alarm_is(run_of: Make) -> None:
    trouble = ("Bus body is silent for 12 s.",)
    line = headline(replace(run_of(alarming=False).shown, trouble=trouble), METRIC, 0.0)
    assert (line.word, line.reason) == ("CHECK", "Bus body is silent for 12 s.")
    assert headline(replace(run_of().shown, trouble=trouble), METRIC, 0.0).word == "CRITICAL"


def test_an_old_picture_is_not_taken_for_the_present(run_of: Make) -> None:
    line = headline(run_of().shown, METRIC, 4.0)
    assert (line.word, line.action) == ("NO ANSWER", "Do not rely on this screen")
    assert "has not answered for 4 s" in line.reason
    assert headline(replace(run_of().shown, ended=True), METRIC, 4.0).word == "CRITICAL"


def test_before_the_first_frame_it_says_what_it_waits_for(run_of: Make) -> None:
    empty = replace(run_of(alarming=False).shown, ticks=None)
    assert headline(empty, METRIC, 0.0).reason == "Waiting for the first frame on engine, body."
    assert headline(None, METRIC, 0.0).reason == "Starting."
    assert (
        headline(empty, METRIC, 0.0, "can0: the adapter was unplugged").reason
        == "The run has ended: can0: the adapter was unplugged"
    )


@pytest.mark.parametrize(
    ("value", "unit", "units", "text"),
    [
        # NIST SP 811 (2008), appendix B: 1 psi = 6.894757 kPa, 1 bar = 100 kPa, 1 mi = 1.609344 km, 1 lb = 453.59237 g,
        # 1 hp (550 ft lbf/s) = 745.6999 W, 1 ft lbf = 1.355818 J, degF = 9/5 degC + 32. From memory.
        (101.325, "kPa", IMPERIAL, "14.7 psi"),
        (212.0, "kPa", BAR, "2.12 bar"),
        (100.0, "degC", IMPERIAL, "212 °F"),
        (-40.0, "degC", IMPERIAL, "-40 °F"),
        (160.9344, "km/h", IMPERIAL, "100 mph"),
        (453.59237 / 60, "g/s", IMPERIAL, "1.0 lb/min"),
        (74.56999, "kW", IMPERIAL, "100 hp"),
        (135.5818, "N*m", IMPERIAL, "100 ft·lbf"),
        (101.325, "kPa", METRIC, "101 kPa"),
        (-0.04, "%", METRIC, "0.0 %"),
        (1.234, "1", METRIC, "1.23"),
        (8.0, "deg", METRIC, "8.0°"),
        (math.nan, "kPa", METRIC, "unknown"),
    ],
)
def test_units_are_those_of_the_reader(value: float, unit: str, units: ReaderUnits, text: str) -> None:
    assert units.text(value, unit) == text


def test_a_difference_of_temperatures_has_no_zero_point() -> None:
    assert IMPERIAL.difference(10.0, "degC") == pytest.approx(18.0)


def test_lambda_becomes_an_air_fuel_ratio_only_where_the_fuel_is_known() -> None:
    # Heywood 1988, table D.4: gasoline CH1.87 has a stoichiometric air-fuel ratio of 14.6.
    known = ReaderUnits("metric", True, 14.6)
    assert known.text(0.85, "1", "lambda_1") == "12.4 AFR"
    assert known.text(1.06, "1", "lambda_ratio") == "1.06", "a ratio of lambdas stays one"
    assert ReaderUnits("metric", True, None).text(0.85, "1", "lambda_1") == "0.85"


def test_channels_are_called_as_people_call_them(profile: Profile) -> None:
    assert channel_label("lambda_1", profile) == "lambda"
    assert channel_label("lambda_2") == "lambda, bank 2"
    assert short_label("short_term_fuel_trim_1", profile) == "short trim"
    assert commanded_for("boost_pressure", profile) == "commanded_boost_pressure"
    assert commanded_for("knock_retard", profile) is None
    assert limits_of("boost_pressure", profile) == (235.0,)
    assert limits_of("short_term_fuel_trim_1", profile) == (-25.0, 22.5, 25.0)


class Heard:
    def __init__(self) -> None:
        self.bells: list[float] = []
        self.words: list[tuple[float, str]] = []
        self.now = 0.0
        self.sound = AlarmSound(lambda: self.bells.append(self.now), lambda word: self.words.append((self.now, word)))

    def run(self, alarms: list[AlarmState], seconds: float) -> None:
        for _ in range(round(seconds * 10)):
            self.sound.sound(alarms, self.now)
            self.now = round(self.now + 0.1, 6)


def with_priority(watched: Any, priority: str) -> list[AlarmState]:
    alarm = next(one for one in watched.shown.alarms if one.priority == priority)
    return [replace(alarm, state=State.UNACKNOWLEDGED, acknowledged=False, raised_at=1)]


def test_each_priority_sounds_different(run_of: Make) -> None:
    heard = {}
    for priority in PATTERNS:
        ears = Heard()
        ears.run(with_priority(run_of(), priority), 10.0)
        heard[priority] = ears
    assert heard["critical"].bells[:6] == pytest.approx([0.0, 0.2, 0.4, 1.5, 1.7, 1.9])
    assert heard["high"].bells == pytest.approx([0.0, 0.5, 5.0, 5.5])
    assert heard["medium"].bells == [0.0]
    assert heard["low"].bells == []
    assert [word for _, word in heard["critical"].words] == ["lift"] * 3
    assert heard["high"].words == []


def test_acknowledging_and_silencing_end_the_sound_and_a_new_alarm_brings_it_back(run_of: Make) -> None:
    ears = Heard()
    critical = with_priority(run_of(), "critical")
    ears.run(critical, 1.0)
    ears.sound.silence(critical)
    assert ears.sound.silenced(critical)
    before = len(ears.bells)
    ears.run(critical, 5.0)
    assert len(ears.bells) == before
    again = [replace(critical[0], raised_at=2)]
    assert not ears.sound.silenced(again)
    ears.run(again, 0.1)
    assert len(ears.bells) == before + 1
    ears.run([replace(again[0], acknowledged=True, state=State.ACKNOWLEDGED)], 3.0)
    assert len(ears.bells) == before + 1


def test_speech_uses_what_the_machine_has_and_never_waits() -> None:
    def only(name: str) -> Callable[[str], str | None]:
        return lambda asked: f"/usr/bin/{asked}" if asked == name else None

    assert speech_command(only("espeak-ng"), "linux") == ("/usr/bin/espeak-ng", "--stdin")
    assert speech_command(only("say"), "darwin") == ("/usr/bin/say", "-f", "-")
    windows = speech_command(only("powershell"), "win32")
    assert windows is not None and windows[0] == "/usr/bin/powershell"
    assert speech_command(lambda _: None, "linux") is None
    slow = Speech([sys.executable, "-c", "import sys, time; sys.stdin.read(); time.sleep(60)"])
    begun = time.monotonic()
    slow.say("lift")
    slow.say("lift")
    assert time.monotonic() - begun < 20.0
    assert slow._speaking is not None
    slow._speaking.kill()
    slow._speaking.wait()
    broken = Speech(["/nowhere/speak"])
    broken.say("lift")
    broken.say("lift")
    Speech(None).say("lift")


def test_cautions_and_choices_are_remembered_by_vehicle(tmp_path: Path) -> None:
    path = tmp_path / "deep" / "dashboard.json"
    first = Remembered(path)
    assert not first.cautions_read("Brackwell")
    first.note_cautions("Brackwell")
    first.put("theme", "day")
    second = Remembered(path)
    assert second.cautions_read("Brackwell")
    assert not second.cautions_read("Linden")
    assert second.get("theme", "night") == "day"


@pytest.mark.parametrize("content", ["", "[1, 2]", '{"cautions_read": 7, "theme": 3}', "\x00\xff"])
def test_a_damaged_memory_shows_the_cautions_again(content: str, tmp_path: Path) -> None:
    path = tmp_path / "dashboard.json"
    path.write_text(content, encoding="latin-1")
    known = Remembered(path)
    assert not known.cautions_read("Brackwell")
    assert known.get("theme", "night") == "night"
    known.note_cautions("Brackwell")
    assert Remembered(path).cautions_read("Brackwell")


def test_a_state_folder_that_cannot_be_written_is_no_trouble(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    known = Remembered(tmp_path / "file" / "dashboard.json")
    known.note_cautions("Brackwell")
    assert known.cautions_read("Brackwell"), "for as long as it runs"


class RecorderInTrouble(Recorder):
    trouble: str | None = None
    behind_seconds = 0.0
    free_bytes: int | None = 200_000_000_000

    counts: dict[str, int] = {}  # noqa: RUF012

    def __init__(self) -> None:
        self.followers = []


def test_trouble_with_the_recording_is_seen(profile: Profile) -> None:
    recorder = RecorderInTrouble()
    maker = SnapshotMaker(None, recorder)
    run: Any = SimpleNamespace(counts={}, rows=0, unused_frames=0)
    assert maker._troubles((), run) == []
    run.rows, run.unused_frames = 1000, 9
    assert maker._troubles((), run) == [], "nothing to alarm anybody with"
    assert maker._recording() == ("recording, 200 GB free", "recording")
    recorder.free_bytes, recorder.behind_seconds = 120_000_000, 7.4
    recorder.trouble = "the folder is gone"
    run.unused_frames, run.counts = 30, {"frames lost before livewatch could read them": 7}
    assert maker._troubles((), run) == [
        "Not recorded as it should be: the folder is gone.",
        "The recording is 7 s behind: the disk is slow.",
        "The disk is nearly full: 120 MB left for the recording.",
        "7 frames were lost before they could be read.",
        "3 % of the frames could not be used; the cell view says why.",
    ]
    assert maker._recording() == ("NOT RECORDING",)
    assert SnapshotMaker(None, None)._recording() == ("not recorded",)
