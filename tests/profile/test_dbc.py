"""DBC files as they stand, good and bad."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import cantools
import pytest

from livewatch.profile import Profile, load_profile
from livewatch.profile.advice import advice
from livewatch.profile.dbc import DbcError, load_dbc, read_dbc
from livewatch.profile.shipped import shipped_folder

Write = Callable[..., Path]
Load = Callable[..., Profile]
Mistakes = Callable[..., list[str]]

HEAD = 'VERSION ""\nNS_ :\nBS_:\nBU_: ECM\n'
GOOD = (
    HEAD
    + """
BO_ 256 FAST: 8 ECM
 SG_ SPEED : 7|16@0+ (0.25,0) [0|0] "rpm" ECM
 SG_ RATIO : 32|32@1- (1,0) [0|0] "" ECM

BO_ 2566840085 PAGED: 8 ECM
 SG_ PAGE M : 0|8@1+ (1,0) [0|0] "" ECM
 SG_ SUB m1M : 8|8@1+ (1,0) [0|0] "" ECM
 SG_ DEEP m2 : 16|8@1- (0.5,-10) [0|0] "degC" ECM

BA_DEF_ BO_ "GenMsgCycleTime" INT 0 65535;
BA_DEF_DEF_ "GenMsgCycleTime" 0;
BA_ "GenMsgCycleTime" BO_ 2566840085 1000;
VAL_ 2566840085 PAGE 0 "none" 1 "deeper" ;
SIG_VALTYPE_ 256 RATIO : 1;
SG_MUL_VAL_ 2566840085 SUB PAGE 1-1;
SG_MUL_VAL_ 2566840085 DEEP SUB 2-4, 7-7;
"""
)
OVERLAPPING = (
    HEAD
    + """
BO_ 256 FIRST: 8 ECM
 SG_ A : 0|12@1+ (1,0) [0|0] "" ECM
 SG_ B : 8|8@1+ (1,0) [0|0] "" ECM

BO_ 257 SECOND: 2 ECM
 SG_ C : 8|16@1+ (1,0) [0|0] "" ECM

BO_ 258 THIRD: 8 ECM
 SG_ D : 0|8@1+ (1,0) [0|0] "" ECM
