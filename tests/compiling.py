"""The modules as Python and pytest run them, made once for all test processes.

Python compiles a module and keeps the outcome beside it; pytest rewrites the assertions of a test file first. Test
processes that start together in a fresh clone each do it for every file, which takes longer than all else they do
before the first test: here each begins with its share. What the others have not got to yet by then, it does itself, as
ever.
"""

from __future__ import annotations

import os
import py_compile
from contextlib import suppress
from importlib.util import cache_from_source
from pathlib import Path

import pytest

import livewatch

__all__ = ["compile_a_share"]


def compile_a_share(config: pytest.Config) -> None:
    """Compile and keep the share of this test process of livewatch, and rewrite that of the tests asked for."""
    worker, workers = os.environ.get("PYTEST_XDIST_WORKER", ""), int(os.environ.get("PYTEST_XDIST_WORKER_COUNT", "1"))
    if workers < 2 or config.getoption("assertmode") != "rewrite":
        return
    share = slice(int(worker.removeprefix("gw")), None, workers)
    with suppress(OSError):  # nothing can be kept here
        for module in sorted(Path(livewatch.__file__).parent.rglob("*.py"))[share]:
            if not Path(cache_from_source(str(module))).exists():
                py_compile.compile(str(module))
    with suppress(ImportError, AttributeError, TypeError):  # inner parts of pytest: without them it does so itself
        from _pytest.assertion import rewrite

        places = [Path(place.split("::")[0]) for place in config.args]
        files = sorted(file for place in places for name in ("conftest.py", "test_*.py") for file in place.rglob(name))
        for file in files[share]:
            kept = rewrite.get_cache_dir(file) / f"{file.stem}{rewrite.PYC_TAIL}"
            if rewrite._read_pyc(file, kept) is None and rewrite.try_makedirs(kept.parent):
                found, code = rewrite._rewrite_test(file, config)
                rewrite._write_pyc(config.stash[rewrite.assertstate_key], code, found, kept)
