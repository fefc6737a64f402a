"""What a formula may say, what it means, and what it is told when it is wrong."""

from __future__ import annotations

import math

import numpy as np
import pytest

from livewatch.profile.formula.compile import FormulaError, compile_condition, compile_formula, names_in

PERIOD = 10_000_000
UNITS = {
    "engine_speed": "rpm",
    "manifold_pressure": "kPa",
    "barometric_pressure": "kPa",
    "boost_gauge": "psi",
    "mass_air_flow": "g/s",
    "coolant_temperature": "degC",
    "intake_air_temperature": "degC",
    "outside_temperature": "degF",
    "temperature_rise": "K",
    "trim": "%",
    "lambda_1": "1",
    "commanded_lambda": "1",
    "advance": "deg",
    "torque": "N*m",
    "running": "1",
}
CONSTANTS = {"authority.trim.high": (25.0, "%"), "engine.displacement": (2.0, "L"), "engine.cylinders": (4.0, "1")}


def value_of(text: str, unit: str | None = None, **values: float) -> float:
    """The formula at one tick."""
    formula = compile_formula(text, UNITS, unit, CONSTANTS)
    run = formula.start({name: row for row, name in enumerate(values)}, PERIOD)
    return float(run.evaluate(np.array([[value] for value in values.values()], dtype=float).reshape(-1, 1), 0)[0])


def problem_of(text: str, unit: str | None = None) -> tuple[str, int]:
    with pytest.raises(FormulaError) as caught:
        compile_formula(text, UNITS, unit, CONSTANTS)
    return caught.value.problem, caught.value.offset


def test_multiplication_binds_before_addition_and_a_sign_before_both() -> None:
    assert value_of("2 + 3 * 4 - -6 / 2") == 17.0
    assert value_of("(2 + 3) * 4") == 20.0
    assert value_of("2 - 3 - 4") == -5.0
    assert value_of("24 / 4 / 2") == 3.0


def test_not_binds_before_and_before_or() -> None:
    assert value_of("1 > 2 or 1 < 2 and not 1 > 2") == 1.0
    assert value_of("not 1 > 2 and 1 > 2") == 0.0
    assert value_of("not (1 > 2 and 1 > 2)") == 1.0


def test_need_is_trims_times_lambda_over_command() -> None:
    need = value_of("(1 + trim) * (lambda_1 / commanded_lambda)", trim=10.0, lambda_1=0.9, commanded_lambda=0.85)
    assert need == pytest.approx(1.1 * 0.9 / 0.85, rel=1e-15)


def test_a_number_takes_the_unit_written_behind_it() -> None:
    assert value_of("manifold_pressure > 1 bar", manifold_pressure=100.5) == 1.0
    assert value_of("mass_air_flow > 72 kg/h", mass_air_flow=19.9) == 0.0
    assert value_of("5g/s/mass_air_flow", mass_air_flow=2.5) == 2.0, "the unit ends where a channel begins"


def test_the_right_operand_is_converted_to_the_unit_of_the_left_one() -> None:
    assert value_of("manifold_pressure - boost_gauge", "kPa", manifold_pressure=200.0, boost_gauge=10.0) == (
        pytest.approx(200.0 - 68.94757, rel=1e-6)
    )
    assert compile_formula("boost_gauge - manifold_pressure", UNITS).unit == "psi"


def test_values_of_one_unit_are_compared_bit_for_bit() -> None:
    below = math.nextafter(101.3, 0.0)
    assert (
        value_of("manifold_pressure >= barometric_pressure", manifold_pressure=below, barometric_pressure=101.3) == 0.0
    )
    assert value_of("manifold_pressure == 101.3 kPa", manifold_pressure=101.3) == 1.0


def test_a_percentage_beside_a_plain_number_is_a_share() -> None:
    assert value_of("trim > 0.1", trim=10.5) == 1.0
    assert value_of("1 + trim", trim=-5.0) == 0.95
    assert value_of("trim * 2", "%", trim=10.0) == 20.0
    assert value_of("trim * mass_air_flow", "g/s", trim=10.0, mass_air_flow=50.0) == pytest.approx(5.0)
    assert value_of("trim / 50 %", trim=25.0) == 0.5


