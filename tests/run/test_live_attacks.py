"""A live run under attack, in short: what is announced is true, in time, and the same when replayed.

The long attacks are `tests/benchmarks/live_attacks.py`, which prints and holds the lags.
"""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.waiting import free_udp_port, until

if sys.platform != "linux":
    pytest.skip("signals, pseudo-terminals and buses between programs as Linux has them", allow_module_level=True)

sys.path.insert(0, str(Path(__file__).parent))

from attacking import Ended, Screen, Server, Traffic, lines_of, replayed  # type: ignore[import-not-found]


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    with Server(tmp_path_factory.mktemp("attacks")) as running:
        yield running


def same(server: Server, ended: Ended) -> list[str]:
    """The log, which is that of a replay, in a folder that was closed."""
    assert ended.folder is not None
    log = lines_of(ended.folder)
    assert log == replayed(ended.folder, server.folder)
    assert '"state": "ended"' in (ended.folder / "manifest.json").read_text()
    return log


@pytest.fixture
def port() -> int:
    return free_udp_port()


def test_a_run_that_stands_still_falsifies_nothing(server: Server, port: int) -> None:
    with Traffic(port), server.watching(port) as run:
        run.until_announced()
        run.stall(1.5)
        run.until_announced(len(run.announced) + 4)
    log = same(server, run.ended)
    assert not any("silent" in line or '"clock"' in line or "earlier" in line for line in log)
    assert run.ended.code == 128 + signal.SIGTERM


def test_a_disk_that_hangs_delays_no_alarm_and_each_says_that_it_is_not_there_yet(server: Server, port: int) -> None:
    with Traffic(port), server.watching(port) as run:
        run.until_announced(2)
        run.begin("hang")
        until(lambda: len([what for _, _, there, what in run.announced if not there]) >= 6)
        run.end("hang")
        until(lambda: "On the disk now: " in run.stdout)
    same(server, run.ended)
    assert "(not yet on the disk)" in run.ended.stdout


def test_a_folder_that_is_deleted_is_told_at_once_in_the_log_in_the_exit_code_and_at_the_end(
    server: Server, port: int, delete_in_use: Callable[[Path], None]
) -> None:
    with Traffic(port), server.watching(port) as run:
        run.until_announced(2)
        assert run.folder is not None
        delete_in_use(run.folder)
        until(lambda: run.logged("removed"))
    assert run.ended.code == 6
    assert "it is not whole: " in run.ended.stdout.splitlines()[-1]


def test_a_pipe_that_nobody_reads_any_more_ends_the_run_in_order(server: Server, port: int) -> None:
    path = server.folder / "pipe"
    os.mkfifo(path)
    reading = os.open(path, os.O_RDONLY | os.O_NONBLOCK)
    with Traffic(port, garbage=400), server.watching(port, str(path)) as run:
        run.until_announced(2)
        os.close(reading)
        run.asked = True
    log = same(server, run.ended)
    assert run.ended.code == 128 + signal.SIGPIPE
    assert run.ended.stderr.startswith("The session folder is ") and run.ended.stderr.endswith(", all there were.\n")
    assert any("messages of an adapter that make no sense" in line for line in log), "told, and in the replay as well"


def test_a_bus_that_is_silent_from_the_start_raises_an_alarm(server: Server, port: int) -> None:
    with server.watching(port) as run:
        run.until_announced()
    log = same(server, run.ended)
    assert any("bus silent: engine" in line and "raised" in line for line in log)


@pytest.mark.parametrize("signals", ["heard", "ignored"])
def test_a_terminal_that_goes_away_under_the_dashboard_leaves_a_whole_recording(
    server: Server, port: int, signals: str
) -> None:
    with Screen() as screen, Traffic(port):
        with server.watching(port, screen.name, screen=True, hangup_ignored=signals == "ignored") as run:
            run.until_announced(2)
            screen.lose()
            run.asked = True
        same(server, run.ended)
        assert run.ended.code == 128 + signal.SIGHUP


def test_the_dashboard_asked_to_end_says_what_was_kept_where_it_stood(server: Server, port: int) -> None:
    with Screen() as screen, Traffic(port):
        with server.watching(port, screen.name, screen=True) as run:
            run.until_announced(2)
            screen.until_shown("I have read this")
        same(server, run.ended)
        assert run.ended.code == 128 + signal.SIGTERM
        screen.until_shown("all there were.")
        assert f"The session folder is {run.ended.folder}: " in screen.shown


def test_a_clock_that_is_set_ahead_is_told_and_is_no_silence(server: Server, port: int) -> None:
    with Traffic(port), server.watching(port) as run:
        run.until_announced()
        run.begin("ahead")
        until(lambda: run.logged("the source's clock was set ahead"))
        run.until_announced(len(run.announced) + 2)
    log = same(server, run.ended)
    assert any('"clock"' in line and "jumped ahead" in line for line in log)
    assert any("times the source's clock was set ahead" in line for line in log)
    assert not any("bus silent" in line or "lost" in line for line in log), "the frames went on coming"
