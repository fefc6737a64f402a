"""`livewatch check`: the page, the JSON, the exit code."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

SHEET = """\
build_sheet: 1
name: a car of the workshop
calibrated_for:
  air_meter_housing: {part: A, bore: 66 mm}
  fuel: gasoline E10
fitted:
  air_meter_housing: %s
  fuel: same
working_points:
  full_load: {manifold_pressure: 180 kPa}
"""


@pytest.fixture
def sheet(tmp_path: Path) -> Callable[[str], Path]:
    def write(housing: str) -> Path:
        path = tmp_path / "car.yaml"
        path.write_text(SHEET % housing)
        return path

    return write


def test_a_wider_bore_advises_against_full_load(livewatch: Callable, sheet: Callable[[str], Path]) -> None:
    code, out, err = livewatch("check", "-p", "brackwell_20t", sheet("{part: B, bore: 70 mm}"))
    assert code == 5 and not err
    # Metered area, common practice: (70/66)² = 1.1249.
    assert "ADVISED AGAINST" in out and "+12.5 %" in out and "(70/66)² = 1.1249" in out
    for words in ("Caution", "closed course or a dyno", "fire extinguisher", "Local law", "Not compared"):
        assert words in out


def test_matching_parts_are_fine(livewatch: Callable, sheet: Callable[[str], Path]) -> None:
    code, out, err = livewatch("check", "-p", "brackwell_20t", sheet("same"))
    assert code == 0 and not err and "Nothing on the sheet speaks against it" in out and "Caution" in out


def test_what_is_wrong_but_harmless_needs_a_calibration_first(
    livewatch: Callable, sheet: Callable[[str], Path]
) -> None:
    code, out, _ = livewatch("check", "-p", "brackwell_20t", sheet("{part: B, bore: 64 mm}"))
    said = " ".join(out.split())
    assert code == 0 and "needs another calibration" in said and "what needs another calibration comes first" in said


@pytest.mark.parametrize(
    ("name", "code"), [("brackwell_20t", 5), ("linden_16", 5), ("harrow_14t", 5), ("tarn_30t", 0), ("dyno_cell", 5),
                       ("rowan_12", 0)],
)  # fmt: skip
def test_the_sheets_that_come_along_tell_their_story(livewatch: Callable, name: str, code: int) -> None:
    ran = livewatch("check", "-p", name, f"{name}_build")
    assert ran.code == code and not ran.err
    assert all(len(line) <= 100 for line in ran.out.splitlines())


def test_the_page_reads_without_colour(livewatch: Callable) -> None:
    out = livewatch("check", "-p", "brackwell_20t", "brackwell_20t_build").out
    assert "\x1b" not in out and "!!! air meter housing: serious; needs another calibration" in out


def test_json_is_one_object_with_units(livewatch: Callable, sheet: Callable[[str], Path]) -> None:
    code, out, err = livewatch("check", "-p", "brackwell_20t", sheet("{part: B, bore: 70 mm}"), "--json")
    said = json.loads(out)
    assert code == 5 and not err and said["check"] == 1 and said["full_load"]["advised_against"] is True
    (difference,) = said["differences"]
    assert (difference["family"], difference["cause"], difference["needs_another_calibration"]) == (
        "metering", "meter_scale", "yes",
    )  # fmt: skip
    assert difference["need"] == {"idle": 1.1249, "cruise": 1.1249, "full load": 1.1249}
    assert {use["condition"]: use["both_trims_used"] for use in said["authority"]}["idle"] == 50.0
    assert said["fuel_supply"]["headroom"] is None and said["fuel_supply"]["missing"]


def test_mistakes_come_with_their_places(livewatch: Callable, tmp_path: Path) -> None:
    path = tmp_path / "car.yaml"
    path.write_text("build_sheet: 1\nname: x\ncalibrated_for: {intak: a}\nfitted: {intake: {bore: 66}}\n")
    code, out, err = livewatch("check", "-p", "brackwell_20t", path)
    assert (code, out) == (3, "")
    assert f"{path}:3:18: unknown key 'intak' (did you mean intake?)" in err
    assert f"{path}:4:25: 66 has no unit" in err


def test_no_such_sheet_or_profile(livewatch: Callable, sheet: Callable[[str], Path]) -> None:
    code, _, err = livewatch("check", "-p", "brackwell_20t", "brackwel_20t_build")
    assert code == 2 and "did you mean brackwell_20t_build?" in err
    assert livewatch("check", "-p", "nothing_like_it", sheet("same")).code == 2
    assert livewatch("check", sheet("same")).code == 2


def test_a_profile_in_place_of_a_sheet(livewatch: Callable) -> None:
    path = Path(__file__).parents[2] / "profiles" / "brackwell_20t.yaml"
    code, _, err = livewatch("check", "-p", "brackwell_20t", path)
    assert code == 3 and "is a profile: expected a build sheet" in err


def test_after_a_drive_measured_stands_beside_predicted(
    livewatch: Callable, sheet: Callable[[str], Path], tmp_path: Path
) -> None:
    drive = tmp_path / "drive.json"
    cause = {"family": "metering", "cause": "meter_scale", "estimate": -10.4, "unit": "%", "interval_95": [-12.9, -7.9]}
    drive.write_text(json.dumps({"verdict": "misfit", "causes": [cause]}) + "\n")
    arguments = ("check", "-p", "brackwell_20t", sheet("{part: B, bore: 70 mm}"), "--drive", drive)
    assert "as foretold." in " ".join(livewatch(*arguments).out.split())
    (beside,) = json.loads(livewatch(*arguments, "--json").out)["beside"]
    assert (beside["agreement"], beside["predicted"], beside["measured"]) == ("agrees", -11.102, -10.4)


@pytest.mark.parametrize("text", ["", "no json", "[1]", '{"a": 1}', '{"causes": []}\n{"causes": []}\n'])
def test_a_drive_that_is_none(livewatch: Callable, sheet: Callable[[str], Path], tmp_path: Path, text: str) -> None:
    drive = tmp_path / "drive.json"
    drive.write_text(text)
    code, out, err = livewatch("check", "-p", "brackwell_20t", sheet("same"), "--drive", drive)
    assert (code, out) == (4, "") and "livewatch diagnose --json" in err


def test_a_drive_that_is_not_there(livewatch: Callable, sheet: Callable[[str], Path], tmp_path: Path) -> None:
    code, _, err = livewatch("check", "-p", "brackwell_20t", sheet("same"), "--drive", tmp_path / "none.json")
    assert code == 4 and "No such file" in err
