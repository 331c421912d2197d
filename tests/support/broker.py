"""Debian's MQTT broker as a process on loopback, and a reader of its content."""

import shutil
import signal
import subprocess
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Self

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from tests.support.needs import need
from tests.support.receivers import free_port
from tests.support.waiting import listens

PROGRAM = shutil.which("mosquitto") or "/usr/sbin/mosquitto"


class Broker:
    """A running broker. `start` starts it again on the same port with its retained data."""

    def __init__(self, folder: Path, more: str) -> None:
        need(Path(PROGRAM).exists(), "mosquitto is not installed")
        self.port = free_port()
        self._config = folder / "mosquitto.conf"
        self._config.write_text(f"listener {self.port} 127.0.0.1\nuser root\n{more}", encoding="utf-8")
        self._process: subprocess.Popen[bytes] | None = None
        self.start()

    def start(self) -> None:
        self._process = subprocess.Popen([PROGRAM, "-c", str(self._config)], stderr=subprocess.DEVNULL)
        end = time.monotonic() + 30
        while not listens(self.port):
            assert self._process.poll() is None, "the broker ended by itself"
            assert time.monotonic() < end, "the broker does not listen"
            time.sleep(0.02)

    def pause(self) -> None:
        """Stop it from answering, as happens on a heavily loaded host."""
        if self._process is not None:
            self._process.send_signal(signal.SIGSTOP)

    def stop(self) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.wait(10)
            self._process = None


@contextmanager
def broker(folder: Path, more: str = "allow_anonymous true\n") -> Iterator[Broker]:
    """A broker with these lines in its configuration."""
    found = Broker(folder, more)
    try:
        yield found
    finally:
        found.stop()


class Reader:
    """Subscribes to everything and collects what arrives: topic, payload, and whether the broker had retained it."""

    def __init__(self, port: int, user: str | None = None, password: str | None = None) -> None:
        self.got: list[tuple[str, bytes, bool]] = []
        self.messages: list[MQTTMessage] = []
        self._client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
        if user is not None:
            self._client.username_pw_set(user, password)
        self._ready = threading.Event()
        self._client.on_message = self._keep
        self._client.on_connect = self._subscribe
        self._client.on_subscribe = lambda *_: self._ready.set()
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        assert self._ready.wait(10)

    def _subscribe(self, *_: Any) -> None:
        self._client.subscribe("#", qos=1)

    def _keep(self, _client: Client, _data: object, message: MQTTMessage) -> None:
        self.messages.append(message)
        self.got.append((message.topic, bytes(message.payload), message.retain))

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._client.disconnect()
        self._client.loop_stop()


def kept(port: int, user: str | None = None, password: str | None = None) -> dict[str, bytes]:
    """What the broker retains for a new subscriber, by topic."""
    with Reader(port, user, password) as reader:
        time.sleep(0.2)
        return {topic: payload for topic, payload, retained in reader.got if retained}
