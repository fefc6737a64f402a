"""A short part of the attacks: a few seeded wrong inputs of every kind, and whatever once did not hold."""

from __future__ import annotations

import sys

import pytest

if sys.platform != "linux":
    pytest.skip("the attacks fork, and reset the peak of a process's memory", allow_module_level=True)

from collections import Counter
from pathlib import Path

from tests.attacks import attack
from tests.attacks.attack import batch
from tests.attacks.pieces import PIECES
from tests.attacks.trial import KINDS, seeds, wrong

EACH = 3
A_PIECE = 15


@pytest.mark.parametrize("kind", [kind for kind in KINDS if kind != "mf4"])  # cut and damaged in tests/sources
def test_wrong_inputs_are_told_or_read_and_nothing_else_happens(kind: str) -> None:
    figures = Counter[str]()
    assert not list(batch(kind, 0, A_PIECE if kind in PIECES else EACH, figures))
    assert figures["inputs"] == (A_PIECE if kind in PIECES else EACH)


ONCE = {
    "a scale that no float holds": ("dbc", b"m1 : 24|8@1- (1,", b"m1 : 24|8@1- (" + b"9" * 400 + b","),
    "a cycle time that is a text": ("dbc", b'MsgCycleTime" FLOAT 0 1000;\nBA_DEF_DEF_ "', b""),
    "data_end is not there": ("manifest", b'"data_end"', b'"../../xdata_end"'),
    "ended is not there": ("manifest", b'"ended": "2026', b'"eended": "2026'),
    "an end in the year 2426": ("manifest", b'"data_end": "2026', b'"data_end": "2426'),
    "a name of a column that is no UTF-8": ("parquet", b"\x0cengine_speed\x00\x16", b"\x0c\xfcngine_speed\x00\x16"),
    "a time of ten to the millionth": ("csv table", b"\n0.0,", b"\n1e999999,"),
    "a time in the year 9999": ("csv table", b"\n0.0,", b"\n9999-12-31T23:59:59Z,"),
    "a station whose data time is beyond any count": ("mqtt status", b'"time":3.5', b'"time":1e300'),
    "an event whose data time is beyond any count": ("event log", b'"time": 0.1,', b'"time": 1e290,'),
    "a recording begun in the year 9999": ("asc", b" 2026\n", b" 9999\n"),
    "a time a day before the first year": ("csv table", b"\n0.0,", b"\n0001-01-01T00:00:00+23:59,"),
}


@pytest.mark.parametrize("what", ONCE)
def test_what_once_did_not_hold(what: str, monkeypatch: pytest.MonkeyPatch) -> None:
    kind, right, other = ONCE[what]
    (seed,) = seeds(kind)
    assert right in seed
    monkeypatch.setattr(attack, "wrong", lambda *_: seed.replace(right, other, 1))
    assert not list(batch(kind, 0, 1, Counter()))


def test_an_input_that_does_not_hold_is_found(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    def bad(content: bytes, folder: object) -> str:
        match content:
            case b"0":
                raise KeyError("a fault")
            case b"1":
                (tmp_path / "beside").write_text("")
            case b"2":
                return "\x1b[2J"
            case b"3":
                print("Traceback (most recent call last)")
            case b"4":
                sys.exit()
        return ""

    monkeypatch.setitem(PIECES, "words", PIECES["words"]._replace(read=bad))
    monkeypatch.setattr(attack, "wrong", lambda _, number: str(number).encode())
    said = [trouble.what for trouble in batch("words", 0, 6, Counter())]
    assert [what.split(":")[0].split(" [")[0] for what in said] == [
        "exit code 70", "did", "printed '\\x1b'", "a traceback or warning", "died",
    ]  # fmt: skip


def test_the_same_number_makes_the_same_input() -> None:
    assert all(wrong(kind, 12345) == wrong(kind, 12345) for kind in ("dbc", "candump.gz", "unit", "event log"))
