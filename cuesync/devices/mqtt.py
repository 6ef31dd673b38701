"""Contacts that come over MQTT 3.1.1, through paho-mqtt.

A topic's payload tells how the contact stands: `1`, `on`, `true` or `closed`, and `0`, `off`, `false` or
`open`, in any case. The moment is the receipt, by the kernel's own stamp on Linux. What the broker kept (a
retained message), or delivers again because it heard no answer, is old news: it tells how the contact was
found, and is never a press.

The password goes over the network as it is: keep it for this purpose and the network to yourself.
"""

from __future__ import annotations

import contextlib
import select
import socket
import threading
from collections.abc import Sequence
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from typing import Any

from cuesync.devices.contact_addresses import MqttContact, parse_contact
from cuesync.devices.kernel_stamps import ask_for_stamps, next_received_s
from cuesync.devices.network import host_and_port, is_loopback
from cuesync.devices.ports import Clock, ContactEdge, Counts, EdgeSink, HostClock, counts
from cuesync.errors import DeviceError, InputError

DEFAULT_BROKER = "127.0.0.1:1883"
_CLOSED = frozenset((b"1", b"on", b"true", b"closed"))
_OPEN = frozenset((b"0", b"off", b"false", b"open"))
_CONNECT_S = 5.0
_KEEP_ALIVE_S = 5
_RETRY_S = 1.0
_LOOK_EVERY_S = 0.1


def _library() -> Any:
    try:
        return import_module("paho.mqtt.client")
    except ImportError as problem:
        raise DeviceError(
            'MQTT needs one more package. Install it with: pip install "cuesync[mqtt]"'
        ) from problem


def level_of(payload: bytes) -> bool | None:
    """Closed (True), open (False), or None for a payload that tells neither."""
    word = payload.strip().lower()
    return True if word in _CLOSED else False if word in _OPEN else None


def _password(file: Path) -> str:
    try:
        lines = file.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as problem:
        raise InputError(
            f'--mqtt-password-file "{file}" can\'t be read: {problem}. Check the path.'
        ) from problem
    if not lines or not lines[0]:
        raise InputError(f'--mqtt-password-file "{file}" is empty. Write the password on its first line.')
    return lines[0]


def _acknowledge_soon(connection: socket.socket) -> None:
    """Brokers may hold a message back until the one before it is acknowledged; Linux takes 40 ms for that."""
    if hasattr(socket, "TCP_QUICKACK") and connection.fileno() >= 0:
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_QUICKACK, 1)


@dataclass(slots=True, kw_only=True)
class MqttCounts:
    """What came in: `edges` told on, `found` levels among them; `unreadable` payloads; `failures`, which are
    faults of a client or broker that were lived through."""

    edges: int = 0
    found: int = 0
    unreadable: int = 0
    failures: int = 0


