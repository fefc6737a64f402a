"""What all tests share."""

from __future__ import annotations

import os
from typing import Any

import pytest

os.environ["LIVEWATCH_CACHE"] = ""  # every test resolves its profiles anew


def pytest_make_parametrize_id(config: pytest.Config, val: Any, argname: str) -> str | None:
    """Name a parameter by what it is when it is bytes or a long text, so that names are short and always the same."""
    if isinstance(val, bytes):
        return f"{len(val)} bytes"
    if isinstance(val, str) and len(val) > 60:
        return f"{val[:40]}..."
    return None
