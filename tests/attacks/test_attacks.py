"""A short part of the attacks: a few seeded wrong files of every kind, and whatever once did not hold."""

from __future__ import annotations

import sys

import pytest

if sys.platform == "win32":
    pytest.skip("the attacks fork", allow_module_level=True)

from collections import Counter

from tests.attacks.attack import batch
from tests.attacks.mutations import SEEDS

EACH = 6


@pytest.mark.parametrize("kind", SEEDS)
def test_wrong_files_are_told_or_read_and_nothing_else_happens(kind: str) -> None:
    assert not list(batch(kind, 0, EACH, Counter()))