def test_the_difference_of_two_temperatures_is_in_kelvin() -> None:
    formula = compile_formula("coolant_temperature - intake_air_temperature", UNITS)
    assert formula.unit == "K"
    assert value_of("coolant_temperature - 20 degC", "K", coolant_temperature=90.0) == 70.0
    assert value_of(
        "coolant_temperature - outside_temperature > 15 K", coolant_temperature=30.0, outside_temperature=50.0
    )
    assert value_of("coolant_temperature + 5 K", "degF", coolant_temperature=95.0) == pytest.approx(212.0)
    assert value_of("coolant_temperature < -5 degC", coolant_temperature=-6.0) == 1.0


def test_a_product_takes_temperatures_as_absolute() -> None:
    # Heywood (1988) eq. 2.27, the worked figure of speed-density air: 2.0 L, 3000 rpm, 100 kPa, 293.15 K and volumetric
    # efficiency 0.95 give 56.45 g/s (recomputed with R = 287.05 J/kg K).
    air = value_of(
        "0.95 * engine.displacement * engine_speed / 2 rev * manifold_pressure"
        " / (0.28705 J/g/K * intake_air_temperature)",
        "g/s",
        engine_speed=3000.0,
        manifold_pressure=100.0,
        intake_air_temperature=20.0,
    )
    assert air == pytest.approx(56.45, abs=0.005)


def test_turns_are_neither_one_nor_two_pi_by_accident() -> None:
    # 100 g/s at 6000 rpm in a four-cylinder: 200 intake strokes a second, 0.5 g each.
    per_stroke = "mass_air_flow / (engine_speed * engine.cylinders / 2 rev)"
    assert value_of(per_stroke, "mg", mass_air_flow=100.0, engine_speed=6000.0) == pytest.approx(500.0)
    # 300 N*m at 5252.1 rpm is 165 kW (power = torque times angular speed).
    power = value_of("torque * engine_speed * 6.283185307179586 / 1 rev", "kW", torque=300.0, engine_speed=5252.1)
    assert power == pytest.approx(300.0 * 5252.1 * math.pi / 30 / 1000)
    problem, _ = problem_of("torque * engine_speed", "kW")
    assert problem.endswith("does not convert to kW: write `/ 1 rev` (or `* 1 rev`) where turns are counted")


def test_constants_of_the_profile_are_known_by_their_dotted_names() -> None:
    assert value_of("trim >= authority.trim.high", trim=25.0) == 1.0
    condition = compile_condition("trim > authority.trim.high", "2 %", UNITS, CONSTANTS)
    assert condition.setpoint.text == "trim > 25 %"


UNKNOWN = math.nan


@pytest.mark.parametrize(
    ("first", "second", "both", "either"),
    [
        # Kleene's strong three-valued logic.
        (1.0, 1.0, 1.0, 1.0),
        (1.0, 0.0, 0.0, 1.0),
        (0.0, 0.0, 0.0, 0.0),
        (1.0, UNKNOWN, UNKNOWN, 1.0),
        (0.0, UNKNOWN, 0.0, UNKNOWN),
        (UNKNOWN, UNKNOWN, UNKNOWN, UNKNOWN),
    ],
)
def test_logic_with_unknown_values_is_kleenes(first: float, second: float, both: float, either: float) -> None:
    units = {"a": "1", "b": "1"}
    for left, right in ((first, second), (second, first)):
        values = np.array([[left], [right]])
        for text, expected in (("a and b", both), ("a or b", either), ("not a", 1.0 - left)):
            found = compile_formula(text, units).start({"a": 0, "b": 1}, PERIOD).evaluate(values, 0)
            np.testing.assert_array_equal(found, [expected])


def test_what_is_compared_with_an_unknown_value_is_unknown() -> None:
    for text in ("lambda_1 > 1", "lambda_1 != 1", "not lambda_1 > 1", "max(lambda_1, 2)", "when(lambda_1 > 1, 1, 1)"):
        assert math.isnan(value_of(text, lambda_1=UNKNOWN))
    assert value_of("when(lambda_1 > 1, commanded_lambda, 2)", lambda_1=0.5, commanded_lambda=UNKNOWN) == 2.0


