"""How a person names a broker, and where its secrets come from: never from the command line.

Text such as `mqtts://broker.example:8883` comes in, a `Broker` comes out, with user, password and certificates as the
environment or a file that only its owner can read gives them. That file is YAML, by broker:

    broker.example: {user: workshop, password: ..., ca: ca.pem, certificate: car.pem, key: car.key}

It is the one LIVEWATCH_MQTT_FILE names, else `mqtt.yaml` in the user's settings folder of livewatch. The environment's
LIVEWATCH_MQTT_USER, _PASSWORD, _CA, _CERTIFICATE and _KEY say the same for any broker, and win. Paths in the file count
from its folder.
"""

from __future__ import annotations

import os
import re
import ssl
import stat
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from livewatch.data.outside import printable, read_file
from livewatch.errors import UsageError

__all__ = ["Broker"]

FORM = "[mqtt://|mqtts://]HOST[:PORT][/STATION]"
KEYS = ("user", "password", "ca", "certificate", "key")
_SHAPE = re.compile(
    r"(?:(?P<scheme>[a-z]+)://)?(?P<host>\[[0-9A-Fa-f:.]+\]|[^\s:/@\[\]]+)(?::(?P<port>\d+))?(?:/(?P<station>.*))?",
    re.IGNORECASE,
)
_PORTS = {"mqtt": 1883, "mqtts": 8883}
LARGEST = 65_536


@dataclass(frozen=True, slots=True)
class Broker:
    """Where messages go, and how to be let in.

    Attributes:
        host, port: where it listens.
        station: the part after the slash; empty when there was none.
        user, password: None where nobody says.
        tls: whether the link is encrypted.
        ca, certificate, key: files for TLS; None for the system's authorities, and for no client certificate.
    """

    host: str
    port: int
    station: str = ""
    tls: bool = False
    user: str | None = None
    password: str | None = field(default=None, repr=False)
    ca: Path | None = None
    certificate: Path | None = None
    key: Path | None = None

    @classmethod
    def parse(cls, text: str, environment: Mapping[str, str] = os.environ) -> Broker:
        """Read `[mqtt://|mqtts://]HOST[:PORT][/STATION]`.

        Raises:
            UsageError: the text has another form or holds a secret, or the file of secrets cannot be used.
        """
        if "@" in text:
            # Not repeated in the message: what stands there may be a password.
            raise UsageError(
                "broker: user and password do not belong on the command line, where others can read them; put them "
                f"into the environment (LIVEWATCH_MQTT_USER, LIVEWATCH_MQTT_PASSWORD) or into {_file(environment)}"
            )
        found = _SHAPE.fullmatch(text.strip())
        scheme = (found["scheme"] or "mqtt").lower() if found else ""
        if found is None or scheme not in _PORTS:
            raise UsageError(f"broker {printable(text)!r}: expected {FORM}, for example mqtts://broker.example")
        port = int(found["port"] or _PORTS[scheme])
        if not 0 < port < 65536:
            raise UsageError(f"broker {printable(text)!r}: there is no port {port}")
        host = found["host"].strip("[]")
        said = _secrets(host, environment)
        paths = {name: Path(said[name]) for name in ("ca", "certificate", "key") if name in said}
        tls = scheme == "mqtts"
        if paths and not tls:
            raise UsageError(
                f"broker {host}: certificates are given, but the link is not encrypted; write mqtts://{host}"
            )
        return cls(host, port, found["station"] or "", tls, said.get("user"), said.get("password"), **paths)

    def __str__(self) -> str:
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"{'mqtts' if self.tls else 'mqtt'}://{host}:{self.port}"

    def tls_context(self) -> ssl.SSLContext | None:
        """What checks the broker's certificate, and shows ours.

        Raises:
            UsageError: a certificate cannot be read.
        """
        if not self.tls:
            return None
        try:
            context = ssl.create_default_context(cafile=None if self.ca is None else str(self.ca))
            if self.certificate is not None:
                context.load_cert_chain(self.certificate, self.key)
        except OSError as error:  # ssl.SSLError is one
            files = ", ".join(str(path) for path in (self.ca, self.certificate, self.key) if path is not None)
            raise UsageError(f"broker {self}: a certificate or key cannot be used ({files}): {error}") from None
        return context


def _file(environment: Mapping[str, str]) -> Path:
    given = environment.get("LIVEWATCH_MQTT_FILE")
    if given:
        return Path(given)
    from platformdirs import user_config_path

    return user_config_path("livewatch", appauthor=False) / "mqtt.yaml"


def _secrets(host: str, environment: Mapping[str, str]) -> dict[str, str]:
    path = _file(environment)
    said: dict[str, str] = {}
    if path.exists() or environment.get("LIVEWATCH_MQTT_FILE"):
        said = _read(path, host)
    said |= {name: value for name in KEYS if (value := environment.get(f"LIVEWATCH_MQTT_{name.upper()}"))}
    return said


def _read(path: Path, host: str) -> dict[str, str]:
    """What the file says of a broker. No message holds anything that stands in it."""
    try:
        kind = path.stat()
        content = read_file(path, LARGEST)
    except OSError as error:
        raise UsageError(f"{path}: it cannot be read: {error.strerror or error}") from None
    if os.name == "posix" and (kind.st_mode & (stat.S_IRWXG | stat.S_IRWXO) or kind.st_uid not in (os.getuid(), 0)):
        raise UsageError(f"{path}: others than its owner may read or write it; run: chmod 600 {path}")
    from livewatch.profile.document import read_document

    form = "expected lines such as `broker.example: {user: name, password: word}`"
    try:
        data = read_document(content.decode(), str(path)).data
        entries = {} if data is None else dict(data)
        entry = {str(key): value for key, value in dict(entries.get(host) or {}).items()}
    except Exception:
        raise UsageError(f"{path}: it cannot be understood; {form}") from None
    if unknown := entry.keys() - set(KEYS):
        raise UsageError(f"{path}: {host} has {len(unknown)} keys it cannot have; expected {', '.join(KEYS)}")
    if not all(isinstance(value, str) and value for value in entry.values()):
        raise UsageError(f"{path}: what stands at {host} has to be text; put it between quotes")
    folder = path.parent
    return {
        name: str(folder / value) if name in ("ca", "certificate", "key") else value for name, value in entry.items()
    }
