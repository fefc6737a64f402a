"""A pile read through: a row for each recording, on the cores of this machine or on many machines.

Recordings and a `Pile` come in; `Told` rows come out as they are ready: first those that are known from an earlier
run, then the others. Order and place of the work change no row. A recording that cannot be read has a row that says so.

Over machines the work is spread by `dask.distributed`: `scheduler` is the address of its scheduler, the recordings lie
at the same paths on each machine, and each has this version of livewatch. A worker that goes away costs time, no row.

Where reports are wanted, whoever read a recording makes its report, and it is written here; a recording whose report is
there already, made from the same content by the same livewatch, is not read again.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Generator, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

from livewatch.data.kept import write_whole
from livewatch.diagnosis.diagnosis import Diagnosis
from livewatch.diagnosis.pile.memory import PileMemory
from livewatch.diagnosis.pile.processes import FAULT, Failure, Pile, outcome_of, own_pile, spread
from livewatch.diagnosis.pile.row import PileRow, row_of, unread_row
from livewatch.errors import UsageError
from livewatch.profile import load_profile
from livewatch.profile.model import Profile
from livewatch.run.pool import cores, size_of, worth
from livewatch.version import __version__

__all__ = ["PileWork", "Reports", "Told"]

PATIENCE = "20s"
"""For a scheduler to answer."""


@dataclass(frozen=True, slots=True)
class Told:
    """A row, its place among the recordings, about how many bytes were read for it, and whether an earlier run did; the
    file of its report, and why there is none although one was wanted."""

    number: int
    row: PileRow
    size: int
    is_known: bool
    report: Path | None = None
    problem: str = ""


@dataclass(frozen=True, slots=True)
class Reports:
    """`make` the report of a diagnosis, a text; they are kept in `folder`. `make` is known by its name to every process
    and machine."""

    make: Callable[[Diagnosis], str]
    folder: Path


@dataclass(frozen=True, slots=True)
class _Read:
    """What became of one recording: a row, and its report or why there is none."""

    row: PileRow
    report: str = ""
    problem: str = ""


class PileWork:
    """What is to be read, and what of it is known already.

    Args:
        recordings: their paths.
        pile: by what they are read.
        reports: which are wanted; None for none.

    Raises:
        LivewatchError: the profile or the baseline cannot be read.
    """

    def __init__(self, recordings: Sequence[Path], pile: Pile, reports: Reports | None = None) -> None:
        if pile.profile is not None and not isinstance(pile.profile, Profile):
            # Resolved once, so that every process and machine reads by the same.
            pile = replace(pile, profile=load_profile(pile.profile))
        self.recordings = tuple(recordings)
        self._pile = pile
        self._memory = PileMemory(pile)
        self._reports = reports

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
        found_by = self._memory.keeps or self._reports is not None
        keys = self._keys() if found_by else [""] * len(self.recordings)
        sizes = [size_of(path) for path in self.recordings]
        known = [self._memory.recall(key, path) for key, path in zip(keys, self.recordings, strict=True)]
        files = [self._report_file(key, path) for key, path in zip(keys, self.recordings, strict=True)]
        known = [row if file is None or file.is_file() else None for row, file in zip(known, files, strict=True)]
        # The longest first: else it may be the last, and the other cores would wait for it.
        left = sorted((number for number, row in enumerate(known) if row is None), key=lambda number: -sizes[number])
        if looked is not None:
            looked(sum(sizes[number] for number in left))
        for number, row in enumerate(known):
            if row is not None:
                yield Told(number, row, sizes[number], True, files[number])
        paths = [self.recordings[number] for number in left]
        for place, outcome in self._read(paths, scheduler) if paths else ():
            number = left[place]
            read = outcome if isinstance(outcome, _Read) else _unread(outcome, self.recordings[number])
            self._memory.keep(keys[number], read.row)
            report, problem = self._written(files[number], read)
            yield Told(number, read.row, sizes[number], False, report, problem)
        self._memory.forget()

    def _keys(self) -> list[str]:
        """By what each recording is found in the memory. All bytes are read for it, which threads do side by side."""
        from concurrent.futures import ThreadPoolExecutor

        with ThreadPoolExecutor(cores()) as pool:
            return list(pool.map(self._memory.key_of, self.recordings))

    def _report_file(self, key: str, recording: Path) -> Path | None:
        """Where the report of this content is kept; None where none is wanted, or the recording cannot be read."""
        if self._reports is None or not key:
            return None
        name = re.sub(r"[^A-Za-z0-9]+", "_", recording.name.split(".")[0])[:60].strip("_") or "recording"
        return self._reports.folder / f"{name}-{key[:12]}.html"

    def _written(self, file: Path | None, read: _Read) -> tuple[Path | None, str]:
        if file is None or read.problem or not read.report:
            return None, read.problem
        try:
            write_whole(file, read.report.encode("utf-8", "backslashreplace"))
        except OSError as error:
            return None, f"{file}: the report cannot be written: {error.strerror or error}"
        return file, ""

    def _read(self, paths: Sequence[Path], scheduler: str | None) -> Iterator[tuple[int, _Read | Failure]]:
        make = None if self._reports is None else self._reports.make
        if scheduler is not None:
            return _over_machines(paths, self._pile, make, scheduler)
        processes = worth(paths)
        if processes > 1:
            return spread(paths, self._pile, partial(_work, make=make), processes)
        return ((number, _read_one(path, self._pile, make)) for number, path in enumerate(paths))


def _unread(failure: Failure, path: Path) -> _Read:
    return _Read(unread_row(str(path), failure.text, failure.exit_code))


def _work(path: Path, make: Callable[[Diagnosis], str] | None = None) -> _Read | Failure:
    """What a process of the pool does."""
    return _read_one(path, own_pile(), make)


def _read_one(path: Path, pile: Pile, make: Callable[[Diagnosis], str] | None) -> _Read | Failure:
    diagnosis = outcome_of(lambda: pile.diagnose(path), path)
    if isinstance(diagnosis, Failure):
        return diagnosis
    row = row_of(diagnosis)
    if make is None:
        return _Read(row)
    report = outcome_of(lambda: make(diagnosis), path)
    return _Read(row, "", report.text) if isinstance(report, Failure) else _Read(row, report)


def _far_row(path: str, pile: Pile, make: Callable[[Diagnosis], str] | None) -> tuple[str, _Read | Failure]:
    """What a worker on another machine does; with its version."""
    return __version__, _read_one(Path(path), pile, make)


def _over_machines(
    paths: Sequence[Path], pile: Pile, make: Callable[[Diagnosis], str] | None, address: str
) -> Iterator[tuple[int, _Read | Failure]]:
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
        work = partial(_far_row, pile=pile, make=make)
        futures = client.map(work, [str(path.absolute()) for path in paths], pure=False)
        numbers = {future.key: number for number, future in enumerate(futures)}
        waiting = cluster.as_completed(futures, loop=client.loop)
        del futures
        for future in waiting:
            yield numbers[future.key], _far_outcome(future, paths[numbers[future.key]])


def _far_outcome(future: Any, path: Path) -> _Read | Failure:
    try:
        version, outcome = future.result()
    except Exception as error:  # whatever the cluster made of it
        return Failure(f"{path}: no worker brought it back: {type(error).__name__}: {error}", FAULT)
    if version != __version__:
        return Failure(f"{path}: a worker has livewatch {version}, this is {__version__}; expected the same", FAULT)
    if isinstance(outcome, _Read):
        return replace(outcome, row=replace(outcome.row, recording=str(path)))
    assert isinstance(outcome, Failure)
    return Failure(outcome.text.replace(str(path.absolute()), str(path)), outcome.exit_code)
