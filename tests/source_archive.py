"""Files that tests read and that only the source archive of an installed package holds."""

from __future__ import annotations

import subprocess
import sys
import tarfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from importlib.metadata import version
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

__all__ = ["source_archive"]


def source_archive(config: pytest.Config, package: str, wanted: str) -> Path:
    """The source archive of the installed `package`, unpacked: what has `wanted` in its name. It comes from the package
    registry, once for all test processes, and stays in pytest's cache."""
    assert config.cache is not None
    store = config.cache.mkdir(f"{package}-source")
    name = f"{package.replace('-', '_')}-{version(package)}"
    folder = store / name
    with _alone(store / "lock"):
        if folder.exists():
            return folder
        with TemporaryDirectory(dir=store) as working:
            command = [sys.executable, "-m", "pip", "download", "--quiet", "--disable-pip-version-check", "--no-deps"]
            command += ["--no-binary", ":all:", "--dest", working, f"{package}=={version(package)}"]
            done = subprocess.run(command, capture_output=True, text=True, check=False)
            archive = Path(working) / f"{name}.tar.gz"
            if not archive.exists():
                pytest.fail(f"needs the source archive of {name} from the package registry, which said:\n{done.stderr}")
            with tarfile.open(archive) as contents:
                contents.extractall(working, [each for each in contents if wanted in each.name], filter="data")
            with suppress(OSError):  # another test process was faster, where none waits for another
                (Path(working) / name).rename(folder)
    return folder


@contextmanager
def _alone(path: Path) -> Iterator[None]:
    """While no other process is in here, where the system can tell."""
    with path.open("w") as file:
        with suppress(ImportError):
            import fcntl

            fcntl.flock(file, fcntl.LOCK_EX)
        yield
