"""Inflating gives what the standard library's zlib gives (the oracle here), for whole, cut and damaged streams."""

from __future__ import annotations

import gzip
import importlib.util
import sys
import zlib

from hypothesis import given
from hypothesis import strategies as st

from livewatch.sources.recordings.inflate import DAMAGED, GZIP, ZLIB, Inflater, inflater

CONTENT = st.builds(lambda piece, times, tail: piece * times + tail, st.binary(), st.integers(0, 300), st.binary())


def packed(content: bytes, wrapping: int) -> bytes:
    return zlib.compress(content) if wrapping == ZLIB else gzip.compress(content, mtime=0)


def read(stream: Inflater, data: bytes, limit: int) -> tuple[bytes, bool, bytes]:
    """All content, whether its end was seen, and what stands behind it."""
    content = bytearray()
    while not stream.eof:
        piece = stream.decompress(data, limit)
        if not piece and not data:
            break
        data = stream.unconsumed_tail
        content += piece
    return bytes(content), stream.eof, stream.unused_data


@given(CONTENT, st.sampled_from([ZLIB, GZIP]), st.integers(1, 5000), st.binary(max_size=9))
def test_a_whole_stream_in_any_pieces_with_anything_behind_it(content, wrapping, limit, behind):
    data = packed(content, wrapping) + behind
    assert read(inflater(wrapping), data, limit) == (content, True, behind)


@given(CONTENT, st.sampled_from([ZLIB, GZIP]), st.data())
def test_a_cut_stream_gives_as_much_as_zlib_gets_out_of_it(content, wrapping, data):
    whole = packed(content, wrapping)
    cut = whole[: data.draw(st.integers(0, len(whole) - 1))]
    assert read(inflater(wrapping), cut, 1 << 20) == read(zlib.decompressobj(wrapping), cut, 1 << 20)


@given(CONTENT, st.sampled_from([ZLIB, GZIP]), st.data())
def test_a_damaged_stream_is_never_taken_for_a_whole_one(content, wrapping, data):
    """The header's time and name bytes of gzip are under no checksum: the damage is behind them."""
    whole = bytearray(packed(content, wrapping))
    place = data.draw(st.integers(2 if wrapping == ZLIB else 10, len(whole) - 1))
    whole[place] ^= data.draw(st.integers(1, 255))
    try:
        found, eof, _ = read(inflater(wrapping), bytes(whole), 1 << 20)
    except DAMAGED:
        return
    assert not eof or found == content


def test_without_isa_l_zlib_does_the_same_work(monkeypatch):
    monkeypatch.setitem(sys.modules, "isal", None)
    spec = importlib.util.find_spec("livewatch.sources.recordings.inflate")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    assert module.DAMAGED is zlib.error
    for wrapping in (ZLIB, GZIP):
        assert read(module.inflater(wrapping), packed(b"content" * 99, wrapping), 50) == (b"content" * 99, True, b"")
