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


ONCE = [
    ("dbc", 1_000_063),  # a scale that no float holds
    ("dbc", 1_000_281),  # a cycle time that is a text
    ("manifest", 1_000_040),  # data_end is not there
    ("manifest", 1_000_203),  # ended is not there
    ("manifest", 2_027_809),  # an end in the year 2426
    ("parquet", 1_028_252),  # a name of a column that is no UTF-8
]


@pytest.mark.parametrize(("kind", "number"), ONCE)
def test_what_once_did_not_hold(kind: str, number: int) -> None:
    assert not list(batch(kind, number, number + 1, Counter()))
