"""Brokers for the tests: mosquitto where it is installed, and amqtt, which the package registry has."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import sys
import time
from pathlib import Path

__all__ = ["MOSQUITTO", "TestBroker", "free_port"]

MOSQUITTO = shutil.which("mosquitto") or next((p for p in ("/usr/sbin/mosquitto",) if Path(p).exists()), None)
_AMQTT = """
import asyncio, sys
from amqtt.broker import Broker
async def main():
    config = {
        "listeners": {"default": {"type": "tcp", "bind": f"127.0.0.1:{sys.argv[1]}"}},
        "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
    }
    broker = Broker(config)
    await broker.start()
    await asyncio.Event().wait()
asyncio.run(main())
"""


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return one.getsockname()[1]


class TestBroker:
    """A broker on a port of this machine; `settings` are lines of mosquitto's configuration."""

    __test__ = False

    def __init__(self, kind: str, folder: Path, settings: str = "allow_anonymous true") -> None:
        self.kind, self.port, self._folder = kind, free_port(), folder
        self._settings = settings
        self._process: subprocess.Popen[bytes] | None = None

    def __str__(self) -> str:
        return f"mqtt://127.0.0.1:{self.port}"

    def start(self) -> None:
        if self.kind == "mosquitto":
            path = self._folder / "mosquitto.conf"
            path.write_text(f"user {_user()}\nlistener {self.port} 127.0.0.1\n{self._settings}\n")
            command = [str(MOSQUITTO), "-c", str(path)]
        else:
            command = [sys.executable, "-c", _AMQTT, str(self.port)]
        log = (self._folder / "broker.log").open("ab")
        self._process = subprocess.Popen(command, stdout=log, stderr=log)
        log.close()
        end = time.monotonic() + 30
        while time.monotonic() < end:
            try:
                socket.create_connection(("127.0.0.1", self.port), 0.5).close()
                return
            except OSError:
                assert self._process.poll() is None, (self._folder / "broker.log").read_text()
                time.sleep(0.02)
        raise AssertionError("the broker did not start")

    def kill(self) -> None:
        """As a power cut does."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None


def _user() -> str:
    import pwd

    return pwd.getpwuid(os.getuid()).pw_name