def test_a_division_by_zero_is_unknown_and_counted() -> None:
    formula = compile_formula("mass_air_flow / engine_speed > 0.01 g/s/rpm", UNITS)
    run = formula.start({"mass_air_flow": 0, "engine_speed": 1}, PERIOD)
    found = run.evaluate(np.array([[50.0, 50.0, UNKNOWN, 0.0], [1000.0, 0.0, 0.0, 0.0]]), 0)
    np.testing.assert_array_equal(found, [1.0, UNKNOWN, UNKNOWN, UNKNOWN])
    assert run.undefined == 2, "not where the air flow itself was unknown"
    run.evaluate(np.array([[1.0], [0.0]]), 4)
    assert run.undefined == 3


def test_a_division_by_zero_that_decides_nothing_is_not_counted() -> None:
    formula = compile_formula("engine_speed > 0 rpm and mass_air_flow / engine_speed > 0.01 g/s/rpm", UNITS)
    run = formula.start({"mass_air_flow": 0, "engine_speed": 1}, PERIOD)
    np.testing.assert_array_equal(run.evaluate(np.array([[50.0], [0.0]]), 0), [0.0])
    assert run.undefined == 0


def test_a_number_too_large_to_hold_is_unknown_and_counted() -> None:
    run = compile_formula("lambda_1 * 1e300 * 1e300", UNITS).start({"lambda_1": 0}, PERIOD)
    np.testing.assert_array_equal(run.evaluate(np.array([[1.0, 0.0]]), 0), [UNKNOWN, 0.0])
    assert run.undefined == 1


@pytest.mark.parametrize(
    ("text", "problem", "offset"),
    [
        ("", "expected a number, a channel or a function, the formula ends", 0),
        ("lambda_1 >", "expected a number, a channel or a function, the formula ends", 10),
        ("lambda_1 commanded_lambda", "expected an operator, found 'commanded_lambda'", 9),
        ("(lambda_1 > 1", "expected ')' for the '(' before it, the formula ends", 13),
        ("lambda_1 $ 2", "'$' means nothing in a formula", 9),
        ("lambda_1 = 1", "a comparison is written ==", 9),
        ("0.8 < lambda_1 < 1.1", "comparisons do not chain: write a < b and b < c", 15),
        ("lamda_1 > 1", "unknown channel 'lamda_1' (did you mean lambda_1?)", 0),
        ("1 > authority.trim.hihg", "unknown constant 'authority.trim.hihg' (did you mean authority.trim.high?)", 4),
        ("meen(lambda_1, 1 s)", "unknown function 'meen' (did you mean mean?)", 0),
        ("mean > 1", "the function mean needs its arguments in parentheses", 0),
        ("mean(lambda_1)", "mean takes 2 arguments, found 1", 0),
        ("min(lambda_1)", "min takes 2 to 20 arguments, found 1", 0),
        ("mean(lambda_1, 2)", "mean needs a time written as a number, such as 0.5 s", 15),
        ("mean(lambda_1, lambda_1)", "mean needs a time written as a number, such as 0.5 s", 15),
        ("mean(lambda_1, 11 min)", "mean looks back more than 0 s and at most 10 min", 15),
        ("mean(lambda_1, 0 s)", "mean looks back more than 0 s and at most 10 min", 15),
        ("rate(lambda_1, 5 kPa)", "kPa does not convert to ns", 15),
        ("manifold_pressure > engine_speed", "cannot compare kPa and rpm", 20),
        ("manifold_pressure + 20 rpm", "cannot add kPa and rpm", 20),
        ("manifold_pressure > 20 kpa", "unknown unit 'kpa' (did you mean kPa?)", 20),
        ("manifold_pressure > 20", "20 has no unit: expected one such as kPa", 20),
        ("advance > 3", "3 has no unit: expected one such as deg", 10),
        ("min(manifold_pressure, 3 rpm)", "cannot take the min of kPa and rpm", 23),
        ("trim > 10", "10 without a unit is 1000 % here: write 10 %", 7),
        ("manifold_pressure and running", "and needs something true or false, found kPa: compare it", 0),
        ("running and 1", "and needs something true or false, found a plain number: compare it", 12),
        ("not trim", "not needs something true or false, found %: compare it", 4),
        ("coolant_temperature + 5 degC", "cannot add two temperatures: write a difference in K", 20),
        ("5 K - coolant_temperature", "cannot subtract a temperature from K", 4),
        (
            "abs(coolant_temperature)",
            "the absolute value of a temperature makes no sense: subtract another one first",
            4,
        ),
        (
            "temperature_rise > 15 degC",
            "cannot compare K and degC: one is a temperature, the other a difference. Write differences in K, "
            "temperatures in degC",
            17,
        ),
        ("(" * 50 + "1" + ")" * 50, "nested more than 40 levels deep", 40),
        ("-" * 5000 + "1", "the formula has 5001 characters: at most 2000 are read", 2000),
        ("+".join(["lambda_1"] * 120), "more than 100 operations build on one another", 899),
    ],
)
def test_a_wrong_formula_is_told_what_is_wrong_and_where(text: str, problem: str, offset: int) -> None:
    assert problem_of(text) == (problem, offset)


