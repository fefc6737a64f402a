"""Files that tests read and that only the source archive of an installed package holds."""

from __future__ import annotations

import os
import subprocess
import sys
import tarfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from importlib.metadata import version
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

__all__ = ["alone", "source_archive"]

NOTHING_BUILT = """
import os, pathlib
def prepare_metadata_for_build_wheel(folder, settings=None):
    name = os.environ["LIVEWATCH_ARCHIVE"]
    written = pathlib.Path(folder, name + ".dist-info")
    written.mkdir()
    lines = "Metadata-Version: 2.1\\nName: %s\\nVersion: %s\\n" % tuple(name.split("-"))
    written.joinpath("METADATA").write_text(lines)
    return written.name
"""
"""A stand-in for setuptools. pip asks a source archive for its name before it hands it out: ten seconds of processor
time where setuptools is fetched and built with for that."""


def source_archive(config: pytest.Config, package: str, wanted: str) -> Path:
    """The source archive of the installed `package`, unpacked: what has `wanted` in its name. It comes from the package
    registry, once for all test processes, and stays in pytest's cache."""
    assert config.cache is not None
    store = config.cache.mkdir(f"{package}-source")
    name = f"{package.replace('-', '_')}-{version(package)}"
    folder = store / name
    with alone(store / "lock"):
        if folder.exists():
            return folder
        with TemporaryDirectory(dir=store) as working:
            stand_in = Path(working) / "setuptools" / "build_meta.py"
            stand_in.parent.mkdir()
            (stand_in.parent / "__init__.py").touch()
            stand_in.write_text(NOTHING_BUILT, encoding="utf-8")
            command = [sys.executable, "-m", "pip", "download", "--quiet", "--disable-pip-version-check", "--no-deps"]
            command += ["--no-binary", ":all:", "--dest", working, f"{package}=={version(package)}"]
            environment = {**os.environ, "PYTHONPATH": working, "LIVEWATCH_ARCHIVE": name}
            archive = Path(working) / f"{name}.tar.gz"
            for kind in (["--no-build-isolation"], []):  # the latter where it is not built with setuptools
                if not archive.exists():
                    done = subprocess.run([*command, *kind], capture_output=True, text=True, env=environment)
            if not archive.exists():
                pytest.fail(f"needs the source archive of {name} from the package registry, which said:\n{done.stderr}")
            with tarfile.open(archive) as contents:
                contents.extractall(working, [each for each in contents if wanted in each.name], filter="data")
            with suppress(OSError):  # another test process was faster, where none waits for another
                (Path(working) / name).rename(folder)
    return folder


@contextmanager
def alone(path: Path) -> Iterator[None]:
    """While no other process is in here, where the system can tell."""
    with path.open("w") as file:
        with suppress(ImportError):
            import fcntl

            fcntl.flock(file, fcntl.LOCK_EX)
        yield