"""
)


def test_every_kind_of_signal_comes_over_from_a_dbc() -> None:
    dbc = read_dbc(GOOD.encode(), "good.dbc", "engine")
    fast, paged = dbc.messages
    assert (fast.identifier, fast.extended, fast.name, fast.length, fast.bus) == (0x100, False, "FAST", 8, "engine")
    assert (paged.identifier, paged.extended) == (0x18FEDF15, True)
    signals = {signal.name: signal for message in dbc.messages for signal in message.signals}
    speed = signals["SPEED"]
    assert (speed.start, speed.length, speed.order, speed.kind) == (7, 16, "big_endian", "unsigned")
    assert (speed.scale, speed.offset, speed.unit) == (0.25, 0.0, "rpm")
    assert (signals["RATIO"].kind, signals["RATIO"].unit) == ("float", None)
    assert signals["PAGE"].is_multiplexer
    assert signals["PAGE"].value_table == {0: "none", 1: "deeper"}
    assert (signals["SUB"].multiplexer, signals["SUB"].multiplexer_values) == ("PAGE", ((1, 1),))
    assert (signals["DEEP"].multiplexer, signals["DEEP"].multiplexer_values) == ("SUB", ((2, 4), (7, 7)))
    assert (signals["DEEP"].kind, signals["DEEP"].offset) == ("signed", -10.0)
    assert dbc.cycles == {(0x18FEDF15, True): 1_000_000_000}


def test_messages_that_contradict_themselves_are_left_out_and_named_and_the_rest_is_read(
    load: Load, write: Write
) -> None:
    write(OVERLAPPING, "bad.dbc")
    profile = load("profile: 1\nname: car\ndecode: [{bus: engine, dbc: bad.dbc}]\n")
    assert [message.name for message in profile.messages] == ["THIRD"]
    assert profile.left_out == (
        "bad.dbc: left out: signals B and A are overlapping in message FIRST",
        "bad.dbc: left out: signal C does not fit in message SECOND",
    )
    assert advice(profile)[:2] == list(profile.left_out)


def test_a_channel_of_a_message_left_out_is_told_why_it_is_not_there(mistakes: Mistakes, write: Write) -> None:
    write(OVERLAPPING, "bad.dbc")
    found = mistakes(
        """
        profile: 1
        name: car
        decode: [{bus: engine, dbc: bad.dbc}]
        channels:
          engine_speed: {signal: FIRST.A}
        """
    )
    assert len(found) == 1
    assert found[0].startswith("car.yaml:5:26: unknown signal 'FIRST.A'")
    assert "signals B and A are overlapping in message FIRST" in found[0]


def test_a_wanted_message_that_contradicts_itself_is_a_mistake(mistakes: Mistakes, write: Write) -> None:
    write(OVERLAPPING, "bad.dbc")
    found = mistakes("profile: 1\nname: car\ndecode: [{bus: engine, dbc: bad.dbc, only: [FIRST, THIRD]}]\n")
    assert found == ["car.yaml:3:29: bad.dbc: signals B and A are overlapping in message FIRST"]


def test_one_statement_that_makes_no_sense_costs_only_itself() -> None:
    text = HEAD + (
        'BO_ 1 A: 8 ECM\n SG_ S : 0|8@1+ (1,0) [0|0] "" ECM\n\n'
        'BO_ 2 B: 2147483648 ECM\n SG_ S : 0|8@1+ (1,0) [0|0] "" ECM\n\n'
        'BO_ 3 C: 8 ECM\n SG_ S : 0|8@1+ (1,0 [0|0] "" ECM\n\n'
        'VAL_ 1 S 1 "on" 0 "off" ;\nVAL_ 9 GONE 1 "on" ;\nBA_ "GenMsgCycleTime" BO_ 1 INF;\n'
    )
    dbc = read_dbc(text.encode(), "some.dbc", "engine")
    (message,) = dbc.messages
    assert (message.name, message.signals[0].value_table) == ("A", {0: "off", 1: "on"})
    assert dict(dbc.left_out) == {
        "B": "message B on line 8 has 2147483648 bytes, at most 4095 can be",
        "C": "message C on line 11 cannot be read: line 12, column 22 makes no sense there",
    }
    assert not dbc.cycles


def test_what_is_wrong_with_messages_not_taken_does_not_matter(load: Load, write: Write) -> None:
    write(OVERLAPPING, "bad.dbc")
    profile = load("profile: 1\nname: car\ndecode:\n  - {dbc: bad.dbc, bus: engine, only: [THIRD]}\n")
    assert [message.name for message in profile.messages] == ["THIRD"]


NO_DBC = (
    'is no DBC that can be read: line 1, column 1 makes no sense there: expected text that begins like `VERSION ""`'
)


@pytest.mark.parametrize(
    ("content", "problem"),
    [
        (b"", NO_DBC),
        (b"hello\n", NO_DBC),
        (
            HEAD.encode() + b'BO_ 1 A: 8 ECM\n SG_ S : 0|8@1+ (1,0 [0|0] "" ECM\n',
            "line 6, column 22 makes no sense there",
        ),
        (HEAD.encode() + b'CM_ "\x81";\n', "is neither UTF-8 nor Windows-1252 text: byte 0x81 on line 5"),
        (HEAD.encode() + b'BO_ 1 A: 8 ECM\n SG_ S : 0|65@1+ (1,0) [0|0] "" ECM\n', "has 65 bits, at most 64 can be"),
        (
            HEAD.encode() + b'BO_ 1 A: 8 ECM\n SG_ S : 0|8@1+ (1,0) [0|0] "" ECM\n SG_ S : 8|8@1+ (1,0) [0|0] "" ECM\n',
            "message A has two signals S",
        ),
        (
            HEAD.encode() + b'BO_ 1 A: 8 ECM\n SG_ S : 0|24@1- (1,0) [0|0] "" ECM\nSIG_VALTYPE_ 1 S : 1;\n',
            "signal S of message A is a float of 24 bits",
        ),
    ],
)
def test_a_dbc_that_cannot_be_used_says_why(content: bytes, problem: str) -> None:
    with pytest.raises(DbcError) as caught:
        read_dbc(content, "bad.dbc", "engine")
    assert problem in caught.value.problems[0]


def test_units_outside_ascii_are_read_in_utf_8_and_in_the_windows_code_page() -> None:
    text = HEAD + 'BO_ 1 A: 8 ECM\n SG_ T : 0|8@1+ (1,-40) [0|0] "°C" ECM\n'
    for encoding in ("utf-8", "utf-8-sig", "cp1252"):
        assert read_dbc(text.encode(encoding), "t.dbc", "b").messages[0].signals[0].unit == "°C"


def test_a_dbc_that_is_not_there_is_said_with_its_likely_name(mistakes: Mistakes, write: Write) -> None:
    write(GOOD, "engine.dbc")
    found = mistakes("profile: 1\nname: car\ndecode:\n  - {dbc: engin.dbc, bus: engine}\n")
    assert found == ["car.yaml:4:11: engin.dbc: there is no such file (did you mean engine.dbc?)"]


def test_names_that_a_dbc_does_not_have_are_said(mistakes: Mistakes, write: Write) -> None:
    write(GOOD, "engine.dbc")
    found = mistakes(
        """
        profile: 1
        name: car
        decode:
          - dbc: engine.dbc
            bus: engine
            only: [FAAST]
          - dbc: engine.dbc
            bus: engine
            only: [FAST]
            signals: {SPED: {invalid: [65535]}, PAGED.SPEED: {unit: rpm}}
        """
    )
    assert found == [
        "car.yaml:4:10: engine.dbc: has no message 'FAAST' (did you mean FAST?)",
        "car.yaml:10:15: unknown signal 'SPED' (did you mean SPEED?)",
        "car.yaml:10:41: unknown signal 'PAGED.SPEED' (did you mean SPEED?)",
    ]


def test_the_same_dbc_twice_on_one_bus_is_a_mistake_and_on_two_buses_is_none(
    mistakes: Mistakes, load: Load, write: Write
) -> None:
    write(OVERLAPPING, "cell.dbc")
    entry = "  - {dbc: cell.dbc, bus: %s, only: [THIRD]}\n"
    assert mistakes("profile: 1\nname: car\ndecode:\n" + entry % "one" + entry % "one") == [
        "car.yaml:5:11: cell.dbc: message THIRD has the identifier 0x102 on bus one, which THIRD has too"
    ]
    text = "profile: 1\nname: car\ndecode:\n" + entry % "one" + entry % "two"
    assert [message.bus for message in load(text).messages] == ["one", "two"]
    assert mistakes(text + "channels: {x: {signal: D, unit: 1}}\n") == [
        "car.yaml:6:24: 'D' is in more than one message: write one of one.THIRD.D, two.THIRD.D"
    ]
    assert load(text + "channels: {x: {signal: two.THIRD.D, unit: 1}}\n").channels[0].signal == (
        "two",
        0x102,
        False,
        "D",
    )


def test_what_a_profile_knows_better_goes_over_the_dbc(load: Load, write: Write) -> None:
    write(GOOD, "engine.dbc")
    profile = load(
        """
        profile: 1
        name: car
        decode:
          - dbc: engine.dbc
            bus: engine
            signals:
              DEEP: {unit: degF, invalid: [-1, -128], curve: [[-74, 0], [53, 100]]}
              PAGE: {values: {3: third}}
        channels:
          engine_speed: {signal: SPEED, invalid: [0xFFFF]}
          coolant_temperature: {signal: DEEP}
          lambda_1: {signal: RATIO}
        """
    )
    signals = {signal.name: signal for message in profile.messages for signal in message.signals}
    assert signals["DEEP"].unit == "degF"
    assert signals["DEEP"].invalid == (-128, -1)
    assert signals["DEEP"].curve == ((-74.0, 53.0), (0.0, 100.0))
    assert signals["PAGE"].value_table == {3: "third"}
    assert signals["SPEED"].invalid == (0xFFFF,)
    temperature = profile.channels[profile.index["coolant_temperature"]]
    assert 212 * temperature.scale + temperature.offset == pytest.approx(100.0)
    assert temperature.stale_after == 3_000_000_000, "three of the cycles that the DBC declares"
    assert profile.channels[profile.index["engine_speed"]].stale_after == 1_000_000_000


def test_the_shipped_dbc_is_what_cantools_reads_without_complaint() -> None:
    path = shipped_folder("profiles") / "brackwell_20t.dbc"
    database = cantools.database.load_file(path, strict=True)
    ours = load_dbc(path, "engine").messages
    assert {(m.identifier, m.name, m.length, len(m.signals)) for m in ours} == {
        (m.frame_id, m.name, m.length, len(m.signals)) for m in database.messages
    }
    signals = [signal for message in ours for signal in message.signals]
    assert {signal.order for signal in signals} == {"little_endian", "big_endian"}
    assert any(message.extended for message in ours)
    assert any(signal.multiplexer for signal in signals)


def test_every_shipped_channel_can_carry_the_values_it_is_meant_for() -> None:
    profile = load_profile(shipped_folder("profiles") / "brackwell_20t.yaml")
    signals = {(m.bus, m.identifier, m.extended, s.name): s for m in profile.messages for s in m.signals}
    for channel in profile.channels:
        if channel.signal and channel.valid[1] < float("inf"):
            signal = signals[channel.signal]
            signed = signal.kind == "signed"
            low, high = (
                (-(1 << signal.length - 1), (1 << signal.length - 1) - 1) if signed else (0, (1 << signal.length) - 1)
            )
            reach = (low * signal.scale + signal.offset, high * signal.scale + signal.offset)
            assert reach[0] * channel.scale + channel.offset <= max(channel.valid[0], 0.0), channel.name
            assert reach[1] * channel.scale + channel.offset >= channel.valid[1] * 0.5, channel.name