def test_a_result_that_does_not_fit_its_channel_is_refused() -> None:
    assert problem_of("manifold_pressure", "rpm")[0] == "the result is kPa, which does not convert to rpm"
    assert problem_of("trim > 5 %", "kPa")[0] == "the result is true or false, which has unit 1, not kPa"
    difference = "coolant_temperature - intake_air_temperature"
    assert problem_of(difference, "degC")[0] == "the result is a temperature difference: its unit is K, not degC"


def test_a_formula_names_its_inputs_and_how_far_it_looks_back() -> None:
    text = "rate(mean(manifold_pressure, 2 s), 0.5 s) > 10 kPa/s and recently(running, 1 s)"
    formula = compile_formula(text, UNITS)
    assert formula.inputs == ("manifold_pressure", "running")
    assert formula.reach == 2_500_000_000
    assert formula.unit == "1"
    assert formula.text == text
    assert names_in("a + authority.b.high > mean(c, 1 s)", {}) == ("a", "authority.b.high", "c")


@pytest.mark.parametrize(
    ("text", "deadband", "above", "between", "below"),
    [
        # The condition is true, still counts as there, counts as gone, at these values of lambda_1.
        ("lambda_1 > 1.06", "0.02", 1.07, 1.05, 1.04),
        ("1.06 < lambda_1", "0.02", 1.07, 1.05, 1.03),
        ("lambda_1 < 0.75", "0.05", 0.7, 0.78, 0.81),
        ("lambda_1 >= 1.06", "2 %", 1.06, 1.05, 1.03),
    ],
)
def test_an_alarm_clears_only_beyond_its_deadband(
    text: str, deadband: str, above: float, between: float, below: float
) -> None:
    condition = compile_condition(text, deadband, UNITS)
    values = np.array([[above, between, below, UNKNOWN]])
    there = condition.condition.start({"lambda_1": 0}, PERIOD).evaluate(values, 0)
    gone = condition.clear.start({"lambda_1": 0}, PERIOD).evaluate(values, 0)
    np.testing.assert_array_equal(there, [1.0, 0.0, 0.0, UNKNOWN])
    np.testing.assert_array_equal(gone, [0.0, 0.0, 1.0, UNKNOWN])
    assert condition.setpoint.text == text


def test_a_deadband_belongs_to_the_only_comparison_of_its_kind() -> None:
    condition = compile_condition("engine_speed > 1500 rpm and trim > 12 %", "2 %", UNITS)
    assert condition.evidence == ("trim", "engine_speed")
    index = {"engine_speed": 0, "trim": 1}
    values = np.array([[2000.0, 2000.0, 1000.0, UNKNOWN], [11.0, 9.0, 20.0, 9.0]])
    gone = condition.clear.start(index, PERIOD).evaluate(values, 0)
    np.testing.assert_array_equal(gone, [0.0, 1.0, 1.0, 1.0])


def test_without_a_deadband_gone_is_the_opposite_of_there() -> None:
    condition = compile_condition("manifold_pressure - barometric_pressure   > 20 kPa", None, UNITS)
    assert condition.setpoint.text == "manifold_pressure - barometric_pressure > 20 kPa"
    assert condition.evidence == ("manifold_pressure", "barometric_pressure")
    values = np.array([[130.0, 110.0, UNKNOWN], [100.0, 100.0, 100.0]])
    index = {"manifold_pressure": 0, "barometric_pressure": 1}
    np.testing.assert_array_equal(condition.clear.start(index, PERIOD).evaluate(values, 0), [0.0, 1.0, UNKNOWN])


