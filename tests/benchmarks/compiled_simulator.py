"""The simulator's physics compiled, for evaluations that drive for days: the same bytes in a quarter of the time.

    python tests/benchmarks/compiled_simulator.py tests/benchmarks/blind_evaluation.py --cache drives/ --processes 1

Runs the script with the modules that a step goes through compiled. `built` compiles a copy of them with mypyc (it comes
with mypy; a C compiler is needed) into the user's cache, under a hash of their sources, and drives every car once
compiled and once plain: where a byte differs, the copy is thrown away and the run ends. `prefer` imports them from
there, and all else from the working tree, which stays as it is.
"""

from __future__ import annotations

import hashlib
import os
import re
import runpy
import shutil
import subprocess
import sys
import tempfile
from importlib.abc import MetaPathFinder
from importlib.machinery import EXTENSION_SUFFIXES, ModuleSpec, PathFinder
from pathlib import Path

import livewatch

__all__ = ["built", "main", "prefer"]

SOURCES = Path(livewatch.__file__).parent
STEPPED = (
    "air_model", "air_path", "boost_control", "calibration", "cars", "combustion", "conditions", "driver",
    "engine_computer", "engine_parts", "exhaust_path", "fault_monitor", "fuel_control", "fuel_path", "fuel_trims",
    "gas", "idle_control", "running_car", "sensors", "turbocharger", "vehicle",
)  # fmt: skip
"""The modules that are compiled: those that a step goes through."""
ROW = re.compile(r"^_row = eval\(.*\)$", re.MULTILINE)
"""A row is made by an expression put together at run time, which no compiler sees."""
DRIVEN = """
import hashlib
from livewatch.simulator import CARS, Mismatch, Scenario, simulate
told = hashlib.sha256()
for car in CARS:
    drive = simulate(Scenario(car=car, duration=20.0, mismatches=[Mismatch("fuel_supply", 30.0, 8.0)], seed=5))
    for columns in (drive.truth, drive.channels):
        for name in sorted(columns):
            told.update(columns[name].tobytes())
    told.update(repr((drive.facts, drive.cells, drive.confirmed, drive.pending)).encode())
print(told.hexdigest())
"""


def built() -> Path:
    """The folder with the compiled modules, made first where it is not there."""
    told = hashlib.sha256(repr((STEPPED, DRIVEN, sys.version)).encode())
    for name in STEPPED:
        told.update((SOURCES / "simulator" / f"{name}.py").read_bytes())
    cache = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "livewatch-benchmarks"
    folder = cache / f"simulator-{told.hexdigest()[:16]}"
    if not folder.is_dir():
        cache.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=cache) as place:
            made = _compiled(Path(place))
            if _hash_of(None) != _hash_of(made):
                raise SystemExit("the compiled simulator gives other bytes than the plain one")
            made.replace(folder)
    return folder


def prefer(folder: Path) -> None:
    """Import the compiled modules from `folder` from now on."""
    assert "livewatch.simulator" not in sys.modules

    class Compiled(MetaPathFinder):
        def find_spec(self, fullname: str, path: object, target: object = None) -> ModuleSpec | None:
            package, _, name = fullname.rpartition(".")
            is_stepped = package == "livewatch.simulator" and name in STEPPED
            return PathFinder.find_spec(fullname, [str(folder)]) if is_stepped else None

    sys.meta_path.insert(0, Compiled())
    sys.path.append(str(folder))  # where the shared library lies that all of them are in


def _compiled(place: Path) -> Path:
    shutil.copytree(
        SOURCES / "simulator", place / "livewatch" / "simulator", ignore=shutil.ignore_patterns("__pycache__")
    )
    shutil.copy(SOURCES / "errors.py", place / "livewatch")
    (place / "livewatch" / "__init__.py").touch()
    (place / "mypy.ini").write_text(
        "[mypy]\nfollow_imports = silent\n[mypy-numpy.*]\nfollow_imports = skip\n", encoding="utf-8"
    )
    simulator = place / "livewatch" / "simulator"
    for name in STEPPED:
        path = simulator / f"{name}.py"
        # Classes of a compiled module have their attributes in a struct; dataclasses cannot make slots of it again.
        text = path.read_text(encoding="utf-8").replace(", slots=True)", ")").replace("(slots=True)", "")
        if name == "running_car":
            text, count = ROW.subn(_written_row(text), text)
            assert count == 1
        path.write_text(text, encoding="utf-8")
    command = [sys.executable, "-m", "mypyc", *(f"livewatch/simulator/{name}.py" for name in STEPPED)]
    done = subprocess.run(
        command, cwd=place, env=os.environ | {"MYPYPATH": str(place)}, capture_output=True, text=True, check=False
    )
    if done.returncode:
        raise SystemExit(f"the simulator does not compile:\n{done.stdout}\n{done.stderr}")
    made = place / "made"
    made.mkdir()
    for library in (*place.glob(f"*{EXTENSION_SUFFIXES[0]}"), *simulator.glob(f"*{EXTENSION_SUFFIXES[0]}")):
        library.rename(made / library.name)
    return made


def _written_row(text: str) -> str:
    """The expression that makes a row, as a function."""
    table = re.search(r"^ROW: .*?= (\{.*?^\})", text, re.MULTILINE | re.DOTALL)
    assert table is not None
    places = ", ".join(f"car.{place}" for place in eval(table[1]).values())
    return f"def _row(car: RunningCar) -> tuple[float, ...]:\n    return ({places})"


def _hash_of(made: Path | None) -> str:
    """What `DRIVEN` prints, with the compiled package in `made` or the plain one."""
    lines = "" if made is None else f"import compiled_simulator\ncompiled_simulator.prefer({str(made)!r})"
    paths = os.pathsep.join((str(SOURCES.parent), str(Path(__file__).parent)))
    done = subprocess.run(
        [sys.executable, "-c", lines + DRIVEN], env=os.environ | {"PYTHONPATH": paths}, capture_output=True, text=True,
        check=False,
    )  # fmt: skip
    if done.returncode:
        raise SystemExit(done.stderr)
    return done.stdout


def main() -> None:
    """See the module."""
    if len(sys.argv) < 2:
        raise SystemExit(__doc__)
    prefer(built())
    del sys.argv[0]
    runpy.run_path(sys.argv[0], run_name="__main__")


if __name__ == "__main__":
    main()
