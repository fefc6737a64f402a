"""The same pile spread by dask: the same rows, also when a worker is killed while it reads."""

from __future__ import annotations

import os
import shutil
import signal
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from livewatch import Pile, PileWork, UsageError
from livewatch.commands.cli import main
from livewatch.profile import load_profile
from livewatch.profile.shipped import find_profile
from livewatch.simulator import Scenario, simulate
from livewatch.simulator.bus_frames import broadcast
from livewatch.sources.recordings.candump.line_writer import format_candump

if TYPE_CHECKING:
    from distributed import LocalCluster


@pytest.fixture(scope="module")
def cluster() -> Iterator[LocalCluster]:
    from distributed import LocalCluster

    with LocalCluster(
        n_workers=2, threads_per_worker=1, host="127.0.0.1", dashboard_address="127.0.0.1:0", silence_logs=50
    ) as made:
        yield made


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Eight recordings of three seconds, no two the same, and one that is none."""
    folder = tmp_path_factory.mktemp("pile")
    profile = load_profile(find_profile("brackwell_20t"))
    drive = simulate(Scenario(car="brackwell_20t", route="mixed", duration=3, seed=2100))
    lines = b"".join(format_candump(batch) for batch in broadcast(drive, profile)).splitlines(keepends=True)
    for number in range(8):
        (folder / f"{number}.log").write_bytes(b"".join(lines[: len(lines) - 40 * number]))
    (folder / "none.log").write_text("no frames\n")
    return folder


def test_with_a_worker_killed_in_mid_run_it_is_the_table_of_one_machine(
    folder: Path, cluster: LocalCluster, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(folder.parent)
    paths = [Path(folder.name) / path.name for path in sorted(folder.iterdir())]
    alone = {told.number: told.row for told in PileWork(paths, Pile("brackwell_20t")).rows()}
    spread = {}
    for told in PileWork(paths, Pile("brackwell_20t")).rows(cluster.scheduler_address):
        spread[told.number] = told.row
        if len(spread) == 2:
            os.kill(next(iter(cluster.workers.values())).pid, signal.SIGKILL)
    assert spread == alone
    assert sorted(row.verdict for row in alone.values()) == ["not read"] + ["unproven"] * 8


def test_the_command_gives_the_same_file_over_the_cluster(folder: Path, cluster: LocalCluster, tmp_path: Path) -> None:
    command = ["diagnose", str(folder), "-p", "brackwell_20t", "--table"]
    assert main([*command, str(tmp_path / "here.csv")]) == 4
    assert main([*command, str(tmp_path / "there.csv"), "--scheduler", cluster.scheduler_address]) == 4
    assert (tmp_path / "here.csv").read_bytes() == (tmp_path / "there.csv").read_bytes()


def test_a_scheduler_that_is_not_there_is_said_to_be_missing(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("livewatch.diagnosis.pile.work.PATIENCE", "0.2s")
    with pytest.raises(UsageError, match="no dask scheduler answers there"):
        list(PileWork([folder / "0.log"], Pile("brackwell_20t")).rows("tcp://127.0.0.1:9"))


def test_a_copy_of_a_pile_elsewhere_is_known(folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("LIVEWATCH_CACHE", str(tmp_path / "kept"))
    copy = Path(shutil.copytree(folder, tmp_path / "copy"))
    for place, known in ((folder, 0), (copy, 8)):
        told = list(PileWork(sorted(place.glob("*.log")), Pile("brackwell_20t")).rows())
        assert sum(one.is_known for one in told) == known
        assert {Path(one.row.recording).parent for one in told} == {place}