@pytest.mark.parametrize(
    ("text", "deadband", "problem"),
    [
        ("trim > 5 % or trim < -5 %", "1 %", "the deadband 1 % fits more than one comparison: make an alarm of each"),
        (
            "lambda_1 > 1.06",
            "2 kPa",
            "the deadband 2 kPa fits no comparison: it needs a <, <=, > or >= of the same kind",
        ),
        ("lambda_1 == 1", "0.1", "the deadband 0.1 fits no comparison: it needs a <, <=, > or >= of the same kind"),
        ("not lambda_1 > 1", "0.1", "a deadband under `not` reads backwards: turn the comparison round"),
        ("trim > 12 %", "2", "the deadband 2 without a unit is 200 %: write 2 %"),
        ("trim > 12 %", "-2 %", "the deadband -2 % is negative"),
        ("trim > 12 %", "2 kpa", "unknown unit 'kpa' (did you mean kPa?)"),
        ("manifold_pressure", None, "a condition needs something true or false, found kPa: compare it"),
    ],
)
def test_a_condition_that_cannot_be_judged_is_refused(text: str, deadband: str | None, problem: str) -> None:
    with pytest.raises(FormulaError) as caught:
        compile_condition(text, deadband, UNITS)
    assert caught.value.problem == problem


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("trim < limits.low + 1 %", "trim < -24 %"),
        ("trim > limits.high - 1 % and speed > 900 rpm", "trim > 24 % and speed > 900 rpm"),
        ("speed >= 0.9 * limits.speed", "speed >= 6300 rpm"),
        ("speed > limits.speed - 100 rpm or trim > 3 %", "speed > 6900 rpm or trim > 3 %"),
        ("trim > 2 % + 3 % * 4", "trim > 14 %"),
        ("speed > limits.speed * 2 + 1 rpm", "speed > 14001 rpm"),
        ("speed > 6000 rpm and trim > 1 % + 1 %", "speed > 6000 rpm and trim > 2 %"),
        ("trim > (5 % + limits.high) / 2 and speed > 900 rpm", "trim > 15 % and speed > 900 rpm"),
        ("trim < (limits.low - 5 %) * 0.5", "trim < -15 %"),
        ("trim > (2 % + 3 %) / 0", "trim > (2 % + 3 %) / 0"),
        ("trim < 0.90 and speed > 1e3 rpm", "trim < 0.90 and speed > 1e3 rpm"),
        ("abs(mean(trim, 10 s)) > -limits.low / 5", "abs(mean(trim, 10 s)) > 5 %"),
        ("limits.speed - 500 rpm < speed", "6500 rpm < speed"),
        ("speed * limits.high > 1 rpm", "speed * 25 % > 1 rpm"),
    ],
)
def test_a_limit_worked_out_from_numbers_is_said_as_the_one_it_comes_to(text, said):
    constants = {"limits.low": (-25.0, "%"), "limits.high": (25.0, "%"), "limits.speed": (7000.0, "rpm")}
    units = {"trim": "%", "speed": "rpm"}
    assert compile_condition(text, None, units, constants).setpoint.text == said


@pytest.mark.parametrize(
    ("text", "setpoint"),
    [
        ("trim < limits.low + 1 %", ("trim", "<", -24.0, "%", True)),
        ("6.5 krpm <= speed", ("speed", ">=", 6500.0, "rpm", True)),
        ("speed > 0.5 * limits.speed and trim > 3 %", ("speed", ">", 3500.0, "rpm", False)),
        ("abs(mean(trim, 2 s))   > 0.03", ("abs(mean(trim, 2 s))", ">", 3.0, "%", True)),
        ("speed > highest(speed, 1 s) - 100 rpm", ("", "", None, "", False)),
    ],
)
def test_a_set_point_is_what_is_measured_the_comparison_and_the_limit_in_the_unit_measured(text, setpoint):
    constants = {"limits.low": (-25.0, "%"), "limits.speed": (7000.0, "rpm")}
    found = compile_condition(text, None, {"trim": "%", "speed": "rpm"}, constants).setpoint
    assert (found.measured, found.comparison, found.limit, found.unit, found.alone) == setpoint
