"""Live, replay and batch give the same events for the same frames, however they are cut."""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from hashlib import sha256
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from livewatch.data.actions import Action
from livewatch.data.event_json import line_of
from livewatch.data.events import Event, NoteWritten, QualityChanged
from livewatch.data.frames import FrameBatch
from livewatch.data.samples import SampleBatch, SampleColumn
from livewatch.data.ticks import TickBatch
from livewatch.profile.model import Profile
from livewatch.run.history import History
from livewatch.run.pacing import paced
from livewatch.run.pipeline import Pipeline
from livewatch.signature import Signature

Drive = Callable[..., FrameBatch]


class Seen:
    """Every value and quality at every tick, as one number."""

    def __init__(self) -> None:
        self.hash = sha256()

    def observe(self, ticks: TickBatch, told: Sequence[Event]) -> Sequence[Event]:
        self.hash.update(np.concatenate([np.nan_to_num(ticks.value), ticks.quality]).T.tobytes())
        return ()

    def finish(self) -> Sequence[Event]:
        return ()


def log_of(profile: Profile, batches: Iterable[FrameBatch | SampleBatch], patient: bool = False) -> list[str]:
    """The event log that the batches give, a line each, and what every tick was; where nobody waits they are decoded
    beforehand."""
    signature, seen = Signature(profile), Seen()
    pipeline = Pipeline(profile, [signature, seen])
    pipeline.patient = patient
    events: list[Event] = []
    for batch in batches:
        for piece in pipeline.decoded(batch) if patient else [batch]:
            events.extend(pipeline.push(piece))
    events.extend(pipeline.finish())
    lines = [line_of(event, number) for number, event in enumerate(events)]
    lines.append(json.dumps([signature.finding().to_json(), seen.hash.hexdigest()], sort_keys=True))
    return lines


def cut(batch: FrameBatch, places: Iterable[int]) -> list[FrameBatch]:
    ends = [0, *sorted(places), len(batch)]
    return [batch[low:high] for low, high in pairwise(ends)]


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 1000), data=st.data())
def test_any_cutting_of_a_drive_writes_the_same_event_log(
    engine: Profile, drive: Drive, seed: int, data: st.DataObject
) -> None:
    batch = drive(seed, 25)
    whole = log_of(engine, [batch])
    places = data.draw(st.lists(st.integers(0, len(batch)), max_size=40))
    assert log_of(engine, cut(batch, places)) == whole
    assert len(whole) > 4, "the drive raises alarms"


@pytest.mark.parametrize("size", [1, 7, 1000])
def test_frame_by_frame_or_by_the_thousand_is_the_same(engine: Profile, drive: Drive, size: int) -> None:
    batch = drive(3, 15 if size == 1 else 65)
    assert log_of(engine, cut(batch, range(0, len(batch), size))) == log_of(engine, [batch])


def test_a_drive_with_clock_steps_late_frames_and_silence_is_the_same_in_any_cutting(
    engine: Profile, drive: Drive, monkeypatch: pytest.MonkeyPatch
) -> None:
    joined = _odd_drive(drive)
    whole = log_of(engine, [joined])
    lines = [json.loads(line) for line in whole[:-1]]
    kinds = [line["event"] for line in lines]
    assert kinds.count("clock") == 1 and kinds.count("oddity") >= 3
    told = [line["counts"].get("ticks at which a formula had no value") for line in lines if line["event"] == "oddity"]
    assert len({*told, None}) >= 3, "the minutes in which nothing is commanded"
    for size in (97, 4096):
        assert log_of(engine, cut(joined, range(0, len(joined), size))) == whole
    monkeypatch.setattr("livewatch.run.grid.LARGEST_BATCH", 700)
    assert log_of(engine, [joined]) == whole
    assert log_of(engine, cut(joined, range(0, len(joined), 900)), patient=True) == whole, "where nobody waits"


