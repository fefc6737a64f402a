"""A snapshot is made in the thread that judges; what the signature finds is found elsewhere, of the drive as it was."""

from __future__ import annotations

import time
from collections.abc import Callable
from concurrent.futures import Executor, Future
from typing import Any

from livewatch.dashboard.content.signature_view import view_of
from livewatch.dashboard.content.snapshot import VerdictSoFar
from livewatch.dashboard.content.snapshot_maker import SnapshotMaker
from livewatch.profile import load_profile
from livewatch.profile.shipped import find_profile, shipped_folder
from livewatch.run.history import History
from livewatch.run.opening import open_source
from livewatch.run.run import Run


class Later(Executor):
    """Keeps what is handed in until it is told to do it."""

    def __init__(self) -> None:
        self.kept: list[tuple[Callable[..., Any], Future[Any]]] = []

    def submit(self, call: Callable[..., Any], /, *arguments: Any, **options: Any) -> Future[Any]:
        done: Future[Any] = Future()
        self.kept.append((lambda: call(*arguments, **options), done))
        return done

    def work(self) -> None:
        """Do the first."""
        call, done = self.kept.pop(0)
        if done.set_running_or_notify_cancel():
            done.set_result(call())


def test_a_snapshot_does_not_wait_for_what_the_signature_finds_and_shows_it_as_it_was_when_it_was_asked() -> None:
    profile = load_profile(find_profile("linden_16"))
    run, later = Run(profile, history=History(profile)), Later()
    maker = SnapshotMaker(None, None, later)
    batches = list(open_source(shipped_folder("replay_data") / "vacuum_leak.log.gz", profile, {}).batches(2000))
    half = len(batches) // 2
    for batch in batches[:half]:
        run.push(batch)
    first = maker.make(run)
    asked = view_of(run.signature.finding(), profile)
    for batch in batches[half:]:
        run.push(batch)
    now = view_of(run.signature.finding(), profile)
    assert repr(first.verdict) == repr(maker.make(run).verdict) == repr(VerdictSoFar()), "nothing was found yet"
    later.work()
    shown = maker.make(run)
    assert repr((shown.verdict, shown.authority, shown.pulls)) == repr((asked.verdict, asked.authority, asked.pulls))
    assert repr(shown.verdict) != repr(now.verdict), "the drive went on meanwhile"


def test_what_a_replay_left_behind_is_not_shown_where_it_went() -> None:
    profile = load_profile(find_profile("linden_16"))
    run, later = Run(profile, history=History(profile)), Later()
    maker = SnapshotMaker(None, None, later)
    start = run.checkpoint()
    for batch in open_source(shipped_folder("replay_data") / "vacuum_leak.log.gz", profile, {}).batches(2000):
        run.push(batch)
    empty = maker.make(run).verdict
    run.restore(start)
    time.sleep(0.21)
    assert maker.make(run).verdict == empty
    later.work()
    later.work()
    assert maker.make(run).verdict.word == "unproven"
    assert not later.kept, "nothing is looked for again while nothing has changed"
