"""Channels, formulas, polls, alarms and tables that do not fit together: told where, what, and what was expected."""

from __future__ import annotations

from collections.abc import Callable

import pytest

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


@pytest.mark.parametrize(
    ("text", "expected"),
    [
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
            HEAD + "poll:\n  - {service: 0x01, pid: 0x0C, every: 1 s, priority: hihg}\n",
            ["car.yaml:4:54: found 'hihg', expected one of high, medium, low (did you mean high?)"],
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
def test_what_does_not_fit_together_is_said_with_its_place(mistakes: Mistakes, text: str, expected: list[str]) -> None:
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
