"""What a stranger may have written, piece by piece, straight to the door that reads it: thousands of inputs a second.

A piece is a unit, a formula, a line of a log, a cell, an answer on the diagnostic port, a message. Its right inputs and
what reads it stand here; what it was read as, or why it was refused, comes out as the text that an edge would show. The
same kinds go through the whole command line as files, more slowly (`attack.py`).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import NamedTuple

import numpy as np

from livewatch.build_sheet.intake.questions import UNKNOWN, Choice
from livewatch.build_sheet.intake.told import Intake
from livewatch.build_sheet.sheet import read_build_sheet
from livewatch.data.events import parse_utc, utc_text
from livewatch.data.frames import EXTENDED, FrameBatch
from livewatch.data.samples import SampleBatch
from livewatch.decode.decoder import Decoder
from livewatch.errors import LivewatchError
from livewatch.profile import Profile, load_profile_text
from livewatch.profile.dbc import read_dbc
from livewatch.profile.document import read_document
from livewatch.profile.formula.compile import compile_condition, compile_formula
from livewatch.profile.units import convert, parse_duration, parse_quantity, parse_range, read_unit, unit_text
from livewatch.run.opening import open_source
from livewatch.session.log import EventLog
from livewatch.session.manifest import ManifestError, read_manifest
from livewatch.session.samples import read_samples
from livewatch.sources.recordings.candump.lines import BusNames, parse_lines
from livewatch.sources.recordings.candump.shapes import parse_shapes
from livewatch.sources.tables.cells import numbers, times
from livewatch.sources.tables.column_binding import bind_columns, time_column, time_step
from livewatch.wording.events import particulars, sentence
from livewatch.wording.shown import shown, shown_lines
from tests.attacks import seeds
from tests.attacks.messages import MESSAGES, browser_message, browser_request, received

__all__ = ["PIECES", "PORT", "SUFFIXES", "Piece"]

SUFFIXES = {
    "candump": ".log", "candump.gz": ".log.gz", "asc": ".asc", "blf": ".blf", "trc": ".trc", "csv recording": ".csv",
    "sqlite": ".db", "csv table": ".csv", "parquet": ".parquet", "mf4": ".mf4",
}  # fmt: skip
PORT = (
    b"profile: 1\nname: car\nsignature_alarms: off\ndiagnostics: {bus: engine}\n"
    b"poll: [{service: 1, pid: 0x0C, every: 1 s}, {service: 1, pid: 0x0B, every: 1 s}]\n"
)
UNITS = {"engine_speed": "rpm", "boost_pressure": "kPa", "intake_temperature": "degC", "lambda_1": "1", "trim": "%"}
CONSTANTS = {"engine.displacement": (1.998, "L"), "engine.cylinders": (4.0, "1")}
TICKS = np.array(
    [
        [800.0, np.nan, 1e300, -5.0, 0.0, 6500.0], [0.0, 101.3, 250.0, np.nan, -1e300, 180.0],
        [20.0, -40.0, 1e12, 90.0, np.nan, -273.15], [1.0, 0.0, np.nan, 1.3, 5e-324, 0.8],
        [0.0, -25.0, 25.0, 1e6, np.nan, 3.0],
    ]
)  # fmt: skip


class Piece(NamedTuple):
    """Right inputs, and what reads one: the text shown of it. `read` has a folder of its own."""

    seeds: Callable[[], tuple[bytes, ...]]
    read: Callable[[bytes, Path], str]


@cache
def car(port: bool = False) -> Profile:
    return load_profile_text((PORT if port else seeds.PROFILE).decode(), "car.yaml", None)


def text_of(content: bytes) -> str:
    return content.decode("utf-8", "surrogatepass" if b"\xed" in content else "replace")


def read_text(content: bytes) -> str:
    try:
        return text_of(content)
    except UnicodeDecodeError:
        return content.decode("utf-8", "replace")


def refused(read: Callable[[], object]) -> str:
    """What it gives, or the message that refuses it, fit to be shown."""
    try:
        return shown(repr(read()))
    except LivewatchError as error:
        return shown_lines(str(error))


def unit(content: bytes, folder: Path) -> str:
    text = read_text(content)
    return refused(lambda: unit_text(read_unit(text))) + refused(lambda: convert(text, "kPa"))


def quantity(content: bytes, folder: Path) -> str:
    text = read_text(content)
    readings = (
        refused(lambda: parse_quantity(text, "kPa")), refused(lambda: parse_duration(text)),
        refused(lambda: parse_range(text, "degC")), refused(lambda: parse_quantity(text, "1")),
    )  # fmt: skip
    return "\n".join(readings)


def formula(content: bytes, folder: Path) -> str:
    compiled = compile_formula(read_text(content), UNITS, None, CONSTANTS)
    run = compiled.start({name: row for row, name in enumerate(UNITS)}, 10_000_000)
    found = run.evaluate(TICKS, 0), run.evaluate(TICKS[:, ::-1], TICKS.shape[1])
    return shown(f"{compiled.unit} {found[0].tolist()} {found[1].tolist()}")


def condition(content: bytes, folder: Path) -> str:
    text, _, band = read_text(content).partition("|")
    compiled = compile_condition(text, band or None, UNITS, CONSTANTS)
    index = {name: row for row, name in enumerate(UNITS)}
    both = (compiled.condition, compiled.clear)
    return shown(f"{compiled.setpoint} {[each.start(index, 10**7).evaluate(TICKS, 0).tolist() for each in both]}")


def cells(content: bytes, folder: Path) -> str:
    text = read_text(content).split("|")
    found = [times(text, step, comma)[0].tolist() for step in (None, 0, 1_000_000) for comma in (False, True)]
    moments = [utc_text(utc) for cell in text if (utc := parse_utc(cell)) is not None]
    return shown(f"{found} {numbers(text, True, {'on': 1.0})[0].tolist()} {numbers(text)[0].tolist()} {moments}")


def header(content: bytes, folder: Path) -> str:
    names, counts = read_text(content).split(","), Counter[str]()
    time = time_column(Path("drive.csv"), names, car())
    step = time_step(Path("drive.csv"), names[time], names[time].partition("[")[2].rstrip("] "), car())
    bound = bind_columns(Path("drive.csv"), names, [None] * len(names), time, car(), counts)
    return shown(f"{step} {bound} {counts}")


def yaml(content: bytes, folder: Path) -> str:
    document = read_document(content.decode("utf-8", "replace"), "car.yaml")
    document.raise_mistakes()
    return shown(repr(document.data))


def profile(content: bytes, folder: Path) -> str:
    return shown(repr(load_profile_text(content.decode("utf-8", "replace"), "car.yaml", None)))


def sheet(content: bytes, folder: Path) -> str:
    return shown(repr(read_build_sheet(content.decode("utf-8", "replace"), "build.yaml")))


def dbc(content: bytes, folder: Path) -> str:
    return shown(repr(read_dbc(content, "engine.dbc", "engine")), 5000)


def event_log(content: bytes, folder: Path) -> str:
    log = EventLog(written(folder / "events.jsonl", content))
    lines = [shown(f"{sentence(logged.event)} {particulars(logged.event)} {logged.event.utc}") for logged in log]
    return "\n".join([*lines, shown(repr(log.counts))])


def manifest(content: bytes, folder: Path) -> str:
    written(folder / "manifest.json", content)
    try:
        return shown(repr(read_manifest(folder)))
    except ManifestError as error:
        return shown(str(error))


def samples(content: bytes, folder: Path) -> str:
    counts = Counter[str]()
    found = list(read_samples(written(folder / "samples.csv", content), {"engine_speed": 0}, counts, 10))
    return shown(f"{[(before, batch.counts, len(batch)) for before, batch in found]} {counts}")


def written(path: Path, content: bytes) -> Path:
    path.write_bytes(content)
    return path


def candump_lines(content: bytes, folder: Path) -> str:
    content += b"\n"
    quick = parse_shapes(content, BusNames())
    batches, rejected = parse_lines(content, BusNames())
    return shown(f"{[batch.buses for batch in batches]} {rejected} {quick is None or quick.buses}")


def answers(content: bytes, folder: Path) -> str:
    decoder = Decoder(car(port=True))
    return found_in(decoded(decoder, content, 0x7E8))


def bus_frames(content: bytes, folder: Path) -> str:
    return found_in(decoded(Decoder(car()), content, 0x0F0))


def found_in(batch: SampleBatch) -> str:
    samples = [(column.channel, column.value.tolist()) for column in batch.columns]
    told = [f"{sentence(event)} {particulars(event)}" for _, event in batch.told]
    return shown(f"{samples} {batch.counts} {told}")


def decoded(decoder: Decoder, content: bytes, identifier: int) -> SampleBatch:
    """Frames of eight bytes and less, with one byte before them that moves identifier, flags and time."""
    pieces = [content[at : at + 9] for at in range(0, len(content), 9)]
    moved = np.array([piece[0] if piece[0] > 0xE0 else 0 for piece in pieces], np.int64)
    data = np.zeros((len(pieces), 8), np.uint8)
    for row, piece in enumerate(pieces):
        data[row, : len(piece) - 1] = list(piece[1:])
    return decoder.decode(
        FrameBatch(
            np.arange(len(pieces), dtype=np.int64) * 20_000_000 + moved * 10_000_000,
            np.zeros(len(pieces), np.uint8),
            np.where(moved % 3 == 2, identifier + moved, identifier).astype(np.uint32),
            np.where(moved % 5 == 4, EXTENDED, 0).astype(np.uint8),
            np.array([len(piece) - 1 for piece in pieces], np.uint8),
            data,
            ("engine",),
        )
    )


def build_answers(content: bytes, folder: Path) -> str:
    intake = Intake(None, None, "car")
    for text in read_text(content).split("|"):
        question = intake.next_question()
        if question is None:
            break
        options = [value for _, value in question.answer.options] if isinstance(question.answer, Choice) else []
        try:
            intake.give(question, options[len(text) % len(options)] if options else text)
        except LivewatchError:
            intake.give(question, UNKNOWN)
    return shown(repr(intake.sheet()))


def words(content: bytes, folder: Path) -> str:
    text = read_text(content)
    return shown(text) + shown_lines(text)


def recording(kind: str) -> Callable[[bytes, Path], str]:
    def read(content: bytes, folder: Path) -> str:
        source = open_source(written(folder / f"drive{SUFFIXES[kind]}", content), car())
        rows = sum(len(batch) for batch in source.batches(50))
        return shown(f"{rows} {source.counts} {source.unknown_buses} {source.unused} {source.progress}")

    return read


def message(kind: str) -> Callable[[bytes, Path], str]:
    return lambda content, folder: received(kind, content)


def texts(*several: str) -> Callable[[], tuple[bytes, ...]]:
    return lambda: tuple(text.encode() for text in several)


def file(kind: str) -> Callable[[], tuple[bytes, ...]]:
    return lambda: (seeds.FILES[kind](),)


PIECES: dict[str, Piece] = {
    "unit": Piece(
        texts("g/s", "N*m", "°C", "mg/stroke", "kg/h", "ft*lbf", "(m/s)^2", "1/min", "delta_degF", "%"), unit
    ),
    "quantity": Piece(
        texts("0.5 s", "-25 % .. 25 %", "0.2 .. 600 g/s", "1.998 L", "−4e3 kPa", "10 .. 20 °C"), quantity
    ),
    "formula reading": Piece(
        lambda: (
            seeds.FORMULA,
            b"lambda_1 / (1 + trim) * engine.displacement / 1 L",
            b"rate(intake_temperature, 2 s) * 1 s / 1 K",
            b"min(abs(trim), highest(trim, 3 s), hold(trim, 0.5 s))",
            b"boost_pressure / 1 kPa * engine_speed * engine.cylinders / 2 rev",
            b"lowest_so_far(engine_speed) + 40 deg/s - highest_so_far(engine_speed)",
        ),
        formula,
    ),
    "condition": Piece(
        texts(
            "engine_speed > 7000 rpm|50 rpm",
            "boost_pressure - 100 kPa > 20 kPa and not lambda_1 < 1.06|5 kPa",
            "recently(trim >= 20 %, 2 s) or intake_temperature > 60 degC|2 K",
            "abs(trim) != 5 %",
            "lambda_1 == 1",
        ),
        condition,
    ),
    "cells": Piece(
        texts("1.5|2026-05-04T08:30:00.250Z|17778846.5|on", "1,5|2,25|-3|", "0x10|1e3|20260504T083000+0200|epoch12.5Z"),
        cells,
    ),
    "header": Piece(
        texts("time [ms],engine_speed [rpm],Boost pressure (bar),Moment [N*m]", "utc,Engine Speed,note"), header
    ),
    "yaml": Piece(
        lambda: (
            seeds.PROFILE,
            seeds.BUILD_SHEET,
            b"a: {b: [1, 0x1A4, .inf, ~, on, 'x']}\n\"c\": |\n  d\ne: >-\n  f\n",
        ),
        yaml,
    ),
    "profile reading": Piece(lambda: (seeds.PROFILE, PORT), profile),
    "build sheet reading": Piece(file("build sheet"), sheet),
    "dbc reading": Piece(file("dbc"), dbc),
    "event log reading": Piece(lambda: (seeds.EVENTS, b"\n".join(seeds.EVENTS.split(b"\n")[1:2]) + b"\n"), event_log),
    "manifest reading": Piece(file("manifest"), manifest),
    "samples reading": Piece(
        lambda: (seeds.FILES["samples"](), b"17778846000000000,,,silence,3\n17778846000000000,lost frames,4,count,3\n"),
        samples,
    ),
    "candump lines": Piece(
        lambda: (
            seeds.candump()[:600],
            b"(1.5) vcan0 1F334455##1aabb R\n(0.000000) can0 7DF#R8\n(2.25) can1 20000040#01_F T\n",
        ),
        candump_lines,
    ),
    "answers": Piece(
        lambda: (
            bytes.fromhex(
                "0006410C1AF8410D32000010084106800B6411000021000000000000FF0000037F01220000000000000341050700000000"
            ),
            bytes.fromhex(
                "0010144902015748570021303030303030300000223030303030303000000643020123045600054202000204410181076504"
            ),
        ),
        answers,
    ),
    "bus frames": Piece(lambda: (bytes(range(9)) * 6, b"\0\xff\xff\x01\x07\x09\x10\x20\x30" * 8), bus_frames),
    "build answers": Piece(
        texts("x|80 mm|550 cc/min|?|3 bar|14 V|E85|0.9", "a|b|c|d|e|f|70 mm|380 g/min|98"), build_answers
    ),
    "words": Piece(texts("Brackwell 2.0 turbo, engine bus", "«Druck» [bar]\tñ", "line one\nline two"), words),
    "browser message": Piece(
        texts(
            '["stdin", "q"]',
            '["resize", {"width": 100, "height": 40}]',
            '["ping", "123.5"]',
            '["focus"]',
            '["blur", 1]',
        ),
        browser_message,
    ),
    "browser request": Piece(
        texts(
            "GET /?token=a-long-secre HTTP/1.1\r\nHost: 10.0.0.5:8000\r\n"
            "Origin: http://10.0.0.5:8000\r\nCookie: livewatch-8000=abc",
            "GET /ws?token=wrong HTTP/1.1\r\nHost: localhost:8000\r\n"
            "Origin: http://elsewhere.example\r\nSec-Fetch-Site: cross-site",
        ),
        browser_request,
    ),
    **{kind: Piece(lambda make=make: (make(),), message(kind)) for kind, make in MESSAGES.items()},
    **{f"{kind} reading": Piece(file(kind), recording(kind)) for kind in SUFFIXES if kind != "mf4"},
}
"""By kind."""
