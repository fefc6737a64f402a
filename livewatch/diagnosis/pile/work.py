"""A pile read through: a row for each recording, on the cores of this machine or on many machines.

Recordings and a `Pile` come in; `Told` rows come out as they are ready: first those that are known from an earlier
run, then the others. Order and place of the work change no row. A recording that cannot be read has a row that says so.

Over machines the work is spread by `dask.distributed`: `scheduler` is the address of its scheduler, the recordings lie
at the same paths on each machine, and each has this version of livewatch. A worker that goes away costs time, no row.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

from livewatch.diagnosis.pile.memory import PileMemory
from livewatch.diagnosis.pile.processes import FAULT, Failure, Pile, outcome_of, own_pile, size_of, spread, worth
from livewatch.diagnosis.pile.row import PileRow, row_of, unread_row
from livewatch.errors import UsageError
from livewatch.profile import load_profile
from livewatch.profile.model import Profile
from livewatch.version import __version__

__all__ = ["PileWork", "Told"]

PATIENCE = "20s"
"""For a scheduler to answer."""


@dataclass(frozen=True, slots=True)
class Told:
    """A row, its place among the recordings, about how many bytes were read for it, and whether an earlier run did."""

    number: int
    row: PileRow
    size: int
    is_known: bool


class PileWork:
    """What is to be read, and what of it is known already.

    Args:
        recordings: their paths.
        pile: by what they are read.

    Raises:
        LivewatchError: the profile or the baseline cannot be read.
    """

    def __init__(self, recordings: Sequence[Path], pile: Pile) -> None:
        if pile.profile is not None and not isinstance(pile.profile, Profile):
            # Resolved once, so that every process and machine reads by the same.
            pile = replace(pile, profile=load_profile(pile.profile))
        self.recordings = tuple(recordings)
        self._pile = pile
        self._memory = PileMemory(pile)

    def rows(
        self, scheduler: str | None = None, looked: Callable[[int], None] | None = None
    ) -> Generator[Told, None, None]:
        """Every row, as they are ready.

        Args:
            scheduler: address of a dask scheduler; None for the cores of this machine.
            looked: told the bytes still to be read, once that is known.

        Raises:
            UsageError: there is no such scheduler, or dask is not installed.
        """
        keys = [self._memory.key_of(path) for path in self.recordings]
        sizes = [size_of(path) for path in self.recordings]
        known = [self._memory.recall(key, path) for key, path in zip(keys, self.recordings, strict=True)]
        left = [number for number, row in enumerate(known) if row is None]
        if looked is not None:
            looked(sum(sizes[number] for number in left))
        for number, row in enumerate(known):
            if row is not None:
                yield Told(number, row, sizes[number], True)
        paths = [self.recordings[number] for number in left]
        for place, outcome in self._read(paths, scheduler) if paths else ():
            number = left[place]
            row = _row(outcome, self.recordings[number])
            self._memory.keep(keys[number], row)
            yield Told(number, row, sizes[number], False)
        self._memory.forget()

    def _read(self, paths: Sequence[Path], scheduler: str | None) -> Iterator[tuple[int, PileRow | Failure]]:
        if scheduler is not None:
            return _over_machines(paths, self._pile, scheduler)
        processes = worth(paths)
        if processes > 1:
            return spread(paths, self._pile, _work, processes)
        return ((number, _read_row(path, self._pile)) for number, path in enumerate(paths))


def _row(outcome: PileRow | Failure, path: Path) -> PileRow:
    return outcome if isinstance(outcome, PileRow) else unread_row(str(path), outcome.text, outcome.exit_code)


def _work(path: Path) -> PileRow | Failure:
    """What a process of the pool does."""
    return _read_row(path, own_pile())


def _read_row(path: Path, pile: Pile) -> PileRow | Failure:
    return outcome_of(lambda: row_of(pile.diagnose(path)), path)


def _far_row(path: str, pile: Pile) -> tuple[str, PileRow | Failure]:
    """What a worker on another machine does; with its version."""
    return __version__, _read_row(Path(path), pile)


def _over_machines(paths: Sequence[Path], pile: Pile, address: str) -> Iterator[tuple[int, PileRow | Failure]]:
    try:
        import distributed
    except ModuleNotFoundError:
        raise UsageError('--scheduler needs dask: pip install "livewatch[cluster]"') from None
    cluster: Any = distributed  # it has no types
    try:
        client = cluster.Client(address, timeout=PATIENCE, set_as_default=False)
    except (OSError, ValueError, TimeoutError) as error:
        raise UsageError(
            f"--scheduler {address}: no dask scheduler answers there ({type(error).__name__}); expected for example "
            "tcp://192.0.2.7:8786"
        ) from None
    with client:
        work = partial(_far_row, pile=pile)
        futures = client.map(work, [str(path.absolute()) for path in paths], pure=False)
        numbers = {future.key: number for number, future in enumerate(futures)}
        waiting = cluster.as_completed(futures, loop=client.loop)
        del futures
        for future in waiting:
            yield numbers[future.key], _far_outcome(future, paths[numbers[future.key]])


def _far_outcome(future: Any, path: Path) -> PileRow | Failure:
    try:
        version, outcome = future.result()
    except Exception as error:  # whatever the cluster made of it
        return Failure(f"{path}: no worker brought it back: {type(error).__name__}: {error}", FAULT)
    if version != __version__:
        return Failure(f"{path}: a worker has livewatch {version}, this is {__version__}; expected the same", FAULT)
    if isinstance(outcome, PileRow):
        return replace(outcome, recording=str(path))
    assert isinstance(outcome, Failure)
    return Failure(outcome.text.replace(str(path.absolute()), str(path)), outcome.exit_code)
