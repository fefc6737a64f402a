"""Samples held onto ticks, compared with the plainest possible holding, one tick at a time."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from livewatch.data.clock import Clock
from livewatch.data.samples import Quality, SampleColumn
from livewatch.data.ticks import TickBatch
from livewatch.profile.formula.compile import compile_formula
from livewatch.profile.formula.run import Program
from livewatch.profile.model import Channel, Profile, TableMapping
from livewatch.run.grid import Grid

MS = 1_000_000


def profile(*stale_after_ms: int) -> Profile:
    channels = tuple(Channel(f"channel_{i}", "1", stale_after=stale * MS) for i, stale in enumerate(stale_after_ms))
    return Profile(
        "test", {}, (), (), channels, (), {}, None, TableMapping(), (), 10 * MS, 1000 * MS, {}, ""
    )  # fmt: skip


def column(channel: int, rows: list[int], values: list[float], quality: Quality = Quality.GOOD) -> SampleColumn:
    return SampleColumn(
        channel, np.array(rows, np.int64), np.array(values, float), np.full(len(rows), quality, np.uint8)
    )


def ticks_of(grid: Grid, clock: Clock, until: int) -> TickBatch:
    (batch,) = grid.ticks(until, clock)
    return batch


def started_clock() -> Clock:
    clock = Clock()
    clock.push(np.array([0], np.int64))
    return clock


def test_a_sample_is_held_from_the_first_tick_at_or_after_it() -> None:
    grid, clock = Grid(profile(1000)), started_clock()
    grid.add([column(0, [0, 1], [5.0, 6.0])], np.array([10 * MS, 10 * MS + 1], np.int64))
    ticks = ticks_of(grid, clock, 30 * MS)
    assert np.isnan(ticks.value[0, 0]) and ticks.quality[0, 0] == Quality.NEVER_SEEN
    assert ticks.value[0, 1:].tolist() == [5.0, 6.0]


@pytest.mark.parametrize(("stale_after", "words"), [(20, ["good", "good", "good", "stale"])])
def test_a_value_is_good_to_the_tick_of_its_age_limit_and_stale_after_it(stale_after: int, words: list[str]) -> None:
    grid, clock = Grid(profile(stale_after)), started_clock()
    grid.add([column(0, [0], [7.0])], np.array([0], np.int64))
    ticks = ticks_of(grid, clock, 40 * MS)
    assert [Quality(q).word for q in ticks.quality[0]] == words
    assert np.isnan(ticks.value[0, 3]), "a stale value is never judged"
    assert ticks.held[0, 3] == 7.0
    assert ticks.age[0].tolist() == pytest.approx([0, 0.01, 0.02, 0.03])


@pytest.mark.parametrize(("received", "stale"), [((0,), 99), ((0, 990), 98), ((0, 984), 98)])
def test_among_many_ticks_a_value_that_is_stale_at_one_of_them_is_stale_there(
    received: tuple[int, ...], stale: int
) -> None:
    """At the last tick before the next one comes, or at the last of all."""
    grid, clock = Grid(profile(stale * 10 - 10)), started_clock()
    grid.add([column(0, list(range(len(received))), [7.0] * len(received))], np.array(received, np.int64) * MS)
    ticks = ticks_of(grid, clock, 1000 * MS)
    assert np.flatnonzero(ticks.quality[0] == Quality.STALE).tolist() == [stale]
    assert np.flatnonzero(np.isnan(ticks.value[0])).tolist() == [stale]


def test_an_invalid_sample_is_unknown_and_stays_invalid_however_old() -> None:
    grid, clock = Grid(profile(20)), started_clock()
    grid.add([column(0, [0], [7.0], Quality.INVALID)], np.array([0], np.int64))
    ticks = ticks_of(grid, clock, 60 * MS)
    assert np.isnan(ticks.value[0]).all()
    assert set(ticks.quality[0].tolist()) == {Quality.INVALID}


sample = st.tuples(
    st.integers(0, 1),
    st.integers(0, 30 * MS),
    st.integers(-5, 5),
    st.sampled_from([Quality.GOOD, Quality.GOOD, Quality.OUT_OF_RANGE, Quality.INVALID]),
)


@given(st.lists(sample, max_size=40), st.data())
def test_any_cutting_of_any_samples_is_held_as_one_tick_at_a_time_would(
    samples: list[tuple[int, int, int, Quality]], data: st.DataObject
) -> None:
    times = np.cumsum([gap for _, gap, _, _ in samples]).astype(np.int64)
    stale = (25 * MS, 60 * MS)
    end = int(times[-1]) + 15 * MS if len(times) else 15 * MS
    expected: dict[tuple[int, int], tuple[int, float, float]] = {}
    for channel in (0, 1):
        for k in range(-(-end // (10 * MS))):
            mine = [i for i in range(len(samples)) if samples[i][0] == channel and times[i] <= k * 10 * MS]
            if not mine:
                expected[channel, k] = (Quality.NEVER_SEEN, float("nan"), float("nan"))
                continue
            _, _, value, quality = samples[mine[-1]]
            age = k * 10 * MS - int(times[mine[-1]])
            if quality == Quality.GOOD and age > stale[channel]:
                quality = Quality.STALE
            expected[channel, k] = (quality, float(value), age / 1e9)

    grid, clock = Grid(profile(25, 60)), started_clock()
    cuts = sorted(data.draw(st.lists(st.integers(0, len(samples)), max_size=5)))
    batches = []
    for low, high in zip([0, *cuts], [*cuts, len(samples)], strict=True):
        columns = []
        for channel in (0, 1):
            rows = [i - low for i in range(low, high) if samples[i][0] == channel]
            if rows:
                qualities = np.array([samples[low + r][3] for r in rows], np.uint8)
                values = np.array([samples[low + r][2] for r in rows], float)
                columns.append(SampleColumn(channel, np.array(rows, np.int64), values, qualities))
        grid.add(columns, times[low:high])
        if high > low:
            batches.extend(grid.ticks(int(times[high - 1]), clock))
    batches.extend(grid.ticks(end, clock))
    seen = 0
    for batch in batches:
        assert batch.first == seen
        for k in range(len(batch)):
            for channel in (0, 1):
                quality, held, age = expected[channel, batch.first + k]
                assert batch.quality[channel, k] == quality
                np.testing.assert_array_equal(batch.held[channel, k], held)
                np.testing.assert_array_equal(batch.age[channel, k], np.float32(age))
                np.testing.assert_array_equal(batch.value[channel, k], held if quality == Quality.GOOD else np.nan)
        seen += len(batch)
    assert seen == -(-end // (10 * MS))


def test_a_span_holds_every_value_of_a_channel_that_is_known_throughout() -> None:
    values = np.random.default_rng(5).normal(0.0, 100.0, 200)
    unknown = np.where(np.arange(200) == 150, np.nan, values)
    grid, clock = Grid(profile(1000, 1000, 1000, 15)), started_clock()
    columns = [column(0, list(range(200)), values.tolist()), column(1, list(range(200)), unknown.tolist())]
    columns += [column(2, [0], [3.0]), column(3, list(range(200)), values.tolist())]
    grid.add(columns, np.arange(200, dtype=np.int64) * 25 * MS)
    first, second = ticks_of(grid, clock, 500 * MS), ticks_of(grid, clock, 5000 * MS)
    assert not first.spans, "of a few ticks nothing is said"
    later = values[19:]
    assert second.spans == {0: (later.min(), later.max())}, "unknown, invalid and stale ones have no span"
    assert np.isnan(second.value[1:]).any(axis=1).all()


@pytest.mark.parametrize("operator", ["<", "<=", ">", ">="])
def test_a_comparison_by_the_span_of_a_channel_is_that_of_each_of_its_values(operator: str) -> None:
    values = np.array([[2.0, 5.0, 3.0, 4.0]])
    for limit in (1.0, 2.0, 3.5, 5.0, 6.0):
        plan = compile_formula(f"a {operator} {limit}", {"a": "1"}).plan
        found = []
        for known in (False, True):
            program = Program({"a": 0}, 10 * MS)
            run = program.start_condition(plan)
            program.begin(values, 0)
            if known:
                program.know(0, True, (2.0, 5.0))
            logic = run.truth(values, 0)
            found.append((logic.true.tolist(), logic.false.tolist()))
        assert found[0] == found[1]
