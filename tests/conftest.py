"""What all tests share."""

from __future__ import annotations

import gc
import importlib
import os
import shutil
import sys
from collections.abc import Callable, Generator
from contextlib import suppress
from pathlib import Path
from tempfile import mkdtemp
from typing import Any

import pytest
from hypothesis import HealthCheck, settings

from livewatch.run.linear_algebra import in_one_thread
from tests.compiling import compile_a_share

# As the command does, before numpy is loaded: further threads would take the cores of the other test processes.
in_one_thread()
# And python-can without what it loads for MF4 files, which takes a second: the tests of those ask for it.
importlib.import_module("livewatch.data.python_can")

# The same examples each time: a change is judged by what it changed. `--hypothesis-profile wandering` draws anew. No
# test hangs on how fast the machine is: neither how long an example takes counts, nor how long it is drawn.
EVERYWHERE = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.register_profile("steady", EVERYWHERE, derandomize=True)
settings.register_profile("wandering", EVERYWHERE, derandomize=False)
settings.load_profile("steady")

# Hypothesis also draws what strings and numbers stand in the code of this project that is loaded: other examples where
# other tests ran before in the same process, after seconds of looking for those that fit. Wandering does it.
with suppress(ImportError):
    from hypothesis.internal.conjecture import providers
    from hypothesis.internal.constants_ast import Constants

    _in_the_code = getattr(providers, "_get_local_constants", Constants)
    providers._get_local_constants = lambda: (
        _in_the_code() if settings.get_current_profile_name() == "wandering" else Constants()
    )

# Profiles are resolved once for all tests and what they start, and drives simulated (tests/drives.py). tests/profile,
# which tests the resolving, and tests/diagnosis, which tests what is kept of diagnoses, keep nothing.
KEPT = ("LIVEWATCH_CACHE", "LIVEWATCH_DRIVES") if "PYTEST_XDIST_WORKER" not in os.environ else ()
for folder in KEPT:
    os.environ[folder] = mkdtemp(prefix="livewatch-tests-")
# Else each process that a test starts would compile all it imports, which takes longer than what it is started for.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False


def pytest_sessionstart(session: pytest.Session) -> None:
    compile_a_share(session.config)


@pytest.hookimpl(wrapper=True)
def pytest_collection() -> Generator[None, object, object]:
    """What is loaded and collected stays to the end: garbage is not looked for meanwhile, nor among that afterwards."""
    gc.disable()
    try:
        return (yield)
    finally:
        gc.freeze()
        gc.enable()


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """With LIVEWATCH_EXAMPLES=10 each drawn test draws ten times as many examples."""
    times = int(os.environ.get("LIVEWATCH_EXAMPLES", "1"))
    drawn = {test for item in items if getattr(test := getattr(item, "obj", None), "hypothesis", None)}
    for test in drawn if times > 1 else ():
        wanted = test._hypothesis_internal_use_settings
        test._hypothesis_internal_use_settings = settings(wanted, max_examples=times * wanted.max_examples)


def pytest_unconfigure() -> None:
    for folder in KEPT:
        shutil.rmtree(os.environ[folder], ignore_errors=True)


@pytest.fixture
def nothing_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing is kept from another test, nor for one."""
    monkeypatch.setenv("LIVEWATCH_CACHE", "")


def pytest_make_parametrize_id(config: pytest.Config, val: Any, argname: str) -> str | None:
    """Name a parameter by what it is when it is bytes or a long text, so that names are short and always the same."""
    if isinstance(val, bytes):
        return f"{len(val)} bytes"
    if isinstance(val, str) and len(val) > 60:
        return f"{val[:40]}..."
    return None


@pytest.fixture
def delete_in_use(tmp_path: Path) -> Callable[[Path], None]:
    """Delete a folder that is written to: moved away at one stroke first, so that nothing comes into it meanwhile."""

    def delete(folder: Path) -> None:
        shutil.rmtree(folder.rename(tmp_path / "deleted"))

    return delete
