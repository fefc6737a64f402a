"""Many recordings in one call: what each alone would give, in order, whatever becomes of the others."""

from __future__ import annotations

import json
import multiprocessing
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from livewatch import Diagnosis, Failure, Pile, diagnose_pile, load_profile
from livewatch.run import pool as module

P = ("-p", "brackwell_20t")
HEAVY = {"asammdf", "can", "cantools", "pandas", "pint", "pyarrow", "pydantic", "rich", "textual", "yaml"}
HEAVY |= {"asyncio", "logging", "multiprocessing", "sqlite3", "tempfile"}


@pytest.fixture
def two_processes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "WORTH_A_PROCESS", 1)
    monkeypatch.setattr(module, "cores", lambda: 2)


def test_processes_give_what_one_gives(
    recording: Path, tmp_path: Path, livewatch: Callable, two_processes: None
) -> None:
    broken = tmp_path / "broken.log"
    broken.write_text("no frames here\n")
    paths = [recording, broken, recording]
    found = list(diagnose_pile(paths, Pile("brackwell_20t")))
    first, failure, last = found
    assert isinstance(first, Diagnosis) and isinstance(failure, Failure) and isinstance(last, Diagnosis)
    assert failure.exit_code == 4 and "no candump frame in it" in failure.text
    alone = json.loads(livewatch("diagnose", recording, *P, "--json").out)
    assert first.to_json() == last.to_json() == alone
    assert str(first) == str(last) and first.events == last.events


def test_the_exit_code_is_the_worst_and_the_others_are_printed(
    recording: Path, tmp_path: Path, livewatch: Callable
) -> None:
    code, out, err = livewatch("diagnose", tmp_path / "none.log", recording, *P, "--json")
    assert code == 4 and err.endswith("none.log: there is no such file\n")
    assert json.loads(out)["source"] == str(recording)


@pytest.mark.parametrize(("form", "drawing"), [(("--json",), set()), ((), {"rich"})], ids=["json", "page"])
def test_a_diagnosis_loads_only_what_it_needs(
    recording: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, form: tuple[str, ...], drawing: set[str]
) -> None:
    """The libraries that read YAML, DBC files and units stay out where the profile was read before, and but for the
    page what draws."""
    monkeypatch.setenv("LIVEWATCH_CACHE", str(tmp_path))
    load_profile(P[1])
    code = (
        "import sys; from livewatch.commands.cli import main; code = main(sys.argv[1:]); "
        "print(code, *sys.modules, file=sys.stderr)"
    )
    command = [sys.executable, "-c", code, "diagnose", str(recording), *P, *form]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    exit_code, *loaded = done.stderr.split()
    assert exit_code == "0"
    assert HEAVY & {name.split(".")[0] for name in loaded} == drawing
    assert "rich.progress" not in loaded  # no terminal shows it
    ours = sum(name.startswith("livewatch") for name in loaded)
    assert ours < 175  # 172 for the page
    assert len(loaded) - ours < (245, 300)[bool(drawing)]  # 236, 287


def test_a_pile_is_on_its_way_before_this_process_has_loaded_what_it_needs(recording: Path) -> None:
    """The server of its processes loads the same, side by side."""
    code = (
        "import sys; import livewatch.run.pool as pool; "
        "pool.start_early = lambda named: print(len(named), 'numpy' in sys.modules); "
        "from livewatch.commands.cli import main; main(sys.argv[1:])"
    )
    command = [sys.executable, "-c", code, "diagnose", str(recording), str(recording), *P, "--json"]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[0] == "2 False"


@pytest.mark.parametrize(("files", "size", "starts"), [(1, 40, False), (3, 1, False), (3, 40, True)])
def test_the_server_is_started_where_several_processes_have_work(
    files: int, size: int, starts: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for number in range(files):
        with (tmp_path / f"{number}.log").open("wb") as file:
            file.truncate(size << 20)
    asked = []

    def context() -> multiprocessing.context.BaseContext:
        asked.append(files)
        return multiprocessing.get_context("spawn")

    monkeypatch.setattr(module, "cores", lambda: 2)
    monkeypatch.setattr(module, "pool_context", context)
    module.start_early([tmp_path])
    module.start_early([tmp_path / "0.log"])
    assert bool(asked) is starts
