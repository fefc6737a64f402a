"""Data time from time stamps that may go back, jump ahead or arrive late."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from livewatch.data.clock import GAP_KEPT, GAP_LIMIT, LATE_LIMIT, MOST_SILENCE, MOST_STEPS, Clock

START = 1_700_000_000_000_000_000
SECOND = 1_000_000_000


def stamps(*seconds: float) -> np.ndarray:
    return np.array([START + round(second * SECOND) for second in seconds], np.int64)


def test_data_time_counts_from_the_first_row() -> None:
    mapped, late, steps = Clock().push(stamps(0, 0.5, 0.5, 3))
    assert mapped.tolist() == [0, SECOND // 2, SECOND // 2, 3 * SECOND]
    assert not late.any() and steps == []


def test_a_row_late_by_up_to_a_second_takes_the_newest_time_and_is_marked() -> None:
    clock = Clock()
    mapped, late, steps = clock.push(stamps(0, 2, 1, 2.5))
    assert mapped.tolist() == [0, 2 * SECOND, 2 * SECOND, 5 * SECOND // 2]
    assert late.tolist() == [False, False, True, False] and steps == []


@pytest.mark.parametrize(("back", "told"), [(LATE_LIMIT, False), (LATE_LIMIT + 1, True)])
def test_a_clock_set_back_by_more_than_a_second_is_told_and_data_time_goes_on(back: int, told: bool) -> None:
    clock = Clock()
    time = np.array([START, START + 10 * SECOND, START + 10 * SECOND - back, START + 11 * SECOND - back], np.int64)
    mapped, _, steps = clock.push(time)
    assert len(steps) == told
    if told:
        assert mapped.tolist() == [0, 10 * SECOND, 10 * SECOND, 11 * SECOND]
        assert (steps[0].row, steps[0].step, steps[0].utc) == (2, -back, START + 10 * SECOND - back)
    else:
        assert mapped.tolist() == [0, 10 * SECOND, 10 * SECOND, 10 * SECOND]


@pytest.mark.parametrize(("gap", "told"), [(GAP_LIMIT, False), (GAP_LIMIT + 1, True)])
def test_a_jump_of_more_than_an_hour_is_told_and_shortened_to_a_minute(gap: int, told: bool) -> None:
    clock = Clock()
    mapped, _, steps = clock.push(np.array([START, START + gap, START + gap + SECOND], np.int64))
    kept = GAP_KEPT if told else gap
    assert mapped.tolist() == [0, kept, kept + SECOND]
    assert [step.step for step in steps] == ([gap] if told else [])


def test_the_source_clock_is_known_again_at_any_data_time() -> None:
    clock = Clock()
    clock.push(stamps(0, 10, 2, 5))
    at = clock.utc(np.array([0, 10 * SECOND, 11 * SECOND, 13 * SECOND], np.int64))
    assert at.tolist() == stamps(0, 10, 3, 5).tolist()


def test_silence_passes_up_to_the_given_time_and_never_goes_back() -> None:
    clock = Clock()
    clock.push(stamps(0, 1))
    clock.advance(int(stamps(4)[0]))
    assert clock.latest == 4 * SECOND
    clock.advance(int(stamps(2)[0]))
    assert clock.latest == 4 * SECOND


def test_a_recording_whose_clock_steps_at_every_row_is_read_in_linear_time() -> None:
    rows = 5000
    time = START + (np.arange(rows, dtype=np.int64) % 2) * 7200 * SECOND
    mapped, late, steps = Clock().push(time)
    assert len(steps) == MOST_STEPS
    assert late.sum() == rows - 1 - MOST_STEPS
    assert (np.diff(mapped) >= 0).all()
    assert mapped[-1] < 2 * MOST_SILENCE, "two merged clocks are no hours of driving"


def test_rows_an_hour_apart_each_are_not_days_of_silence() -> None:
    time = START + np.arange(2000, dtype=np.int64) * 3500 * SECOND
    mapped, late, steps = Clock().push(time)
    assert mapped[:2].tolist() == [0, 3500 * SECOND], "an hour of silence passes as it is"
    assert mapped[-1] < 2 * MOST_SILENCE
    assert len(steps) == MOST_STEPS
    assert late.sum() == 2000 - 2 - MOST_STEPS


jumps = st.one_of(
    st.integers(-3 * SECOND, 3 * SECOND), st.sampled_from([-LATE_LIMIT, GAP_LIMIT, GAP_LIMIT + 5, -(10**13), 10**13])
)


@given(st.lists(jumps, min_size=1, max_size=60), st.data())
def test_any_cutting_of_any_time_stamps_gives_the_same_data_time(moves: list[int], data: st.DataObject) -> None:
    time = START + np.cumsum(np.array(moves, np.int64))
    whole_clock = Clock()
    whole, whole_late, whole_steps = whole_clock.push(time)
    assert (np.diff(whole) >= 0).all()
    cuts = sorted(data.draw(st.lists(st.integers(0, len(time)), max_size=6)))
    clock, mapped, late, steps = Clock(), [], [], []
    for low, high in zip([0, *cuts], [*cuts, len(time)], strict=True):
        part, part_late, part_steps = clock.push(time[low:high])
        mapped.extend(part.tolist())
        late.extend(part_late.tolist())
        steps.extend((step.row + low, step.time, step.utc, step.step) for step in part_steps)
    assert mapped == whole.tolist()
    assert late == whole_late.tolist()
    assert steps == [(step.row, step.time, step.utc, step.step) for step in whole_steps]
    assert clock.latest == whole_clock.latest


def test_no_time_passes_over_a_step_that_a_live_run_has_said_however_the_rows_are_cut() -> None:
    second = 1_000_000_000
    for cuts in ((), (1,), (1, 2)):
        clock = Clock()
        clock.push(np.array([5, 6]) * second)
        clock.expect_step()
        found, steps = [], []
        for piece in np.split(np.array([46, 47, 57]) * second, cuts):
            time, late, stepped = clock.push(piece)
            assert not late.any()
            found += time.tolist()
            steps += stepped
        assert found == [1 * second, 2 * second, 12 * second], "the later gap is silence"
        assert [(step.time, step.step) for step in steps] == [(1 * second, 40 * second)]
