"""Turns of the threads of a live run: one at a time, and nobody waits for a thread that hangs."""

from __future__ import annotations

import threading

from livewatch.sources.live.turn import Turn


def test_one_works_at_a_time_while_turns_are_short():
    turn = Turn()
    at_work, most = 0, 0
    count = threading.Lock()

    def work() -> None:
        nonlocal at_work, most
        for _ in range(200):
            with turn.taken():
                with count:
                    at_work += 1
                    most = max(most, at_work)
                with count:
                    at_work -= 1

    threads = [threading.Thread(target=work) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert most == 1


def test_who_has_waited_long_goes_on_without_the_turn_and_does_not_give_away_what_it_never_had():
    turn = Turn()
    holding, release = threading.Event(), threading.Event()

    def hang() -> None:
        with turn.taken():
            holding.set()
            release.wait()

    hung = threading.Thread(target=hang)
    hung.start()
    holding.wait()
    passed = 0
    for _ in range(3):
        with turn.taken():
            passed += 1
    assert passed == 3
    assert turn._lock.locked(), "still the hung thread's"
    release.set()
    hung.join()
    with turn.taken():
        assert turn._lock.locked()
    assert not turn._lock.locked()


def test_a_turn_is_given_back_after_an_error():
    turn = Turn()
    try:
        with turn.taken():
            raise ValueError
    except ValueError:
        pass
    assert not turn._lock.locked()
