"""A recording of another car than the profile's: said, with what came instead."""

from __future__ import annotations

from pathlib import Path

from livewatch.diagnosis.diagnosis import diagnose
from livewatch.profile import load_profile_text

PROFILE = (
    "profile: 1\nname: x\ndecode:\n"
    "  - {frame: 0x100, bus: engine, signals: {N: {start: 0, length: 16}}}\n"
    "  - {frame: 0x101, bus: engine, signals: {P: {start: 0, length: 16}}}\n"
    "channels:\n  engine_speed: {signal: N, unit: rpm}\n  manifold_pressure: {signal: P, unit: kPa}\n"
)


def said_of(folder: Path, identifiers: tuple[int, ...], more: str = "") -> str | None:
    lines = [f"({1000 + k / 100:.6f}) can0 {one:03X}#00112233{more}" for k in range(50) for one in identifiers]
    path = folder / "drive.log"
    path.write_text("\n".join(lines) + "\n", encoding="ascii")
    said = diagnose(path, load_profile_text(PROFILE, "x.yaml", None)).to_json()["wrong_profile"]
    assert said is None or isinstance(said, str)
    return said


def test_a_recording_without_one_identifier_of_the_profile_is_said_to_be_of_another_car(tmp_path: Path) -> None:
    said = said_of(tmp_path, (0x2A0, 0x2A1))
    assert said is not None
    assert "none of its 2 identifiers came" in said
    assert said.endswith("instead: 0x2A0, 0x2A1.")


def test_what_the_recorder_sent_itself_is_of_no_profile(tmp_path: Path) -> None:
    asked = "\n(1000.0) can0 7DF#02010C0000000000 T"
    said = said_of(tmp_path, (0x7E8,), asked)
    assert said is not None and said.endswith("instead: 0x7E8.")
    assert said_of(tmp_path, (0x101,), asked) is None


def test_a_recording_with_one_identifier_of_the_profile_is_believed(tmp_path: Path) -> None:
    assert said_of(tmp_path, (0x2A0, 0x101)) is None
