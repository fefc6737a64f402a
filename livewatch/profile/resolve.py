"""Resolving: a user's YAML, what it extends and the DBC files it names, to one resolved `Profile`.

Either everything is right and a `Profile` comes out, or `MistakesError` carries every mistake of all those files at
once, each with file, line and column.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from livewatch.data.channels import CATALOGUE
from livewatch.data.frames import LARGEST_STANDARD
from livewatch.data.outside import read_file
from livewatch.errors import Mistake, MistakesError, nearest
from livewatch.profile.alarm_rules import (
    SignatureDefaults,
    add_signature_alarms,
    compile_alarms,
    signature_channels,
    signature_defaults,
)
from livewatch.profile.channel_binding import BoundChannels, bind_channels, polled_entries
from livewatch.profile.diagnostic_port.addresses import FUNCTIONAL, is_request
from livewatch.profile.diagnostic_port.port import DiagnosticPort, read_port
from livewatch.profile.document import Document, KeyPath, merged, read_document
from livewatch.profile.engine_and_authority import constants_of, resolve_authority, resolve_engine
from livewatch.profile.message_catalogue import read_messages
from livewatch.profile.model import Diagnostics, MqttChannel, MqttMapping, Profile, Publishing, TableMapping
from livewatch.profile.resolved_text import resolved_text
from livewatch.profile.schema import ChannelEntry, ProfileFile
from livewatch.profile.units import UnitError, convert

__all__ = ["Resolved", "resolve_file", "resolve_text"]

VERSION = 1
ADDED_LISTS: tuple[KeyPath, ...] = (("decode",), ("poll",), ("diagnostics", "read"))
"""Lists that an extending profile adds to; any other list replaces the one below it."""
ISO_TIME = "utc"
"""The time unit of a table whose times are ISO 8601 texts."""
ONLY_PORT = "diagnostic"
"""The bus of the diagnostic port where a profile names no bus at all."""


@dataclass(frozen=True, slots=True)
class Resolved:
    """A profile, and the SHA-256 of every file it was made from, by its path as seen from the profile's folder."""

    profile: Profile
    files: Mapping[str, str]


def resolve_file(path: Path) -> Resolved:
    """The profile in the file at `path`.

    Raises:
        MistakesError: anything is wrong with it or with a file it names.
    """
    loader = _Loader(path.parent)
    return loader.resolved(loader.document(path, str(path)))


def resolve_text(text: str, name: str, folder: Path | None) -> Resolved:
    """The profile in `text`, which messages call `name`; the files it names are in `folder` (None: it may name none).

    Raises:
        MistakesError: anything is wrong with it or with a file it names.
    """
    loader = _Loader(folder)
    loader.note_source(name, text.encode())
    document = loader.extended(read_document(text, name), folder, (name,))
    return loader.resolved(document)


