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
FRAMES = """\
decode:
  - frame: 0x100
    bus: engine
    name: FAST
    signals:
      SPEED: {start: 0, length: 16, scale: 0.25, unit: rpm}
      PRESSURE: {start: 16, length: 16, scale: 0.1, unit: kPa}
  - frame: 0x101
    bus: engine
    name: SLOW
    signals:
      PRESSURE: {start: 0, length: 8, unit: kPa}
      PLAIN: {start: 8, length: 8}
"""
ALARM = """
alarms:
  fast:
    condition: engine_speed > 7000 rpm
    action: Lift.
"""


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
                "car.yaml:3:1: is no YAML here: while scanning a plain scalar found a tab character that violates "
                "indentation"
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
        # Channels.
        (
            HEAD + FRAMES + "channels:\n  manifold_pressure: {signal: PRESSURE}\n",
            [
                "car.yaml:17:31: 'PRESSURE' is in more than one message: write one of FAST.PRESSURE, SLOW.PRESSURE",
            ],
        ),
        (
            HEAD + FRAMES + "channels:\n  manifold_pressure: {signal: SLAW.PRESSURE}\n",
            ["car.yaml:17:31: unknown signal 'SLAW.PRESSURE' (did you mean FAST.PRESSURE?)"],
        ),
        (
            HEAD + FRAMES + "channels:\n  engine_speed: {signal: SLOW.PRESSURE}\n",
            ["car.yaml:17:3: signal PRESSURE: kPa does not convert to rpm, which engine_speed is in"],
        ),
        (
            HEAD + FRAMES + "channels:\n  coolant_temperature: {signal: PLAIN}\n",
            [
                "car.yaml:17:3: signal PLAIN says no unit: add unit: with what it is in (coolant_temperature wants "
                "degC)",
            ],
        ),
        (
            HEAD + FRAMES + "channels:\n  cabin: {signal: PLAIN}\n",
            [
                "car.yaml:17:3: unit is missing here: say in what the values are, such as unit: kPa, or unit: 1 for "
                "plain numbers",
            ],
        ),
        (
            HEAD + FRAMES + "channels:\n  engine_speed: {signal: SPEED, unit: rmp}\n",
            ["car.yaml:17:39: unknown unit 'rmp' (did you mean rpm?)"],
        ),
        (
            HEAD + FRAMES + "channels:\n  engine_speed: {signal: SPEED, unit: Hz}\n",
            [
                "car.yaml:17:39: engine_speed is always in rpm, and its signal SPEED in rpm, not Hz: leave unit out, "
                "or correct the signal's under decode",
            ],
        ),
        (
            HEAD + "channels:\n  engine_speed: {unit: Hz}\n",
            [
                "car.yaml:4:24: engine_speed is always in rpm: leave unit out (a column's own unit goes under tables)",
            ],
        ),
        (
            HEAD + FRAMES + "channels:\n  engine_speed: {signal: SPEED, formula: 1 rpm}\n",
            ["car.yaml:17:3: has signal and formula: a channel has one of them"],
        ),
        (
            HEAD + "channels:\n  engine_speed: {invalid: [255]}\n",
            ["car.yaml:4:3: has invalid raw codes, but neither signal nor parameter to have them"],
        ),
        (
            HEAD + FRAMES + "channels:\n  engine_speed: {signal: SPEED, stale_after: 0.3}\n",
            ["car.yaml:17:46: 0.3 has no unit: expected a time such as 0.5 s"],
        ),
        (
            HEAD + "channels:\n  2nd_gear: {}\n  mean: {unit: 1}\n",
            [
                "car.yaml:4:3: '2nd_gear' is no name: use letters, digits and _, no digit first",
                "car.yaml:5:3: 'mean' is a word of the formula language: choose another name",
            ],
        ),
        # Formulas.
        (
            HEAD + "channels:\n  a: {unit: kPa}\n  b: {formula: a + 5 rpm}\n",
            ["car.yaml:5:20: cannot add kPa and rpm"],
        ),
        (
            HEAD + 'channels:\n  a: {unit: kPa}\n  b: {formula: "a >"}\n',
            ["car.yaml:5:20: expected a number, a channel or a function, the formula ends"],
        ),
        (
            HEAD + "channels:\n  a: {unit: kPa}\n  b:\n    formula: >\n      a + 1\n",
            ["car.yaml:6:14: 1 has no unit: expected one such as kPa"],
        ),
        (
            HEAD
            + "channels:\n  a: {formula: b + 1}\n  b: {formula: 2 * c}\n  c: {formula: a - d}\n  d: {formula: a}\n",
            ["car.yaml:4:16: the formulas go round in a circle: a uses b, b uses c, c uses a"],
        ),
        (
            HEAD + 'channels:\n  a: {formula: "mean(a, 1 s)", unit: kPa}\n',
            ["car.yaml:4:16: the formulas go round in a circle: a uses a"],
        ),
        (
            HEAD + "channels:\n  a: {unit: 1}\n  b: {formula: mean(a, 1 s), unit: 1}\n",
            [
                "car.yaml:5:22: expected ')' for the '(' before it, the formula ends",
                "car.yaml:5:24: unknown key '1 s)': between { and }, a formula with a comma in it needs quotes",
            ],
        ),
        # Polling and the diagnostic port.
        (
            HEAD + "poll:\n  - {service: 0x2E, did: 0xF41C, every: 1 s}\n",
            [
                "car.yaml:4:15: service 0x2E is refused: livewatch only reads "
                "(0x01, 0x02, 0x03, 0x07, 0x09, 0x0A, 0x22)",
            ],
        ),
        (
            HEAD + "poll:\n  - {service: 0x03, every: 1 s}\n",
            [
                "car.yaml:4:15: service 0x03 cannot be polled again and again: expected 0x01, or 0x22 with a "
                "listed did",
            ],
        ),
        (
            HEAD + "poll:\n  - {service: 0x22, did: 0xF41C, every: 1 s}\n",
            ["car.yaml:4:26: unknown parameter: did 0xF41C is not listed under diagnostics: read"],
        ),
        (
            HEAD + "poll:\n  - {service: 0x01, pid: 0xFE, every: 1 s}\n",
            ["car.yaml:4:26: unknown parameter: SAE J1979 service 0x01 has no pid 0xFE that livewatch knows"],
        ),
        (
            HEAD + "poll:\n  - {service: 0x01, did: 0x0C, every: 1 s}\n",
            ["car.yaml:4:5: service 0x01 needs pid, and no did"],
        ),
        (
            HEAD + "poll:\n  - {service: 0x01, pid: 0x0C, every: 1 ms}\n",
            ["car.yaml:4:39: 1 ms is too often to ask: expected 10 ms or more"],
        ),
        (
            HEAD + "poll:\n  - {service: 0x01, pid: 0x0C, every: 1 s}\n  - {service: 0x01, pid: 0x0C, every: 2 s}\n",
            ["car.yaml:5:26: service 0x01, pid 0x0C is polled twice"],
        ),
        (
            HEAD + "buses: {one: [], two: []}\npoll:\n  - {service: 0x01, pid: 0x0C, every: 1 s}\n",
            ["car.yaml:5:3: which bus is the diagnostic port on? Add diagnostics: {bus: one} or another"],
        ),
        (
            HEAD + "channels:\n  knock_retard: {parameter: {service: 0x22, did: 0x1234}}\n",
            ["car.yaml:4:29: unknown parameter: did 0x1234 is not listed under diagnostics: read"],
        ),
        (
            HEAD + "channels:\n  x: {parameter: {service: 0x01, pid: 0x14}, unit: V}\n",
            [
                "car.yaml:4:18: oxygen_sensor_voltage_bank_1_sensor_1 has 2 signals: add signal: with one of "
                "oxygen_sensor_voltage_bank_1_sensor_1, short_term_fuel_trim_bank_1_sensor_1",
            ],
        ),
        (
            HEAD + "diagnostics:\n  bus: b\n  read:\n    - did: 1\n      name: one\n      length: 1\n"
            "      signals: {A: {start: 0, length: 16}}\n",
            ["car.yaml:9:17: signal A reaches into byte 1, but the answer has 1 bytes"],
        ),
        # Authority and alarms.
        (
            HEAD + "authority:\n  knock_retard: 0 .. 8 %\n  short_term_fuel_trim: 25 %\n",
            [
                "car.yaml:4:17: % does not convert to deg",
                "car.yaml:5:25: '25 %' is no range: expected a range such as 0 .. 10 %",
            ],
        ),
        (
            HEAD + "authority:\n  knock_retard: {limits: 0 deg .. 8 deg, everyday: 0 deg .. 9 deg}\n",
            ["car.yaml:4:52: 0 deg .. 9 deg reaches beyond 0 deg .. 8 deg"],
        ),
        (
            HEAD
            + FRAMES
            + "channels: {engine_speed: {signal: SPEED}}\nalarms:\n  fast: {condition: engine_speed > 7000 rpm}\n",
            ["car.yaml:18:3: 'action' is missing here: what the person should do now"],
        ),
        (
            HEAD + "alarms:\n  fast: {action: Lift.}\n",
            ["car.yaml:4:3: 'condition' is missing here: what makes it true"],
        ),
        (
            HEAD + FRAMES + "channels: {engine_speed: {signal: SPEED}}" + ALARM + "    deadband: 5 kPa\n",
            [
                "car.yaml:19:16: the deadband 5 kPa fits no comparison: it needs a <, <=, > or >= of the same kind",
            ],
        ),
        (
            HEAD + FRAMES + "channels: {engine_speed: {signal: SPEED}}" + ALARM + "    deadband: -5 rpm\n",
            ["car.yaml:21:15: -5 rpm is negative: expected 0 or more"],
        ),
        (
            HEAD
            + FRAMES
            + "channels: {engine_speed: {signal: SPEED}}"
            + ALARM
            + "    while: engine_speed\n    latch: true\n",
            [
                "car.yaml:21:12: a condition needs something true or false, found rpm: compare it",
                "car.yaml:22:5: unknown key 'latch' (did you mean latching?)",
            ],
        ),
        (
            HEAD + "signature_alarms: none\n",
            ["car.yaml:3:19: found 'none', expected on, off, or the alarms to change"],
        ),
        (
            HEAD + "signature_alarms: {no_such_alarm: off}\n",
            ["car.yaml:3:20: unknown signature alarm 'no_such_alarm'"],
        ),
        # Tables.
        (
            HEAD + "channels: {torque: {}}\ntables: {columns: {torqe: Torque}}\n",
            ["car.yaml:4:20: unknown channel 'torqe' (did you mean torque?)"],
        ),
        (
            HEAD
            + "channels: {torque: {}, twice: {formula: 2 * torque}}\n"
            + "tables: {columns: {torque: {column: T, unit: kPa}, twice: T2}, time_unit: rpm}\n",
            [
                "car.yaml:4:46: kPa does not convert to N*m",
                "car.yaml:4:52: twice is computed by a formula: no column can bring it",
                "car.yaml:4:75: rpm does not convert to s",
            ],
        ),
    ],
)
def test_a_mistake_is_said_with_its_place(mistakes: Mistakes, text: str, expected: list[str]) -> None:
    assert mistakes(text) == expected


def test_one_mistake_is_not_repeated_by_everything_that_builds_on_it(mistakes: Mistakes) -> None:
    found = mistakes(
        HEAD
        + "channels:\n  a: {signal: NOWHERE, unit: kPa}\n  b: {signal: GONE}\n  c: {formula: b / a}\n"
        + "  d: {formula: c + a}\n"
        + "alarms:\n  x: {condition: d > 1 kPa, action: Stop.}\n  y: {condition: a > 5 kpa, action: Stop.}\n"
    )
    assert found == [
        "car.yaml:4:15: unknown signal 'NOWHERE'",
        "car.yaml:5:15: unknown signal 'GONE'",
        "car.yaml:10:22: unknown unit 'kpa' (did you mean kPa?)",
    ]


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
