"""Items made one step ahead in another thread arrive as if they were not."""

from __future__ import annotations

import threading
from collections.abc import Generator, Iterator

import pytest

from livewatch.sources.recordings.read_ahead import ahead


def readers() -> int:
    return sum(thread.name == "livewatch-read" for thread in threading.enumerate())


def test_the_order_is_kept() -> None:
    assert list(ahead(iter(range(1000)))) == list(range(1000))


def test_what_goes_wrong_comes_after_what_was_made_before_it() -> None:
    def items() -> Iterator[int]:
        yield from range(10)
        raise OSError("the disk went away")

    made = ahead(items())
    assert [next(made) for _ in range(10)] == list(range(10))
    with pytest.raises(OSError, match="the disk went away"):
        next(made)


def test_leaving_off_early_ends_the_thread_and_closes_what_it_read() -> None:
    closed = threading.Event()

    def items() -> Generator[int]:
        try:
            number = 0
            while True:
                yield number
                number += 1
        finally:
            closed.set()

    before = readers()
    made = items()
    for number in ahead(made):
        if number == 5:
            break
    # The generator of a for loop that was left is closed at once in CPython.
    assert readers() == before
    made.close()
    assert closed.is_set()


def test_nothing_is_made_far_ahead_of_what_is_asked_for() -> None:
    made: list[int] = []

    def items() -> Iterator[int]:
        for number in range(100):
            made.append(number)
            yield number

    iterator = ahead(items())
    next(iterator)
    threading.Event().wait(0.3)
    assert len(made) <= 7
    iterator.close()  # type: ignore[attr-defined]
