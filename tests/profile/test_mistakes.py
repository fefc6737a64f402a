"""A wrong profile: every mistake at once, each with its place, what was found and what was expected."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from livewatch.errors import MistakesError
from livewatch.profile import Profile, load_profile, load_profile_text

Write = Callable[..., Path]
Mistakes = Callable[..., list[str]]

HEAD = "profile: 1\nname: car\n"


def test_a_profile_with_ten_mistakes_is_told_all_ten_of_them(mistakes: Mistakes) -> None:
    found = mistakes(
        """
        profile: 1
        name: ten mistakes
        engine: {displacement: 2.0, cylinders: 4, induction: turbo_charged, air_metering: mass_air_flow}
        decode:
          - frame: 0x1A4
            bus: engine
            signals:
              WG_DUTY: {start: 12, length: 8, ordr: little_endian, scale: 0.5, unit: "%"}
              N_ENG: {start: 24, length: 16, unit: rpm}
        poll:
          - {service: 0x04, pid: 0x06, every: 200 ms}
        channels:
          wastegate_duty: {signal: WG_DUTTY}
          engine_speed: {signal: N_ENG, valid: 0 .. 9000 kPa}
          speed_ratio: {formula: engine_speeed / 6000 rpm, unit: 1}
        alarms:
          overspeed:
            condition: engine_speed > 7000
            priority: urgent
            action: Lift.
        figures: [engine_sped]
        """
    )
    assert found == [
        "car.yaml:3:24: 2.0 has no unit: expected a number such as 10 L",
        "car.yaml:3:54: found 'turbo_charged', expected one of turbocharged, supercharged, naturally_aspirated "
        "(did you mean turbocharged?)",
        "car.yaml:8:39: unknown key 'ordr' (did you mean order?)",
        "car.yaml:11:15: service 0x04 is refused: livewatch only reads (0x01, 0x02, 0x03, 0x07, 0x09, 0x0A, 0x22)",
        "car.yaml:13:28: unknown signal 'WG_DUTTY' (did you mean WG_DUTY?)",
        "car.yaml:14:40: kPa does not convert to rpm",
        "car.yaml:15:26: unknown channel 'engine_speeed' (did you mean engine_speed?)",
        "car.yaml:18:31: 7000 has no unit: expected one such as rpm",
        "car.yaml:19:15: found 'urgent', expected one of critical, high, medium, low",
        "car.yaml:21:11: unknown channel 'engine_sped' (did you mean engine_speed?)",
    ]


def test_the_message_begins_with_how_many_there_are(write: Write, tmp_path: Path) -> None:
    with pytest.raises(MistakesError) as caught:
        load_profile(write("profile: 2\nname: car\n"))
    place = f"{tmp_path}/car.yaml:1:10"
    assert str(caught.value) == (
        f"1 mistake found:\n  {place}: found version 2: this livewatch reads profiles of version 1"
    )
    assert caught.value.exit_code == 3


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        # The file as a whole.
        ("", ["car.yaml:1:1: is empty: expected keys such as profile, name, channels"]),
        ("- a\n- b\n", ["car.yaml:1:1: is no profile: expected keys such as profile, name, channels"]),
        ("name: car\n", ["car.yaml:1:1: 'profile' is missing here: write profile: 1, the version of the format"]),
        ("profile: 1\n", ["car.yaml:1:1: 'name' is missing here: what the vehicle is called"]),
        (HEAD + "chanels: {}\n", ["car.yaml:3:1: unknown key 'chanels' (did you mean channels?)"]),
        (HEAD + "name: again\n", ["car.yaml:3:1: the key 'name' is here twice: the first is on line 2"]),
        (HEAD + "channels: []\n", ["car.yaml:3:11: found a list, expected names with values"]),
        (HEAD + "channels:\n", ["car.yaml:3:10: found nothing, expected names with values"]),
        (HEAD + "tick: 5 s\n", ["car.yaml:3:7: a tick of 5 s makes no sense: expected 1 ms to 1 s"]),
        (HEAD + "tick: 10\n", ["car.yaml:3:7: 10 has no unit: expected a time such as 0.5 s"]),
        (
            HEAD + "lead_up: 5 min\n",
            ["car.yaml:3:10: 5 min before every alarm is too much to keep: expected at most 60 s"],
        ),
        # YAML itself.
        (
            HEAD + "a: [1, 2\n",
            ["car.yaml:4:1: is no YAML here: while parsing a flow sequence did not find expected ',' or ']'"],
        ),
        (HEAD + "a: b: c\n", ["car.yaml:3:5: is no YAML here: mapping values are not allowed in this context"]),
        (
            HEAD + "\tname: x\n",
            [
                "car.yaml:3:1: is no YAML here: found a tab, expected spaces: YAML is indented with spaces only; "
                "replace each tab by two",
            ],
        ),
        (HEAD + "? [a, b]\n: c\n", ["car.yaml:3:3: a key must be a name or a number"]),
        # The engine.
        (
            HEAD + "engine: {cylinders: 4}\n",
            [
                "car.yaml:3:1: 'air_metering' is missing here",
                "car.yaml:3:1: 'displacement' is missing here",
                "car.yaml:3:1: 'induction' is missing here",
            ],
        ),
        (
            HEAD + "engine: {displacement: 2 L, cylinders: 40, induction: turbocharged, air_metering: speed_density,"
            " fuel: gasolin}\n",
            [
                "car.yaml:3:40: found 40, expected at most 16",
                "car.yaml:3:104: unknown fuel 'gasolin' (did you mean gasoline?): expected gasoline E<percent>, "
                "gasoline, isooctane, ethanol, methanol, toluene, methane, propane",
            ],
        ),
        # Frames.
        (
            HEAD + "decode:\n  - bus: engine\n",
            [
                "car.yaml:4:5: found names with values: expected `dbc:` with a file, or `frame:` with an "
                "identifier such as 0x1A4"
            ],
        ),
        (
            HEAD + "decode:\n  - {frame: 0x800, bus: engine, extended: false, signals: {}}\n",
            ["car.yaml:4:13: 0x800 needs an extended identifier: write extended: true"],
        ),
        (
            HEAD + "decode:\n  - {frame: 0x20000000, bus: engine, signals: {}}\n",
            ["car.yaml:4:13: found 536870912, expected at most 536870911"],
        ),
        (
            HEAD + "decode:\n  - frame: 1\n    bus: b\n    length: 2\n    signals: {A: {start: 8, length: 9}}\n",
            ["car.yaml:7:15: signal A reaches into byte 2, but the frame has 2 bytes"],
        ),
        (
            HEAD + "decode:\n  - frame: 1\n    bus: b\n    signals:\n"
            "      A: {start: 0, length: 9}\n      B: {start: 15, length: 8, order: big_endian}\n",
            ["car.yaml:8:7: signals A and B overlap"],
        ),
        (
            HEAD + "decode:\n  - frame: 1\n    bus: b\n    signals:\n"
            "      PAGE: {start: 0, length: 8}\n"
            "      A: {start: 8, length: 8, multiplexer: {signal: PAGE, values: [1, [4, 6]]}}\n"
            "      B: {start: 8, length: 8, multiplexer: {signal: PAGE, values: [2, 5]}}\n"
            "      C: {start: 8, length: 8, multiplexer: {signal: PAGE, values: [0]}}\n"
            "      D: {start: 16, length: 8, multiplexer: {signal: PAGES, values: [0]}}\n",
            [
                "car.yaml:9:7: signals A and B overlap",
                "car.yaml:11:55: unknown signal 'PAGES' in this message (did you mean PAGE?)",
            ],
        ),
        (
            HEAD + "decode:\n  - {frame: 1, bus: b, signals: {A: {start: 0, length: 24, kind: float}}}\n",
            ["car.yaml:4:56: a float has 16, 32 or 64 bits, found 24"],
        ),
        (
            HEAD + "decode:\n  - {frame: 1, bus: b, signals: {A: {start: 0, length: 8, curve: [[2, 0], [1, 5]]}}}\n",
            ["car.yaml:4:66: a curve needs two or more [input, output] points with ascending inputs"],
        ),
        (
            HEAD + "decode:\n  - {frame: 0x10, bus: b, name: ONE, signals: {}}\n"
            "  - {frame: 16, bus: b, name: TWO, signals: {}}\n  - {frame: 16, bus: c, name: TWO, signals: {}}\n",
            ["car.yaml:5:13: message TWO has the identifier 0x010 on bus b, which ONE has too"],
        ),
        (
            HEAD + "decode:\n  - {frame: 1, bus: the bus, signals: {}}\n",
            ["car.yaml:4:21: 'the bus' is no bus name: use letters, digits, _ and -"],
        ),
    ],
)
def test_a_mistake_is_said_with_its_place(mistakes: Mistakes, text: str, expected: list[str]) -> None:
    assert mistakes(text) == expected


def test_a_file_that_is_not_there_or_no_text_is_said(tmp_path: Path) -> None:
    binary = tmp_path / "noise.yaml"
    binary.write_bytes(b"profile: 1\n\xff\xfe\x00\x81")
    for path, problem in (
        (tmp_path / "none.yaml", f"{tmp_path}/none.yaml: there is no such file"),
        (tmp_path, f"{tmp_path}: is a folder, not a file"),
        (binary, f"{binary}:2:0: is no UTF-8 text, as YAML has to be"),
    ):
        with pytest.raises(MistakesError) as caught:
            load_profile(path)
        assert [str(mistake) for mistake in caught.value.mistakes] == [problem]


def test_a_hostile_text_exhausts_neither_stack_nor_memory() -> None:
    bomb = "a: &a [x, x, x, x, x, x, x, x, x]\n" + "".join(
        f"{chr(98 + level)}: &{chr(98 + level)} [{', '.join([f'*{chr(97 + level)}'] * 9)}]\n" for level in range(9)
    )
    for text, problem in (
        ("[" * 3000, "nest"),
        ("a: " + "{b: " * 60 + "1" + "}" * 60, "nested more than 50 levels deep"),
        ("a: &a [*a]\n", "nested more than 50 levels deep"),
        (bomb, "far too large"),
        ("a: \x00", "is no YAML"),
    ):
        with pytest.raises(MistakesError, match=problem):
            load_profile_text(text, "car.yaml", None)


def test_words_that_older_yaml_takes_for_truth_stay_words() -> None:
    profile: Profile = load_profile_text(
        HEAD + "decode:\n  - frame: 0x100\n    bus: b\n    signals:\n"
        "      ON: {start: 0, length: 1, values: {0: off, 1: on}}\n"
        "channels: {lights: {signal: ON, unit: 1}}\n",
        "car.yaml",
        None,
    )
    assert profile.channels[0].value_table == {0: "off", 1: "on"}
    assert profile.messages[0].identifier == 256