class _Loader:
    """Reads the files of one profile and remembers which they were."""

    def __init__(self, folder: Path | None) -> None:
        self._folder = folder
        self._folders: dict[str, Path | None] = {}
        self._sources: dict[str, str] = {}

    def note_source(self, name: str, content: bytes) -> None:
        self._sources[name] = hashlib.sha256(content).hexdigest()

    def document(self, path: Path, shown: str, above: tuple[str, ...] = ()) -> Document:
        """The document in a file, laid over what it extends."""
        try:
            content = read_file(path)
            text = content.decode("utf-8-sig")
        except UnicodeDecodeError as error:
            line = content.count(b"\n", 0, error.start) + 1
            raise MistakesError([Mistake(shown, line, 0, "is no UTF-8 text, as YAML has to be")]) from None
        except OSError as error:
            raise MistakesError([Mistake(shown, 0, 0, _reason(error))]) from None
        self.note_source(self._relative(path), content)
        return self.extended(read_document(text, shown), path.parent, (*above, str(path.resolve())))

    def extended(self, document: Document, folder: Path | None, above: tuple[str, ...]) -> Document:
        """`document` laid over the profile that it extends."""
        self._folders[document.file] = folder
        if not isinstance(document.data, dict):
            found = "is empty" if document.data is None else "is no profile"
            document.wrong((), f"{found}: expected keys such as profile, name, channels")
            document.raise_mistakes()
        named = document.data.pop("extends", None)
        if named is None:
            return document
        where: KeyPath = ("extends",)
        if not isinstance(named, str) or folder is None:
            says = "expected the path of a profile" if folder else "a profile that is only a text cannot extend another"
            document.wrong(where, f"found {named!r}: {says}")
            document.raise_mistakes()
        path = folder / str(named) if folder else Path()
        if str(path.resolve()) in above:
            document.wrong(where, f"{named} extends this profile in turn: profiles must not go round in a circle")
            document.raise_mistakes()
        try:
            base = self.document(path, str(path), above)
        except MistakesError as error:
            if not path.exists():
                document.wrong(where, f"{named}: {_missing(path)}")
                document.raise_mistakes()
            raise MistakesError([*document.mistakes, *error.mistakes]) from None
        return merged(base, document, ADDED_LISTS)

    def resolved(self, document: Document) -> Resolved:
        """The profile that `document` describes."""
        return Resolved(self._profile(document), dict(self._sources))

    def _profile(self, document: Document) -> Profile:
        """The resolved profile of a whole document."""
        file = document.validate(ProfileFile)
        _check_head(document)
        if file is None:
            document.raise_mistakes()
            raise AssertionError("what is unusable has mistakes")
        engine = resolve_engine(file.engine)
        authority = resolve_authority(file.authority, document)
        constants = constants_of(engine, authority)
        catalogue = read_messages(file.decode, document, lambda place, name: self._read(document, place, name))
        port = read_port(file, document)
        entries = {**file.channels, **polled_entries(file.channels, port)}
        entries |= {name: ChannelEntry() for name in file.tables.columns if name in CATALOGUE and name not in entries}
        entries |= {name: ChannelEntry() for name in file.mqtt.channels if name in CATALOGUE and name not in entries}
        changes = file.signature_alarms
        defaults = signature_defaults() if changes.enabled else SignatureDefaults()
        entries |= signature_channels(defaults, entries, constants)
        channels = bind_channels(entries, catalogue, port, constants, document)
        alarm_entries = add_signature_alarms(defaults, file.alarms, changes, [*channels.channels, *constants], document)
        alarms = compile_alarms(alarm_entries, channels, constants, document)
        _check_names(file, channels, document)
        diagnostics = _diagnostics(file, channels, port, document)
        document.raise_mistakes()
        buses: dict[str, tuple[str, ...]] = {bus: tuple(names) for bus, names in file.buses.items()}
        for bus in (*(message.bus for message in catalogue.messages.values()), *(d.bus for d in diagnostics)):
            buses.setdefault(bus, ())
        tables = TableMapping(
            {name: (entry.column, entry.unit) for name, entry in file.tables.columns.items()},
            file.tables.time,
            file.tables.time_unit,
        )
        profile = Profile(
            file.name,
            buses,
            catalogue.finished(),
            diagnostics,
            tuple(channels.channels.values()),
            alarms,
            authority,
            engine,
            tables,
            tuple(file.figures),
            file.tick,
            file.lead_up,
            file.sources or self._sources,
            "",
            *_links(file),
            tuple(catalogue.left_out),
        )
        return replace(profile, text=resolved_text(profile, alarm_entries, catalogue))

    def _read(self, document: Document, place: KeyPath, name: str) -> tuple[bytes, str] | None:
        folder = self._folders.get(document.spot(place).file)
        if folder is None:
            document.wrong(place, f"{name}: a profile that is only a text cannot name other files")
            return None
        path = folder / name
        try:
            content = read_file(path)
        except OSError as error:
            reason = _missing(path) if isinstance(error, FileNotFoundError) else _reason(error)
            document.wrong(place, f"{name}: {reason}")
            return None
        self.note_source(self._relative(path), content)
        return content, path.name

    def _relative(self, path: Path) -> str:
        """A file as `Profile.sources` names it: as seen from the folder of the profile."""
        return Path(os.path.relpath(path, self._folder or Path())).as_posix()


def _links(file: ProfileFile) -> tuple[MqttMapping, Publishing | None]:
    """What comes and what goes by way of a broker."""
    mapping = MqttMapping(
        {
            name: MqttChannel(entry.topic, entry.field, entry.unit, entry.time, entry.time_unit)
            for name, entry in file.mqtt.channels.items()
        },
        file.mqtt.window,
    )
    wanted = file.publish
    if wanted is None:
        return mapping, None
    channels = tuple(wanted.channels)
    return mapping, Publishing(wanted.broker, wanted.station, channels, wanted.every, wanted.frames, wanted.acknowledge)


