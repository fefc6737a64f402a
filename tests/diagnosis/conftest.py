"""Every test diagnoses for itself, unless it says where what it finds is kept."""

from __future__ import annotations

import pytest


@pytest.fixture(autouse=True)
def _diagnoses_anew(nothing_kept: None) -> None: ...
