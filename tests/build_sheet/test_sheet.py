"""A build sheet as people write it, and as they write it wrongly."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from livewatch.build_sheet.parts import SLOTS, Injectors
from livewatch.build_sheet.physics import fuel_facts
from livewatch.build_sheet.sheet import load_build_sheet, read_build_sheet
from livewatch.errors import MistakesError
from livewatch.profile.units import parse_quantity

PROFILES = Path(__file__).parents[2] / "profiles"


def mistakes_in(text: str) -> list[str]:
    with pytest.raises(MistakesError) as caught:
        read_build_sheet(text, "car.yaml")
    return [str(mistake) for mistake in caught.value.mistakes]


def sheet(calibrated: str, fitted: str) -> str:
    return f"build_sheet: 1\nname: a car\ncalibrated_for:\n  {calibrated}\nfitted:\n  {fitted}\n"


def test_every_shipped_profile_has_a_sheet_that_reads() -> None:
    profiles = {path.stem for path in PROFILES.glob("*.yaml") if not path.stem.endswith("_build")}
    sheets = {path.stem.removesuffix("_build"): load_build_sheet(path) for path in PROFILES.glob("*_build.yaml")}
    assert set(sheets) == profiles
    assert all(read.calibrated_for and (read.fitted or read.same) for read in sheets.values())


def test_numbers_are_kept_in_one_unit_beside_what_was_written() -> None:
    text = "injectors: {part: plain, flow: 440 cm^3/min, at: 43.5 psi, dead_time: 900 us}"
    read = read_build_sheet(sheet(text, "injectors: same"), "car.yaml")
    part = read.calibrated_for["injectors"]
    assert isinstance(part, Injectors) and part.flow and part.at and part.dead_time
    # 440 cm³/min of gasoline, 0.745 kg/L (handbook value, from memory): 327.8 g/min.
    assert part.flow.value == pytest.approx(440 * 0.745 / 60)
    assert part.at.value == pytest.approx(299.92, abs=0.01)
    assert part.dead_time.value == pytest.approx(0.9)
    assert str(part) == "plain, flow 440 cm^3/min, at 43.5 psi, dead time 900 us"
    assert read.same == {"injectors"} and "injectors" not in read.fitted


def test_a_flow_by_mass_and_the_same_flow_by_volume_are_one() -> None:
    by_volume = read_build_sheet(sheet("injectors: {flow: 600 cc/min}", "fuel: same"), "a").calibrated_for["injectors"]
    by_mass = read_build_sheet(sheet("injectors: {flow: 447 g/min}", "fuel: same"), "a").calibrated_for["injectors"]
    assert by_volume.numbers["flow"].value == pytest.approx(by_mass.numbers["flow"].value)


def test_a_plain_text_is_an_identity_and_for_the_fuel_its_name() -> None:
    read = read_build_sheet(sheet("intake: Airbox A", "fuel: gasoline E85"), "car.yaml")
    assert read.calibrated_for["intake"].part == "Airbox A"
    fuel = read.fitted["fuel"]
    assert fuel_facts(fuel).ratio == pytest.approx(9.80, abs=0.01)  # type: ignore[union-attr, arg-type]


def test_what_is_left_out_stays_unknown() -> None:
    part = read_build_sheet(sheet("injectors: {part: A}", "injectors: {part: B}"), "car.yaml").fitted["injectors"]
    assert part.numbers == {}


def test_all_mistakes_come_at_once_each_at_its_place() -> None:
    text = (
        "build_sheet: 1\n"
        "calibrated_for:\n"
        "  intak: {bore: 66 mm}\n"
        "  injectors: {flow: 440 mm, dead_tim: 0.9 ms}\n"
        "  fuel: gasolin E10\n"
        "  downpipe: same\n"
        "  turbocharger: {}\n"
        "fitted:\n"
        "  intake: {bore: 66}\n"
        "  air_meter_housing: {bore: 66 cm}\n"
        "  fuel: {name: ethanol, ethanol: 10 %}\n"
        "working_points: {full_lod: {}}\n"
    )
    found = mistakes_in(text)
    assert [line.split(": ", 1)[0] for line in found] == [
        "car.yaml:1:1", "car.yaml:3:3", "car.yaml:4:21", "car.yaml:4:29", "car.yaml:5:9", "car.yaml:6:13",
        "car.yaml:7:17", "car.yaml:9:18", "car.yaml:10:29", "car.yaml:11:9", "car.yaml:12:18",
    ]  # fmt: skip
    said = "\n".join(found)
    for words in (
        "'name' is missing here",
        "unknown key 'intak' (did you mean intake?)",
        "'440 mm' is no flow of fuel",
        "unknown key 'dead_tim' (did you mean dead_time?)",
        "(did you mean gasoline E10?)",
        "'same' is a word for the fitted ones",
        "says nothing about the part",
        "66 has no unit",
        "66 cm (660 mm) is outside what there is: expected 15 to 250 mm",
        "found both name 'ethanol' and ethanol 10 %",
        "unknown key 'full_lod' (did you mean full_load?)",
    ):
        assert words in said


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "is empty"),
        ("just words", "is no build sheet"),
        ("profile: 1\nname: x\n", "is a profile: expected a build sheet"),
        ("build_sheet: 2\nname: x\ncalibrated_for: {}\nfitted: {}\n", "found 2, expected one of 1"),
        ("build_sheet: 1\nname: x\ncalibrated_for: [intake]\nfitted: {}\n", "found a list, expected names with values"),
        ("build_sheet: 1\nname: x\ncalibrated_for: {intake: 5}\nfitted: {}\n", "found 5, expected names with values"),
        ("build_sheet: 1\nname: x\ncalibrated_for: {intake: a, intake: b}\nfitted: {}\n", "is here twice"),
        ("build_sheet: 1\nname: [\n", "is no YAML here"),
    ],
)
def test_what_is_no_build_sheet_is_said_to_be_none(text: str, words: str) -> None:
    assert any(words in line for line in mistakes_in(text))


def test_a_sheet_that_is_not_there_or_no_text(tmp_path: Path) -> None:
    with pytest.raises(MistakesError, match="there is no such file"):
        load_build_sheet(tmp_path / "none.yaml")
    (tmp_path / "binary.yaml").write_bytes(b"\xff\xfe\x00\x81")
    with pytest.raises(MistakesError, match="is no UTF-8 text"):
        load_build_sheet(tmp_path / "binary.yaml")
    with pytest.raises(MistakesError, match="cannot be read"):
        load_build_sheet(tmp_path)


@given(st.floats(16, 240), st.sampled_from(["mm", "cm", "in", "m"]))
def test_a_bore_is_the_same_bore_in_any_unit(bore: float, unit: str) -> None:
    written = f"{bore * parse_quantity('1 mm', unit):.12g} {unit}"
    read = read_build_sheet(sheet(f"intake: {{bore: {written}}}", "intake: same"), "car.yaml")
    assert read.calibrated_for["intake"].numbers["bore"].value == pytest.approx(bore, rel=1e-9)


@given(st.dictionaries(st.sampled_from([*SLOTS, "nonsense", "1"]), st.one_of(
    st.none(), st.booleans(), st.integers(), st.text("abc: 1{}%", max_size=8), st.lists(st.integers(), max_size=2),
    st.dictionaries(st.sampled_from(["part", "bore", "flow", "at", "x"]), st.text("1 mkPa", max_size=6), max_size=3),
), max_size=4))  # fmt: skip
def test_no_text_makes_anything_but_a_sheet_or_mistakes(slots: dict[str, object]) -> None:
    import yaml

    text = yaml.safe_dump({"build_sheet": 1, "name": "x", "calibrated_for": slots, "fitted": slots})
    try:
        read_build_sheet(text, "car.yaml")
    except MistakesError as error:
        assert error.mistakes