def _reason(error: OSError) -> str:
    if isinstance(error, FileNotFoundError):
        return "there is no such file"
    if isinstance(error, IsADirectoryError):
        return "is a folder, not a file"
    return f"cannot be read: {error.strerror or error}"


def _missing(path: Path) -> str:
    try:
        beside = [other.name for other in path.parent.iterdir()]
    except OSError:
        beside = []
    return f"there is no such file{nearest(path.name, beside)}"


def _check_head(document: Document) -> None:
    version = document.data.get("profile")
    if version is None:
        document.wrong((), "'profile' is missing here: write profile: 1, the version of the format")
    elif version != VERSION and not document.is_broken(("profile",)):
        document.wrong(("profile",), f"found version {version!r}: this livewatch reads profiles of version {VERSION}")
    if not document.data.get("name") and not document.is_broken(("name",)):
        document.wrong((), "'name' is missing here: what the vehicle is called")


def _check_names(file: ProfileFile, channels: BoundChannels, document: Document) -> None:
    known = {*channels.units, *channels.broken}
    for position, name in enumerate(file.figures):
        if name not in known:
            document.wrong(("figures", position), f"unknown channel {name!r}{nearest(name, known)}")
    for position, name in enumerate(() if file.publish is None else file.publish.channels):
        if name not in known:
            document.wrong(("publish", "channels", position), f"unknown channel {name!r}{nearest(name, known)}")
    brought = [(("tables", "columns", name), name, entry.unit, "column") for name, entry in file.tables.columns.items()]
    brought += [(("mqtt", "channels", name), name, entry.unit, "message") for name, entry in file.mqtt.channels.items()]
    for path, name, unit, bringer in brought:
        channel = channels.channels.get(name)
        if name not in known:
            document.wrong(path, f"unknown channel {name!r}{nearest(name, known)}", key=True)
        elif channel is not None and channel.formula is not None:
            document.wrong(path, f"{name} is computed by a formula: no {bringer} can bring it", key=True)
        elif channel is not None and unit is not None:
            _check_conversion(unit, channel.unit, (*path, "unit"), document)
    if (unit := file.tables.time_unit) is not None and unit.strip().lower() != ISO_TIME:
        _check_conversion(unit, "s", ("tables", "time_unit"), document)


def _check_conversion(unit: str, target: str, path: KeyPath, document: Document) -> None:
    try:
        convert(unit, target)
    except UnitError as error:
        document.wrong(path, str(error))


def _diagnostics(
    file: ProfileFile, channels: BoundChannels, port: DiagnosticPort, document: Document
) -> tuple[Diagnostics, ...]:
    """The diagnostic port, if the profile has anything to do with one."""
    entry = file.diagnostics
    if entry is not None:
        extended = entry.request > LARGEST_STANDARD if entry.extended is None else entry.extended
        if not extended and entry.request > LARGEST_STANDARD:
            problem = f"0x{entry.request:X} needs an extended identifier: write extended: true"
            document.wrong(("diagnostics", "request"), problem)
        elif not is_request(entry.request, extended):
            expected = "0x18DA..F1 or 0x18DB..F1" if extended else "0x700 to 0x7FF"
            problem = f"0x{entry.request:X} is no identifier to ask with on a diagnostic port; expected {expected}"
            document.wrong(("diagnostics", "request"), problem)
        return (port.finished(entry.bus, entry.request, extended, entry.answers),)
    bound = [name for name, channel in channels.channels.items() if channel.parameter]
    if not bound and not port.poll:
        return ()
    buses = {**file.buses, **dict.fromkeys(entry.bus for entry in file.decode)}
    if len(buses) > 1:
        where: KeyPath = ("poll",) if port.poll else ("channels", bound[0], "parameter")
        document.wrong(
            where, f"which bus is the diagnostic port on? Add diagnostics: {{bus: {next(iter(buses))}}} or another"
        )
    return (port.finished(next(iter(buses), ONLY_PORT), FUNCTIONAL[False], False, ()),)