def _odd_drive(drive: Drive) -> FrameBatch:
    """Steps of the clock, late frames, silence, and a command of nothing, which nothing can be divided by."""
    first, second = drive(5, 130), drive(6, 10, 1_760_000_000_000_000_000 - 500_000_000_000)
    third = drive(7, 10, 1_760_000_900_000_000_000)
    joined = FrameBatch.concatenate([first, second, third])
    time, data = joined.time.copy(), joined.data.copy()
    time[::11] -= 30_000_000
    nothing = (time > time[0] + 50_000_000_000) & (time < time[0] + 128_000_000_000)
    data[(joined.identifier == 0x1ABCDE0) & nothing & (np.arange(len(time)) // 40 % 2 == 0), 2:4] = 0
    return FrameBatch(time, joined.bus, joined.identifier, joined.flags, joined.length, data, joined.buses)


def test_a_paced_replay_writes_the_same_event_log(engine: Profile, drive: Drive) -> None:
    batch = drive(9, 12)
    pieces = list(paced(cut(batch, [500, 900]), speed=50.0))
    assert len(pieces) > 5
    assert log_of(engine, pieces) == log_of(engine, [batch])


def test_a_replay_takes_as_long_as_its_speed_says(drive: Drive) -> None:
    took: list[float] = []
    while not took or (took[-1] >= 2.0 and len(took) < 20):  # a busy machine may hold it up
        began = time.monotonic()
        for _ in paced([drive(9, 4)], speed=8.0):
            pass
        took.append(time.monotonic() - began)
    assert 0.45 <= min(took) < 2.0


def test_silence_told_while_it_lasts_is_the_silence_a_replay_finds(engine: Profile, drive: Drive) -> None:
    before, after = drive(11, 5), drive(12, 5, 1_760_000_000_000_000_000 + 130_000_000_000)
    live = Pipeline(engine)
    events = live.push(before)
    for second in range(1, 124):
        events.extend(live.advance(int(before.time[-1]) + second * 1_000_000_000))
    lost_while_silent = [event for event in events if isinstance(event, QualityChanged)]
    assert lost_while_silent, "the loss is told before the next frame comes"
    events.extend(live.push(after))
    events.extend(live.finish())
    replay = Pipeline(engine)
    expected = [*replay.push(FrameBatch.concatenate([before, after])), *replay.finish()]
    assert [line_of(e, 0) for e in events] == [line_of(e, 0) for e in expected]


def test_samples_of_a_table_take_the_same_path_as_frames(engine: Profile) -> None:
    n = 400
    rows = np.arange(n, dtype=np.int64)
    time = 1_760_000_000_000_000_000 + rows * 10_000_000
    speed = SampleColumn(engine.index["engine_speed"], rows, np.full(n, 6500.0), np.zeros(n, np.uint8))
    whole = SampleBatch(time, [speed], {"cells that are no numbers": 3})
    lines = log_of(engine, [whole])
    assert any('"subject":"fast"' in line and '"transition":"raised"' in line for line in lines)
    halves = [
        SampleBatch(
            time[part],
            [SampleColumn(speed.channel, rows[:200], speed.value[part], speed.quality[part])],
            whole.counts if part.start == 0 else {},
        )
        for part in (slice(0, 200), slice(200, 400))
    ]
    assert log_of(engine, halves) == lines


def test_a_table_does_not_miss_what_it_never_held_but_frames_after_it_do(engine: Profile) -> None:
    rows = np.arange(800, dtype=np.int64)
    start = 1_760_000_000_000_000_000
    speed = SampleColumn(engine.index["engine_speed"], rows, np.full(800, 900.0), np.zeros(800, np.uint8))
    table = SampleBatch(start + rows * 10_000_000, [speed], {})
    assert not any("lost" in line for line in log_of(engine, [table]))
    one = np.ones(60, np.uint8)
    frames = FrameBatch(
        start + (800 + np.arange(60)) * 10_000_000, one * 0, one * np.uint32(0x100), one * 0, one * 8,
        np.zeros((60, 8), np.uint8), ("engine",),
    )  # fmt: skip
    assert any('"subject":"lambda_1"' in line and '"what":"lost"' in line for line in log_of(engine, [table, frames]))


def test_a_note_is_logged_now_and_pinned_to_the_moment_it_is_about(engine: Profile, drive: Drive) -> None:
    pipeline = Pipeline(engine)
    pipeline.push(drive(1, 3))
    (event,) = pipeline.apply(Action("note", text="smell of fuel", at=1_500_000_000))
    assert isinstance(event, NoteWritten)
    assert event.time == pipeline.time and (event.text, event.at) == ("smell of fuel", 1.5)


def test_the_history_keeps_each_tenth_tick_whatever_the_cutting(engine: Profile, drive: Drive) -> None:
    batch = drive(2, 20)
    kept = []
    for size in (11, 100_000):
        history = History(engine, every=100_000_000, keep=None)
        pipeline = Pipeline(engine, [history])
        for piece in cut(batch, range(0, len(batch), size)):
            pipeline.push(piece)
        pipeline.finish()
        times, values = history.window(["engine_speed", "lambda_ratio"], 0, 30_000_000_000)
        assert times.tolist() == [k * 100_000_000 for k in range(len(times))]
        kept.append(values)
    np.testing.assert_array_equal(kept[0], kept[1])


def test_a_bounded_history_keeps_at_least_what_it_promises(engine: Profile, drive: Drive) -> None:
    history = History(engine, every=50_000_000, keep=5_000_000_000)
    pipeline = Pipeline(engine, [history])
    batch = drive(2, 120)
    for piece in cut(batch, range(0, len(batch), 500)):
        pipeline.push(piece)
    start, stop = history.span
    assert 5_000_000_000 <= stop - start <= 80_000_000_000


def test_a_loss_is_told_at_its_row_and_silence_makes_channels_missed(engine: Profile) -> None:
    start = 1_760_000_000_000_000_000
    rows = [SampleBatch(np.array([start + at * 100_000_000], np.int64), (), {}, True) for at in range(80)]
    rows.insert(30, SampleBatch(rows[29].time, (), {"frames lost before livewatch could read them": 7}, True))
    events = [json.loads(line) for line in log_of(engine, rows)[:-1]]
    (told,) = [event for event in events if event["event"] == "oddity"]
    assert (told["time"], told["counts"]) == (2.89, {"frames lost before livewatch could read them": 7})
    assert [event["subject"] for event in events if event.get("transition") == "raised"] == ["bus silent: engine"]
    assert events[-1]["rows"] == 0, "none of them was received"


def heard_in_silence(batch: FrameBatch, moments: Iterable[float]) -> list[FrameBatch | SampleBatch]:
    """The same drive as a live run takes it, which at these `moments`, s, hears that nothing more has come."""
    pieces: list[FrameBatch | SampleBatch] = []
    start = 0
    for moment in sorted(moments):
        stamp = batch.time[0] + round(moment * 1e9)
        stop = int(np.searchsorted(batch.time, stamp, side="right"))
        pieces += [batch[start:stop], SampleBatch(np.array([stamp], np.int64), (), {}, True)]
        start = stop
    return [*pieces, batch[start:]]


@settings(max_examples=5, deadline=None)
@given(
    seed=st.integers(0, 1000),
    places=st.lists(st.integers(0, 4000), max_size=20),
    moments=st.lists(st.floats(0.01, 21.5), max_size=20),
)
@example(seed=0, places=[], moments=[at / 100 for at in [*range(480, 560), *range(800, 1060), 1620]])
def test_frames_of_another_car_are_an_alarm_of_their_own_that_names_them_however_they_are_cut(
    engine: Profile, drive: Drive, seed: int, places: list[int], moments: list[float]
) -> None:
    batch = drive(seed, 22)
    time = (batch.time - batch.time[0]) / 1e9
    second = time.astype(int)
    identifier, flags = batch.identifier.copy(), batch.flags.copy()
    identifier[(time > 3.2) & (time < 3.3)] = 0x222
    identifier[(time > 3.6) & (time < 3.7)] = 0x4A0
    flags[identifier < 0x800] = 0
    # The engine's frames become those of something else for four seconds; then nothing comes for as long. Afterwards
    # both come together and stop together.
    other = (second >= 4) & (second < 8)
    identifier[other] = np.where(identifier[other] == 0x100, 0x321, 0x18DAF1C0)
    identifier[(second >= 12) & (second < 15) & (np.arange(len(time)) % 5 == 0)] = 0x321
    silent = (second >= 8) & (second < 12) | (second >= 15) & (second < 19)
    batch = replace(batch, identifier=identifier, flags=flags)[~silent]
    whole = log_of(engine, [batch])
    assert log_of(engine, cut(batch, [place for place in places if place < len(batch)])) == whole
    assert log_of(engine, heard_in_silence(batch, moments)) == whole
    alarms = [json.loads(line) for line in whole[:-1] if '"alarm"' in line]
    told = [alarm for alarm in alarms if alarm["subject"].endswith(": engine")]
    assert [(alarm["subject"], alarm["transition"]) for alarm in told] == [
        ("other frames only: engine", "raised"),
        ("bus silent: engine", "raised"),
        ("other frames only: engine", "returned to normal"),
        ("bus silent: engine", "returned to normal"),
        ("bus silent: engine", "raised"),
        ("bus silent: engine", "returned to normal"),
    ]
    assert told[0]["message"].endswith(" Heard: 321, 4A0, 18DAF1C0."), "in the last two seconds"
    # The other frames count for two seconds, up to and including; then half a second of silence.
    since = np.floor((time[second < 8][-1] + 2) * 100) / 100 + 0.01
    assert told[1]["time"] == told[2]["time"] == pytest.approx(since + 0.5, abs=1e-6)
