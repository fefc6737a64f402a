"""Many recordings in one go, on all cores.

Paths come in; for each a `Diagnosis` comes out, or a `Failure` that says why there is none, in the order of the paths.
What goes wrong with one recording costs no other. The processes share the imports and the profile: each starts once and
takes one recording after the other.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from livewatch.diagnosis.diagnosis import Diagnosis, Terms, diagnose_one, profile_for, read_baseline
from livewatch.errors import LivewatchError
from livewatch.profile.model import Profile
from livewatch.signature.evidence.baseline import Baseline
from livewatch.sources.bus_map import parse_bus_options

if TYPE_CHECKING:
    from concurrent.futures import Future, ProcessPoolExecutor

__all__ = ["Failure", "Pile", "diagnose_pile"]

WORTH_A_PROCESS = 4 << 20
"""Bytes of recordings from which starting a process pays; compressed ones count `INFLATED` times."""
INFLATED = 6
FAULT = 70
"""Exit code of a fault in livewatch itself."""
Progress = Callable[[float], None]


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
    processes = min(_worth(paths), os.cpu_count() or 1)
    if processes < 2:
        for path in paths:
            yield _outcome(partial(pile.diagnose, path, progress), path)
        return
    with _pool(processes, pile) as pool:
        waiting = [pool.submit(_work, path) for path in paths]
        for path, future in zip(paths, waiting, strict=True):
            yield _settled(path, future, pile)


def _settled(path: Path, future: Future[Diagnosis | Failure], pile: Pile) -> Diagnosis | Failure:
    from concurrent.futures.process import BrokenProcessPool

    try:
        return future.result()
    except BrokenProcessPool:
        # One process was ended from outside, and all are gone with it: this recording gets one of its own.
        with _pool(1, pile) as pool:
            try:
                return pool.submit(_work, path).result()
            except BrokenProcessPool:
                return Failure(f"{path}: the process that read it was ended from outside", FAULT)


def _worth(paths: Sequence[Path]) -> int:
    """For how many processes there is work."""
    size = 0
    for path in paths:
        with suppress(OSError):  # what cannot be looked at is told when it is read
            files = path.iterdir() if path.is_dir() else [path]
            size += sum(one.stat().st_size * (INFLATED if one.suffix == ".gz" else 1) for one in files if one.is_file())
    return min(len(paths), size // WORTH_A_PROCESS)


def _pool(processes: int, pile: Pile) -> ProcessPoolExecutor:
    import multiprocessing  # late: one recording alone needs no process
    from concurrent.futures import ProcessPoolExecutor

    method = "forkserver" if "forkserver" in multiprocessing.get_all_start_methods() else "spawn"
    context = multiprocessing.get_context(method)
    if method == "forkserver":
        context.set_forkserver_preload([__name__])
    return ProcessPoolExecutor(processes, context, _begin, (pile,))


def _begin(pile: Pile) -> None:
    global _own
    _own = pile


def _work(path: Path) -> Diagnosis | Failure:
    pile = _own
    assert pile is not None
    return _outcome(partial(pile.diagnose, path), path)


def _outcome(diagnose: Callable[[], Diagnosis], path: Path) -> Diagnosis | Failure:
    try:
        return diagnose()
    except LivewatchError as error:
        return Failure(str(error), error.exit_code)
    except Exception as fault:
        return Failure(f"{path}: a fault in livewatch itself: {type(fault).__name__}: {fault}", FAULT)
