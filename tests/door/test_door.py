"""What `import livewatch` gives a notebook: names that are loaded when asked for, and objects that show themselves."""

from __future__ import annotations

import ast
import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

import livewatch

HEAVY = {"numpy", "pint", "pydantic", "textual", "can", "cantools", "yaml", "click", "rich"}


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Twenty seconds of a car with a wider air meter, as candump, under a name that HTML would take for mark-up."""
    wrong = (livewatch.Mismatch("air_meter_bore", 70.0),)
    drive = livewatch.simulate(livewatch.Scenario(mismatches=wrong, duration=20.0))
    path = tmp_path_factory.mktemp("drive") / "<b>drive & co.log"
    livewatch.write_recording(livewatch.frames_of(drive, livewatch.load_profile("brackwell_20t")), path)
    return path


@pytest.fixture(scope="module")
def diagnosis(recording: Path) -> livewatch.Diagnosis:
    return livewatch.diagnose(recording, "brackwell_20t")


def test_importing_livewatch_loads_nothing_else() -> None:
    code = "import sys; before = set(sys.modules); import livewatch; print(*(set(sys.modules) - before))"
    loaded = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.split()
    assert not HEAVY & set(loaded)
    assert {name for name in loaded if name.startswith("livewatch")} == {"livewatch"}
    assert len(loaded) < 40


def test_every_name_of_the_door_is_there() -> None:
    stub = ast.parse(Path(livewatch.__file__).with_suffix(".pyi").read_text(encoding="utf-8"))
    places = [(line.names, line.module) for line in stub.body if isinstance(line, ast.ImportFrom)]
    assert {names[0].asname for names, _ in places} == set(vars(livewatch)["__all__"])
    for names, module in places:
        assert names[0].name == names[0].asname and len(names) == 1
        assert getattr(livewatch, names[0].name) is getattr(sys.modules[f"livewatch.{module}"], names[0].name)


def test_a_name_that_is_not_there_says_so() -> None:
    with pytest.raises(AttributeError, match=r"attribute diagnos$"):
        livewatch.diagnos  # type: ignore[attr-defined]  # noqa: B018


def test_the_lines_of_the_readme_run(recording: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    readme = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    lines = readme.split("```python\n")[1].split("```")[0]
    assert len(lines.strip().splitlines()) <= 6
    monkeypatch.chdir(recording.parent)
    recording.with_name("drive.log").write_bytes(recording.read_bytes())
    exec(compile(lines, "README.md", "exec"), {"print": lambda *_: None})


def test_a_diagnosis_prints_as_its_summary(diagnosis: livewatch.Diagnosis) -> None:
    lines = str(diagnosis).splitlines()
    assert lines[0].startswith(str(diagnosis.path)) and "candump recording · 0:20.00 long" in lines[0]
    assert lines[1].split()[0] == "verdict" and diagnosis.verdict.upper() in lines[1]
    assert lines[-1].split()[:2] == ["drive", "next"]
    assert repr(diagnosis).endswith(f": {diagnosis.verdict}>")


def test_a_notebook_shows_a_table_with_everything_escaped(diagnosis: livewatch.Diagnosis) -> None:
    html = diagnosis._repr_html_()
    assert html.startswith("<table>") and html.endswith("</table>")
    assert "&lt;b&gt;drive &amp; co.log" in html and "<b>" not in html


def test_its_json_is_that_of_the_command(
    diagnosis: livewatch.Diagnosis, recording: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from livewatch.commands.cli import main

    assert main(["diagnose", str(recording), "-p", "brackwell_20t", "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == diagnosis.to_json()


def test_its_channels_are_columns_with_units(diagnosis: livewatch.Diagnosis) -> None:
    table = diagnosis.channels("engine_speed", "mass_air_flow", every=0.1)
    assert dict(table.units) == {"engine_speed": "rpm", "mass_air_flow": "g/s"}
    assert list(table) == ["engine_speed", "mass_air_flow"] and len(table) == 2
    assert table.time == pytest.approx(np.arange(len(table.time)) / 10.0)
    assert table["engine_speed"].shape == table.time.shape == table.utc.shape
    assert 400.0 < np.nanmedian(table["engine_speed"]) < 6000.0  # a car that idles and drives, rpm
    assert np.diff(table.utc).astype(int) == pytest.approx(1e8, rel=1e-3)  # ns


def test_all_channels_at_every_tick_and_as_a_frame(diagnosis: livewatch.Diagnosis) -> None:
    table = diagnosis.channels()
    assert set(table) == set(diagnosis.profile.index) and len(table.time) == diagnosis.duration // 10_000_000 + 1
    pandas = pytest.importorskip("pandas")
    frame = table.to_pandas()
    assert isinstance(frame, pandas.DataFrame) and frame.index.name == "time [s]"
    assert frame["mass_air_flow"].to_numpy() == pytest.approx(table["mass_air_flow"], nan_ok=True)
    assert frame.attrs["units"]["mass_air_flow"] == "g/s"


def test_a_channel_that_does_not_exist_gets_the_nearest_right_name(diagnosis: livewatch.Diagnosis) -> None:
    with pytest.raises(livewatch.UsageError, match="did you mean engine_speed"):
        diagnosis.channels("engin_speed")


def test_its_events_begin_and_end_with_the_recording(diagnosis: livewatch.Diagnosis) -> None:
    assert isinstance(diagnosis.events[0], livewatch.RunStarted)
    assert isinstance(diagnosis.events[-1], livewatch.RunEnded)
    assert diagnosis.events[-1].time == diagnosis.duration


def test_several_recordings_give_a_list_in_their_order(recording: Path) -> None:
    first, second = livewatch.diagnose([recording, recording], "brackwell_20t", start=2.0, stop=6.0)
    assert first.to_json() == second.to_json()
    assert 3.9 < first.duration / 1e9 <= 4.0
    assert livewatch.diagnose([], "brackwell_20t") == []


def test_a_session_folder_opens_and_is_diagnosed_by_its_own_profile(recording: Path, tmp_path: Path) -> None:
    profile = livewatch.load_profile("brackwell_20t")
    kept = livewatch.diagnose_one(recording, profile, livewatch.Terms(out=tmp_path))
    assert kept.session is not None
    session = livewatch.open_session(kept.session)
    assert session.manifest.state == "ended" and session.profile().name == profile.name
    assert livewatch.diagnose(kept.session).verdict == kept.verdict


def test_what_cannot_be_read_says_why(tmp_path: Path) -> None:
    with pytest.raises(livewatch.SourceError, match="there is no such file"):
        livewatch.diagnose(tmp_path / "none.log", "brackwell_20t")
    with pytest.raises(livewatch.UsageError, match="no profile given"):
        livewatch.diagnose(tmp_path / "none.log")
    with pytest.raises(livewatch.UsageError, match="did you mean brackwell_20t"):
        livewatch.diagnose(tmp_path / "none.log", "brackwel_20t")


def test_a_recording_gives_its_frames(recording: Path) -> None:
    opened = livewatch.open_recording(str(recording))
    rows = sum(len(batch) for batch in opened.batches())
    assert rows == len(recording.read_bytes().splitlines()) and opened.format == "candump"
