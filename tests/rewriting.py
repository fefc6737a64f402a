"""The test files as pytest runs them, made once for all test processes.

pytest rewrites the assertions of a test file and keeps the outcome beside it. Test processes that start together each
rewrite every file, which takes longer than all else they do before the first test: here each begins with its share.
What the others have not got to yet by then, it rewrites itself, as ever.
"""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path

import pytest

__all__ = ["rewrite_a_share"]


def rewrite_a_share(config: pytest.Config) -> None:
    """Rewrite and keep the share of this test process, of the files that are asked for."""
    worker, workers = os.environ.get("PYTEST_XDIST_WORKER", ""), int(os.environ.get("PYTEST_XDIST_WORKER_COUNT", "1"))
    if workers < 2 or config.getoption("assertmode") != "rewrite":
        return
    with suppress(ImportError, AttributeError, TypeError):  # inner parts of pytest: without them it does so itself
        from _pytest.assertion import rewrite

        files = sorted(file for place in config.args for file in Path(place.split("::")[0]).rglob("test_*.py"))
        for file in files[int(worker.removeprefix("gw")) :: workers]:
            kept = rewrite.get_cache_dir(file) / f"{file.stem}{rewrite.PYC_TAIL}"
            if rewrite._read_pyc(file, kept) is None and rewrite.try_makedirs(kept.parent):
                found, code = rewrite._rewrite_test(file, config)
                rewrite._write_pyc(config.stash[rewrite.assertstate_key], code, found, kept)
