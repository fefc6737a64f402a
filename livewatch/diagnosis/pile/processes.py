"""Many recordings in one go, on all cores.

Paths come in; for each a `Diagnosis` comes out, or a `Failure` that says why there is none, in the order of the paths.
What goes wrong with one recording costs no other. The processes share the imports and the profile: each starts once and
takes one recording after the other.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from livewatch.diagnosis.diagnosis import Diagnosis, Terms, diagnose_one, read_baseline
from livewatch.errors import LivewatchError
from livewatch.profile.model import Profile
from livewatch.run.opening import profile_for
from livewatch.run.pool import pool_context, worth
from livewatch.signature.evidence.baseline import Baseline
from livewatch.sources.bus_map import parse_bus_options

if TYPE_CHECKING:
    from concurrent.futures import ProcessPoolExecutor

__all__ = ["FAULT", "Failure", "Pile", "diagnose_pile", "outcome_of", "own_pile", "spread"]

FAULT = 70
"""Exit code of a fault in livewatch itself."""
Progress = Callable[[float], None]
Result = TypeVar("Result")


@dataclass(frozen=True, slots=True)
class Failure:
    """Why there is no diagnosis: in words, and as an exit code."""

    text: str
    exit_code: int


@dataclass(frozen=True, slots=True)
class Pile:
    """By what the recordings of a pile are read.

    Attributes:
        profile: the profile or its name; None takes the one that each session folder carries.
        bus_options: `bus=channel` texts.
        terms: the rest; its buses and baseline are filled in.
        baseline: a drive on matching parts to compare with.
    """

    profile: Profile | str | Path | None
    bus_options: Sequence[str] = ()
    terms: Terms = Terms()  # noqa: RUF009 - it never changes
    baseline: Path | None = None

    def diagnose(self, path: Path, progress: Progress | None = None) -> Diagnosis:
        """One recording.

        Raises:
            LivewatchError: it cannot be diagnosed.
        """
        profile = profile_for(path, self.profile)
        buses = parse_bus_options(self.bus_options, profile)
        terms = replace(self.terms, buses=buses, baseline=self._known_baseline(profile, buses))
        return diagnose_one(path, profile, terms, progress)

    def _known_baseline(self, profile: Profile, buses: dict[str, str]) -> Baseline | None:
        if self.baseline is None:
            return None
        key = (self.baseline, profile.text, tuple(buses.items()))
        if key not in _BASELINES:
            _BASELINES[key] = read_baseline(self.baseline, profile, buses)
        return _BASELINES[key]


_BASELINES: dict[tuple[Path, str, tuple[tuple[str, str], ...]], Baseline] = {}
"""Those read so far by this process."""
_own: Pile | None = None
"""What a process of the pool reads by."""


def diagnose_pile(paths: Sequence[Path], pile: Pile, progress: Progress | None = None) -> Iterator[Diagnosis | Failure]:
    """Diagnose `paths`, several at once where that pays; `progress` is told the share of one read alone, 0..1."""
    processes = worth(paths)
    if processes < 2:
        for path in paths:
            yield outcome_of(partial(pile.diagnose, path, progress), path)
        return
    ready: dict[int, Diagnosis | Failure] = {}
    expected = 0
    for number, outcome in spread(paths, pile, _work, processes):
        ready[number] = outcome
        while expected in ready:
            yield ready.pop(expected)
            expected += 1


def spread(
    paths: Sequence[Path], pile: Pile, work: Callable[[Path], Result], processes: int
) -> Iterator[tuple[int, Result | Failure]]:
    """The place in `paths` and the result of `work` for each, as they are ready. A process that is ended from outside
    takes the others with it: what they had in hand is read once more, each by a process of its own."""
    waiting = dict(enumerate(paths))
    while waiting:
        yield from _until_broken(waiting, pile, work, processes)
        # The pool hands them out in order, so it was among the first of those that wait.
        for number in list(waiting)[:processes]:
            yield number, _alone(waiting.pop(number), pile, work)


def _until_broken(
    waiting: dict[int, Path], pile: Pile, work: Callable[[Path], Result], processes: int
) -> Iterator[tuple[int, Result]]:
    from concurrent.futures import as_completed
    from concurrent.futures.process import BrokenProcessPool

    with _pool(processes, pile) as pool:
        numbers = {}
        try:
            for number, path in waiting.items():
                numbers[pool.submit(work, path)] = number
            for future in as_completed(list(numbers)):
                number = numbers.pop(future)  # what is told is not kept
                with suppress(BrokenProcessPool):
                    result = future.result()
                    del waiting[number]
                    yield number, result
        except BrokenProcessPool:
            pass  # before all were handed out
        finally:
            pool.shutdown(wait=False, cancel_futures=True)  # whoever hears us may have stopped listening


def _alone(path: Path, pile: Pile, work: Callable[[Path], Result]) -> Result | Failure:
    from concurrent.futures.process import BrokenProcessPool

    with _pool(1, pile) as pool:
        try:
            return pool.submit(work, path).result()
        except BrokenProcessPool:
            return Failure(f"{path}: the process that read it was ended from outside", FAULT)


def _pool(processes: int, pile: Pile) -> ProcessPoolExecutor:
    from concurrent.futures import ProcessPoolExecutor  # late: one recording alone needs no process

    return ProcessPoolExecutor(processes, pool_context(), _begin, (pile,))


def _begin(pile: Pile) -> None:
    import signal  # late: of use in a pool only

    global _own
    _own = pile
    signal.signal(signal.SIGINT, signal.SIG_DFL)  # Ctrl-C is for the whole group: end without a word
    threading.Thread(target=_end_with_parent, name="livewatch parent", daemon=True).start()


def _end_with_parent() -> None:
    """A process whose parent was killed would wait for work for ever."""
    from multiprocessing import parent_process
    from multiprocessing.connection import wait

    parent = parent_process()
    if parent is not None:
        wait([parent.sentinel])
        os._exit(FAULT)


def own_pile() -> Pile:
    """What this process of the pool reads by."""
    assert _own is not None
    return _own


def _work(path: Path) -> Diagnosis | Failure:
    pile = own_pile()
    return outcome_of(partial(pile.diagnose, path), path)


def outcome_of(read: Callable[[], Result], path: Path) -> Result | Failure:
    """What `read` gives, or why it gives nothing."""
    try:
        return read()
    except LivewatchError as error:
        return Failure(str(error), error.exit_code)
    except Exception as fault:
        return Failure(f"{path}: a fault in livewatch itself: {type(fault).__name__}: {fault}", FAULT)
