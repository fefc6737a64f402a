"""Seeded changes to what is right: the same wrong input for the same number, every time.

A right input and a number come in; a wrong one comes out, or, once in a hundred, one that is right still. Bytes are
flipped, cut, doubled and overwritten; texts lose, swap and double their words and lines and get numbers at bounds and
words that mean something elsewhere; JSON gets values of other types, keys twice, and depth.
"""

from __future__ import annotations

import json
import random
import re
from collections.abc import Sequence
from copy import deepcopy
from typing import Any

__all__ = ["mutated"]

NUMBERS = (
    "0", "-0", "-1", "1", "00", "1e-320", "1e999", "-1e999", "1e300", "1e999999", "1e-999999", "nan", "NaN", "sNaN",
    "inf", "-Infinity", "255", "256", "65536", "2147483647", "2147483648", "-2147483649", "4294967296",
    "9007199254740993", "9223372036854775807", "9223372036854775808", "-9223372036854775809", "18446744073709551616",
    "9" * 40, "9" * 400, "0x" + "F" * 300, "0x20000000", "1_000", "0.1e", ".", "1.5.2", "-", "+5", "١٢", "1e18",
    "1e15", "253402300800",
)  # fmt: skip
"""Numbers at bounds, and what looks like one."""
WORDS = (
    "9999-12-31T23:59:59Z", "0001-01-01T00:00:00+23:59", "2026-02-30", "[/red]", "[bold]x", "\x1b[2J", "\x1b]0;x\x07",
    "\x9b31m", "\u202e", "\u2066", "\u200d", "\ufeff", "\ud7ff", "\U000e0041", "e\u0301" * 40, "m**9**9**9**9",
    "\0" * 9, "[" * 200, "{" * 200, "(" * 300, "not " * 120, '"', "'", "\\", "&a [*a, *a]",
    "!!python/object/apply:os.system [id]", "../../x", "/dev/zero", "%s%n", "{0.__class__}", "\t", "\r", "\n", ":",
    ",", ";", "#", "|", "- ", "null", "true", "~", "$(id)", "<script>", "x" * 2000, "%", "°", "..", "1 / 0", " and ",
    " or ", "rate(", "when(", "engine_speed", "K", "°C", "delta_degC", "**", "^2", "Z", "-40 °C",
)  # fmt: skip
"""What is put in: marks and codes that act on what shows them, words of our own languages, what never ends."""
ODD_VALUES: tuple[Any, ...] = (
    None, True, False, 0, -1, 1, 2**31, 2**53, 2**63, -(2**63) - 1, 10**39, 10**60, 0.5, -0.0, 1e300, float("nan"),
    float("inf"), -float("inf"), 5e-324, "", "x", "1", "\x1b[31m", "9999-12-31T23:59:59.999999Z",
    "0001-01-01T00:00:00Z", "\ud800", "y" * 3000, [], {}, [[]], [None], {"": None}, {"x": {"x": {"x": []}}},
    [1, "1", None, {}],
)  # fmt: skip
_TOKEN = re.compile(rb"[A-Za-z_]\w*|[0-9][0-9A-Za-z_.+]*|\s+|[^\w\s]")
_NUMBER = re.compile(rb"[0-9][0-9A-Fa-f.]*")
_BOUNDS = (
    0,
    1,
    0x7F,
    0x80,
    0xFF,
    0x7FFF,
    0xFFFF,
    0x7FFFFFFF,
    0x80000000,
    0xFFFFFFFF,
    (1 << 63) - 1,
    1 << 63,
    (1 << 64) - 1,
)
DEEP = "what is put deep"
LARGE = 20_000
"""Bytes that something small is repeated up to, now and then."""


def mutated(seed: bytes, number: int, others: Sequence[bytes] = ()) -> bytes:
    """The seed with one to eight changes, the same for the same number; `others` are right inputs of the same kind that
    pieces may be taken from."""
    chance = random.Random(number)
    if seed[:1] == b"{" and chance.random() < 0.5 and (found := _json(seed, chance)) is not None:
        return found
    content = bytearray(seed)
    binary = b"\0" in seed[:4000]
    for _ in range(chance.choice((1, 1, 1, 2, 3, 8))):
        if binary or chance.random() < 0.25:
            _in_bytes(content, chance, binary)
        else:
            _in_text(content, chance, others)
    return bytes(content)


def _in_bytes(content: bytearray, chance: random.Random, binary: bool) -> None:
    at = chance.randrange(len(content) + 1)
    match chance.randrange(7):
        case 0:
            content[at : at + 1] = bytes((chance.randrange(256),))
        case 1 if content:
            content[at % len(content)] ^= 1 << chance.randrange(8)
        case 2:
            del content[at : at + chance.randrange(1, 40)]
        case 3:
            content[at:at] = content[at : at + chance.randrange(1, 60)] * chance.choice((1, 1, 1, 20))
        case 4:
            width = chance.choice((1, 2, 4, 8))
            value = (chance.choice(_BOUNDS) & ((1 << 8 * width) - 1)).to_bytes(width, chance.choice(("little", "big")))
            content[at : at + width] = value
        case 5 if not binary or chance.random() < 0.2:
            content[at:at] = chance.choice(WORDS).encode("utf-8", "surrogatepass")
        case 6 if chance.random() < 0.3:
            del content[at:]