class MqttContacts:
    """Topics of one broker as contacts; connects again by itself when the connection is lost.

    `broker` is "HOST:PORT". Away from loopback `user` and `password_file` (the password on its first line)
    are needed: InputError without them.
    """

    def __init__(
        self,
        broker: str | None = None,
        *,
        user: str | None = None,
        password_file: Path | None = None,
        clock: Clock | None = None,
    ) -> None:
        self._broker = DEFAULT_BROKER if broker is None else broker
        self._host, self._port = host_and_port(self._broker, "where the MQTT broker is", DEFAULT_BROKER)
        if (user is None) != (password_file is None):
            raise InputError("--mqtt-user and --mqtt-password-file go together. Give both, or neither.")
        if user is None and not is_loopback(self._host):
            raise InputError(
                f'--mqtt-broker "{self._broker}" is another computer, and anybody on that network could fire '
                "a prop. Set a password there, and give --mqtt-user and --mqtt-password-file."
            )
        self._user = user
        self._password = None if password_file is None else _password(password_file)
        self._clock: Clock = HostClock() if clock is None else clock
        self._contacts: dict[str, list[str]] = {}
        self._sink: EdgeSink | None = None
        self._thread: threading.Thread | None = None
        self._answered = threading.Event()
        self._subscribed = False
        self._refused = ""
        self._ending = threading.Event()
        self._at_s = 0.0
        self.counts = MqttCounts()

    def open(self, contacts: Sequence[str], sink: EdgeSink) -> None:
        self._contacts = {}
        for address in contacts:
            contact = parse_contact(address)
            assert isinstance(contact, MqttContact), address
            self._contacts.setdefault(contact.topic, []).append(address)
        paho = _library()
        client = paho.Client(paho.CallbackAPIVersion.VERSION2)
        client.suppress_exceptions = True
        client.connect_timeout = _CONNECT_S
        if self._user is not None:
            client.username_pw_set(self._user, self._password)
        client.on_socket_open = self._socket_opened
        client.on_connect = self._connected
        client.on_subscribe = self._answer
        client.on_disconnect = self._disconnected
        client.on_message = self._message
        self._sink = sink
        self._ending = threading.Event()
        self._subscribed, self._refused = False, ""
        self._answered.clear()
        try:
            client.connect(self._host, self._port, keepalive=_KEEP_ALIVE_S)
        except (OSError, ValueError) as problem:
            raise DeviceError(
                f"the MQTT broker at {self._broker} does not answer: {problem}. Start it, "
                "or say where it is with --mqtt-broker."
            ) from problem
        self._thread = threading.Thread(
            target=self._run, args=(client, self._ending), name="cuesync mqtt", daemon=True
        )
        self._thread.start()
        # what is lost right after it was subscribed is looked for by `alive`
        if not self._answered.wait(_CONNECT_S) or self._refused:
            said = self._refused or "it said nothing more after the connection"
            self.close()
            raise DeviceError(
                f"the MQTT broker at {self._broker} refuses: {said}. "
                "Check --mqtt-user and --mqtt-password-file, and what this user may read."
            )

    @property
    def discarded(self) -> Counts:
        return counts(
            {
                "payloads that tell nothing": self.counts.unreadable,
                "faults of the broker": self.counts.failures,
            }
        )

    def alive(self) -> bool:
        return self._subscribed and self._thread is not None and self._thread.is_alive()

    def close(self) -> None:
        self._ending.set()
        thread, self._thread = self._thread, None
        if thread is not None:
            thread.join(_CONNECT_S)
        self._subscribed = False

    def _run(self, client: Any, ending: threading.Event) -> None:
        """Read what comes. paho's own loop would stamp later, and end for good at what it can't digest."""
        while not ending.is_set():
            try:
                self._turn(client, ending)
            except Exception:
                self.counts.failures += 1
                self._subscribed = False
                if not ending.wait(_RETRY_S):
                    self._connect_again(client)
        with contextlib.suppress(Exception):
            client.disconnect()

    def _turn(self, client: Any, ending: threading.Event) -> None:
        connection = client.socket()
        if connection is None:  # lost
            if not ending.wait(_RETRY_S):
                self._connect_again(client)
            return
        writes = [connection] if client.want_write() else []
        readable, writable, _ = select.select([connection], writes, [], _LOOK_EVERY_S)
        if readable:
            self._at_s = max(self._at_s, next_received_s(connection, self._clock))
            if client.loop_read() != 0:
                self.counts.failures += 1
            _acknowledge_soon(connection)
        if writable:
            client.loop_write()
        client.loop_misc()

    def _connect_again(self, client: Any) -> None:
        try:
            client.reconnect()
        except (OSError, ValueError):
            self.counts.failures += 1

    # -- what paho calls, on our thread (the socket is opened on the caller's, the first time)

    def _socket_opened(self, _client: object, _data: object, connection: socket.socket) -> None:
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        ask_for_stamps(connection)

    def _connected(self, client: Any, _data: object, _flags: object, reason: Any, _more: object) -> None:
        if reason.is_failure:
            self._refused = str(reason)
            self._answered.set()
            return
        client.subscribe([(topic, 1) for topic in self._contacts])

    def _answer(self, _client: object, _data: object, _mid: int, reasons: list[Any], _more: object) -> None:
        refused = [str(reason) for reason in reasons if reason.is_failure]
        self._subscribed = not refused
        self._refused = ", ".join(refused)
        self._answered.set()

    def _disconnected(self, *_what: object) -> None:
        self._subscribed = False

    def _message(self, _client: object, _data: object, message: Any) -> None:
        found = bool(message.retain or message.dup)
        try:
            self.arrived(message.topic, message.payload, found=found, at_s=self._at_s)
        except Exception:  # it would end the thread, and with it every contact of the broker
            self.counts.failures += 1

    def arrived(self, topic: str, payload: bytes, *, found: bool, at_s: float) -> None:
        """Take one message that came at host time `at_s`; `found` where it is old news."""
        closed = level_of(payload)
        if closed is None:
            self.counts.unreadable += 1
            return
        for contact in self._contacts.get(topic, ()):
            self.counts.edges += 1
            self.counts.found += found
            if self._sink is not None:
                self._sink(ContactEdge(contact=contact, closed=closed, at_s=at_s, found=found))
