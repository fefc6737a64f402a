"""Samples that did not come from frames (MQTT, tables), as text that a cut leaves readable: `samples.csv`.

`format_samples` turns a `SampleBatch` into lines, `read_samples` turns lines into batches again, every digit the same.
One line is one sample, in order of arrival::

    utc_ns,channel,value,quality,frames_before
    1777887000123456789,oil_pressure,412.5,good,73210

`utc_ns` is the source's clock in nanoseconds since the Unix epoch, `value` is in the channel's unit of the profile
beside it, `quality` is a word of `samples.Quality`. `frames_before` says how many frames stand in the frame log before
this sample, so that a replay sees frames and samples in the order the run saw them. A row without any sample has an
empty channel, value and quality; it still lets time pass. Two more words stand in the place of a quality:

    silence   a row of a live run that listened in vain: time passed, or something was lost
    count     no row: the channel is what was odd or lost by the row that follows, the value how often
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

from livewatch.data.late_numpy import np
from livewatch.data.outside import LONGEST_LINE, open_file
from livewatch.data.samples import Quality, SampleBatch, SampleColumn

__all__ = ["HEADER", "format_samples", "read_samples"]

HEADER = b"utc_ns,channel,value,quality,frames_before\n"
CUT_OFF = "last line of the samples cut off"
NOT_SAMPLES = "lines that are not samples"
UNKNOWN = "samples of channels not in the profile"
SILENCE, COUNT = "silence", "count"


def format_samples(batch: SampleBatch, names: Sequence[str], frames_before: int) -> bytes:
    """Lines of all samples, row by row. `names` are the channels of the profile, in its order."""
    rows: list[list[str]] = [[] for _ in range(len(batch))]
    for column in batch.columns:
        name = names[column.channel]
        for row, value, quality in zip(column.row.tolist(), column.value.tolist(), column.quality, strict=True):
            rows[row].append(f"{name},{value!r},{Quality(int(quality)).word}")
    times = batch.time.tolist()
    empty = [f",,{SILENCE}" if batch.silence else ",,"]
    lines = [
        f"{times[row]},{sample},{frames_before}\n" for row, samples in enumerate(rows) for sample in (samples or empty)
    ]
    lines[:0] = [
        f"{times[0]},{kind.replace(',', ';')},{number},{COUNT},{frames_before}\n"
        for kind, number in batch.counts.items()
    ]
    return "".join(lines).encode()


def read_samples(
    path: Path, index: Mapping[str, int], counts: Counter[str], size: int
) -> Iterator[tuple[int, SampleBatch]]:
    """Batches of at most `size` rows, one row a line, each with the number of frames before it.

    `index` maps channel names to their place in the profile. What is odd is added to `counts`; the rest is read.

    Raises:
        OSError: the file cannot be read.
    """
    words = {quality.word: int(quality) for quality in Quality}
    times: list[int] = []
    samples: list[tuple[int, int, float, int]] = []
    odd: dict[str, int] = {}
    before, silence = 0, False
    with open_file(path) as file:
        while line := file.readline(LONGEST_LINE):
            if line == HEADER:
                continue
            if not line.endswith(b"\n"):
                counts[CUT_OFF] += 1
                break
            parsed = _parse(line, words)
            if parsed is None:
                counts[NOT_SAMPLES] += 1
                continue
            time, name, value, quality, frames = parsed
            counted = quality == COUNT
            if times and (frames != before or len(times) >= size or counted or silence != (quality == SILENCE)):
                yield before, _batch(times, samples, odd, silence)
                times, samples, odd = [], [], {}
            before, silence = frames, quality == SILENCE
            if counted:
                odd[name] = odd.get(name, 0) + int(value)
                continue
            if isinstance(quality, int):
                channel = index.get(name)
                if channel is None:
                    counts[UNKNOWN] += 1
                else:
                    samples.append((channel, len(times), value, quality))
            times.append(time)
    if times:
        yield before, _batch(times, samples, odd, silence)


def _parse(line: bytes, words: Mapping[str, int]) -> tuple[int, str, float, int | str, int] | None:
    """Time, name, value, quality, frames before; the quality is a word for what is no sample, empty for a row without
    any."""
    try:
        time, name, value, quality, frames = line.decode().rstrip("\n").split(",")
        stamp, before = int(time), int(frames)
        if abs(stamp) >= 1 << 63 or not 0 <= before < 1 << 63:
            return None
        number = float(value or "nan")
        if math.isinf(number):
            return None
        if quality == COUNT:
            return (stamp, name, number, COUNT, before) if number >= 0 else None
        if not name:
            return stamp, "", number, SILENCE if quality == SILENCE else "", before
        return (stamp, name, number, words[quality], before) if value else None
    except (ValueError, KeyError):
        return None


def _batch(
    times: list[int], samples: list[tuple[int, int, float, int]], odd: dict[str, int], silence: bool
) -> SampleBatch:
    by_channel: dict[int, list[tuple[int, float, int]]] = {}
    for channel, row, value, quality in samples:
        by_channel.setdefault(channel, []).append((row, value, quality))
    columns = []
    for channel, entries in by_channel.items():
        rows, values, qualities = zip(*entries, strict=True)
        columns.append(SampleColumn(channel, np.array(rows, np.int64), np.array(values), np.array(qualities, np.uint8)))
    return SampleBatch(np.array(times, np.int64), columns, odd, silence)
