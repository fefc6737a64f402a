"""What is remembered from one time to the next: whose cautions were read, and how the person likes to look.

One small JSON file in the user's state folder. Where it cannot be read or written nothing is remembered, and the
cautions are shown again: that is the safe side.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import platformdirs

__all__ = ["Remembered"]


class Remembered:
    """Args:
    path: the file; the usual place when None.
    """

    def __init__(self, path: Path | None = None) -> None:
        self._path = path if path is not None else Path(platformdirs.user_state_path("livewatch")) / "dashboard.json"
        self._known = self._read()

    def cautions_read(self, vehicle: str) -> bool:
        """Whether somebody acknowledged the cautions for this vehicle."""
        vehicles = self._known.get("cautions_read")
        return isinstance(vehicles, list) and vehicle in vehicles

    def note_cautions(self, vehicle: str) -> None:
        """Somebody has."""
        vehicles = self._known.get("cautions_read")
        kept = vehicles if isinstance(vehicles, list) else []
        self._write("cautions_read", [*kept, vehicle])

    def get(self, name: str, usual: str) -> str:
        """A choice made earlier."""
        value = self._known.get(name)
        return value if isinstance(value, str) else usual

    def put(self, name: str, value: str) -> None:
        """Keep a choice."""
        self._write(name, value)

    def _read(self) -> dict[str, Any]:
        try:
            known = json.loads(self._path.read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return {}
        return known if isinstance(known, dict) else {}

    def _write(self, name: str, value: Any) -> None:
        self._known[name] = value
        try:
            self._path.parent.mkdir(parents=True, exist_ok=True)
            part = self._path.with_suffix(".part")
            part.write_text(json.dumps(self._known, indent=1, ensure_ascii=False), encoding="utf-8")
            part.replace(self._path)
        except OSError:
            return