def _in_text(content: bytearray, chance: random.Random, others: Sequence[bytes]) -> None:
    at = chance.randrange(len(content) + 1)
    kind = chance.randrange(12)
    if kind < 4:
        found = _NUMBER.search(content, at) or _NUMBER.search(content)
        if found and kind < 3:
            content[found.start() : found.end()] = chance.choice(NUMBERS).encode()
        elif found:
            number = found[0] + bytes((48 + chance.randrange(10),))
            content[found.start() : found.end()] = number
    elif kind < 6:
        word = _TOKEN.search(content, at) or _TOKEN.search(content)
        if word:
            span = slice(word.start(), word.end())
            put = (
                chance.choice(WORDS).encode("utf-8", "surrogatepass"),
                b"",
                word[0] * 2,
                word[0][::-1],
                word[0].upper(),
            )
            content[span] = put[chance.randrange(5)] if kind == 4 else put[0]
    elif kind == 6:
        words = list(_TOKEN.finditer(content, at, at + 400))
        if len(words) > 1:
            one, other = sorted(chance.sample(words, 2), key=lambda word: word.start())
            content[one.start() : other.end()] = other[0] + bytes(content[one.end() : other.start()]) + one[0]
    elif kind < 9:
        _in_lines(content, chance)
    elif kind == 9:
        piece = bytes(content[at : at + chance.randrange(1, 200)])
        content[at:at] = piece * (
            chance.randrange(2, max(3, LARGE // max(1, len(piece)))) if chance.random() < 0.05 else 2
        )
    elif kind == 10:
        source = chance.choice(others) if others else bytes(content)
        start = chance.randrange(len(source) + 1)
        content[at : at + chance.choice((0, 10, 60))] = source[start : start + chance.randrange(1, 80)]
    elif chance.random() < 0.1:
        text = content.decode("utf-8", "replace")
        content[:] = chance.choice(
            (text.encode("utf-16"), b"\xef\xbb\xbf" + content, text.replace("\n", "\r\n").encode())
        )
    else:
        content[at : at + chance.randrange(30)] = chance.choice(NUMBERS).encode()


def _in_lines(content: bytearray, chance: random.Random) -> None:
    """A line doubled, taken out, moved, or put further in."""
    lines = content.split(b"\n")
    place, other = chance.randrange(len(lines)), chance.randrange(len(lines))
    match chance.randrange(5):
        case 0:
            lines.insert(other, lines[place])
        case 1:
            del lines[place]
        case 2:
            lines[place], lines[other] = lines[other], lines[place]
        case 3:
            lines[place] = b"  " * chance.randrange(1, 40) + lines[place].lstrip()
        case 4:
            lines[place] = lines[place][: chance.randrange(len(lines[place]) + 1)]
    content[:] = b"\n".join(lines)


def _json(seed: bytes, chance: random.Random) -> bytes | None:
    """One JSON object a line, with a value changed, a key taken out, renamed or doubled, or all of it put deep."""
    lines = seed.split(b"\n")
    place = chance.randrange(len(lines))
    try:
        data = json.loads(lines[place])
    except ValueError:
        return None
    doubled, levels = "", 0
    for _ in range(chance.choice((1, 1, 2, 4))):
        holder, key = _somewhere(data, chance)
        if holder is None:
            return None
        match chance.randrange(6):
            case 0 | 1 | 2:
                holder[key] = deepcopy(chance.choice(ODD_VALUES))  # it may be changed in its turn
            case 3:
                del holder[key]
            case 4 if isinstance(holder, dict):
                value = holder.pop(key)
                holder[chance.choice((f"{key}x", "", "\x1b[2J", str(key).upper(), "k" * 300))] = value
            case 5 if isinstance(data, dict):
                doubled = f", {json.dumps(str(key))}: {json.dumps(chance.choice(ODD_VALUES))}}}"
            case _:
                holder[key], levels = DEEP, chance.choice((2, 60, 2000))
    text = json.dumps(data).replace(json.dumps(DEEP), '[{"x":' * levels + "1" + "}]" * levels)
    lines[place] = (text[:-1] + doubled if doubled else text).encode()
    return b"\n".join(lines)


def _somewhere(data: Any, chance: random.Random) -> tuple[Any, Any]:
    """A list or mapping and one of its keys, any number of levels down; None where there is nothing in it."""
    holder = data
    while isinstance(holder, dict | list) and holder:
        key = chance.choice(list(holder)) if isinstance(holder, dict) else chance.randrange(len(holder))
        inner = holder[key]
        if not (isinstance(inner, dict | list) and inner) or chance.random() < 0.4:
            return holder, key
        holder = inner
    return None, None
