"""Contacts over MQTT, with Eclipse Mosquitto as the broker."""

from __future__ import annotations

import contextlib
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cuesync.devices.kernel_stamps import KERNEL_TELLS
from cuesync.devices.mqtt import MqttContacts, level_of
from cuesync.devices.opening import PortSettings, contact_sources
from cuesync.devices.ports import ContactEdge, HostClock
from cuesync.errors import DeviceError, InputError
from tests import peers

USER, PASSWORD = "props", "one two three"


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


def wait_until(true: Callable[[], object], timeout_s: float = 10.0) -> bool:
    end_s = time.monotonic() + timeout_s
    while not true():
        if time.monotonic() > end_s:
            return False
        time.sleep(0.01)
    return True


class Broker:
    """Mosquitto on a free port, with a configuration of its own."""

    def __init__(self, folder: Path, *, password: bool = False, at_once: bool = False) -> None:
        self.port = free_port()
        self.where = f"127.0.0.1:{self.port}"
        self.config = folder / "mosquitto.conf"
        lines = [f"listener {self.port} 127.0.0.1", f"allow_anonymous {str(not password).lower()}"]
        if password:
            file = folder / "passwords"
            maker = peers.program("mosquitto_passwd")
            subprocess.run([maker, "-b", "-c", str(file), USER, PASSWORD], check=True, capture_output=True)
            file.chmod(0o644)  # Mosquitto gives up its rights when root starts it
            folder.chmod(0o755)
            lines.append(f"password_file {file}")
            access = folder / "access"
            access.write_text(f"user {USER}\ntopic read hall/#\ntopic write hall/#\n", encoding="utf-8")
            lines.append(f"acl_file {access}")
        if sys.platform != "win32":
            lines.append("user root")
        if at_once:
            lines.append("set_tcp_nodelay true")
        self.config.write_text("\n".join(lines) + "\n", encoding="utf-8")
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        program = peers.program("mosquitto")
        self.process = subprocess.Popen(
            [program, "-c", str(self.config)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        assert wait_until(self._answers), "Mosquitto did not start"

    def _answers(self) -> bool:
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.port), 0.5):
            return True
        return False

    def stop(self) -> None:
        if self.process is not None:
            self.process.kill()
            self.process.wait()
            self.process = None


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    peers.module("paho.mqtt.client")
    here = Broker(tmp_path)
    here.start()
    yield here
    here.stop()


@contextlib.contextmanager
def publisher(broker: Broker, user: str | None = None) -> Iterator[Any]:
    paho = peers.module("paho.mqtt.client")
    client = paho.Client(paho.CallbackAPIVersion.VERSION2)
    if user is not None:
        client.username_pw_set(user, PASSWORD)
    client.max_inflight_messages_set(1000)
    client.connect("127.0.0.1", broker.port)
    client.loop_start()
    yield client
    client.disconnect()
    client.loop_stop()


class Hall:
    """Contacts of the broker and the edges that they told."""

    def __init__(self, broker: Broker, **settings: Any) -> None:
        self.edges: list[ContactEdge] = []
        self.contacts = MqttContacts(broker.where, **settings)

    def __enter__(self) -> Hall:
        self.contacts.open(("mqtt:hall/pad", "mqtt:hall/mat"), self.edges.append)
        return self

    def __exit__(self, *_: object) -> None:
        self.contacts.close()

    def told(self, count: int) -> list[tuple[str, bool, bool]]:
        wait_until(lambda: len(self.edges) >= count)
        return [(edge.contact, edge.closed, edge.found) for edge in self.edges]


@pytest.mark.parametrize("payload", [b"1", b"on", b"ON", b"True", b"closed", b" Closed\r\n"])
def test_payloads_that_close(payload: bytes) -> None:
    assert level_of(payload) is True


@pytest.mark.parametrize("payload", [b"0", b"off", b"OFF", b"False", b"open", b"open "])
def test_payloads_that_open(payload: bytes) -> None:
    assert level_of(payload) is False


@given(st.binary(max_size=40))
def test_other_payloads_tell_nothing_and_are_counted(payload: bytes) -> None:
    contacts = MqttContacts()
    contacts.arrived("hall/pad", payload, found=False, at_s=0.0)
    known = payload.strip().lower() in {b"1", b"0", b"on", b"off", b"true", b"false", b"closed", b"open"}
    assert contacts.counts.unreadable == (0 if known else 1)


def test_messages_are_edges_stamped_on_receipt(broker: Broker) -> None:
    with Hall(broker) as hall, publisher(broker) as client:
        assert hall.contacts.alive()
        before_s = time.perf_counter()
        for topic, payload in (("pad", "closed"), ("mat", "1"), ("pad", "open"), ("door", "1"), ("mat", "?")):
            client.publish(f"hall/{topic}", payload, qos=1).wait_for_publish(5.0)
        client.publish("hall/mat", b"\xff\0", qos=1).wait_for_publish(5.0)
        client.publish("hall/mat", "0", qos=1).wait_for_publish(5.0)
        assert hall.told(4) == [
            ("mqtt:hall/pad", True, False),
            ("mqtt:hall/mat", True, False),
            ("mqtt:hall/pad", False, False),
            ("mqtt:hall/mat", False, False),
        ]
        assert hall.contacts.counts.unreadable == 2
        stamps = [edge.at_s for edge in hall.edges]
        assert before_s <= stamps[0]
        assert stamps == sorted(stamps)
        assert stamps[-1] <= time.perf_counter()
    assert not hall.contacts.alive()
    hall.contacts.close()


@pytest.mark.skipif(not KERNEL_TELLS, reason="this system gives no stamps")
def test_a_message_that_had_to_wait_is_stamped_when_it_came(broker: Broker) -> None:
    waiting, edges = threading.Event(), list[ContactEdge]()

    def sink(edge: ContactEdge) -> None:
        edges.append(edge)
        waiting.wait(5.0)  # we are busy with the first while the second comes

    contacts = MqttContacts(broker.where)
    contacts.open(("mqtt:hall/pad",), sink)
    with publisher(broker) as client:
        client.publish("hall/pad", "1")
        assert wait_until(lambda: len(edges) == 1)
        client.publish("hall/pad", "0")
        time.sleep(0.3)
        woken_s = time.perf_counter()
        waiting.set()
        assert wait_until(lambda: len(edges) == 2)
    contacts.close()
    assert edges[0].at_s < edges[1].at_s < woken_s - 0.1


def test_what_the_broker_kept_is_found_and_no_press(broker: Broker) -> None:
    with publisher(broker) as client:
        client.publish("hall/pad", "1", qos=1, retain=True).wait_for_publish(5.0)
        with Hall(broker) as hall:
            assert hall.told(1) == [("mqtt:hall/pad", True, True)]
            client.publish("hall/pad", "0", qos=1, retain=True).wait_for_publish(5.0)
            assert hall.told(2)[1] == ("mqtt:hall/pad", False, False)
            assert hall.contacts.counts.found == 1


def test_a_delivery_again_is_old_news() -> None:
    class Again:
        topic, payload, retain, dup = "hall/pad", b"1", False, True

    hall = Hall.__new__(Hall)
    hall.edges, hall.contacts = [], MqttContacts()
    hall.contacts._contacts = {"hall/pad": ["mqtt:hall/pad"]}
    hall.contacts._sink = hall.edges.append
    hall.contacts._message(None, None, Again())
    assert [edge.found for edge in hall.edges] == [True]


def test_a_lost_broker_is_told_and_found_again(broker: Broker) -> None:
    with Hall(broker) as hall:
        broker.stop()
        assert wait_until(lambda: not hall.contacts.alive())
        broker.start()
        assert wait_until(hall.contacts.alive, 20.0)
        with publisher(broker) as client:
            client.publish("hall/pad", "1", qos=1).wait_for_publish(5.0)
            assert hall.told(1) == [("mqtt:hall/pad", True, False)]


def test_a_sink_that_fails_does_not_end_the_thread(broker: Broker) -> None:
    heard: list[bool] = []

    def sink(edge: ContactEdge) -> None:
        heard.append(edge.closed)
        if edge.closed:
            raise RuntimeError("on purpose")

    contacts = MqttContacts(broker.where)
    contacts.open(("mqtt:hall/pad",), sink)
    with publisher(broker) as client:
        for payload in ("1", "0"):
            client.publish("hall/pad", payload, qos=1).wait_for_publish(5.0)
        assert wait_until(lambda: heard == [True, False])
    assert contacts.counts.failures == 1
    assert contacts.alive()
    contacts.close()


def test_a_flood_is_counted_to_the_last_edge(broker: Broker) -> None:
    with Hall(broker) as hall, publisher(broker) as client:
        for at in range(10_000):
            sent = client.publish("hall/pad", "10"[at % 2], qos=1)
            if at % 100 == 99:  # Mosquitto drops what a subscriber leaves waiting beyond 1000 messages
                sent.wait_for_publish(10.0)
                wait_until(lambda at=at: len(hall.edges) > at - 100)  # type: ignore[misc]
        hall.told(10_000)
        assert hall.contacts.counts.edges == len(hall.edges) == 10_000
        assert [edge.closed for edge in hall.edges] == [True, False] * 5_000


def test_a_broker_with_a_password(tmp_path: Path) -> None:
    peers.module("paho.mqtt.client")
    broker = Broker(tmp_path, password=True)
    broker.start()
    right, wrong = tmp_path / "right", tmp_path / "wrong"
    right.write_text(PASSWORD + "\n", encoding="utf-8")
    wrong.write_text("guess\n", encoding="utf-8")
    try:
        with pytest.raises(DeviceError, match=r"refuses: .*[Nn]ot authori.*Check --mqtt-user"):
            Hall(broker).__enter__()
        with pytest.raises(DeviceError, match=r"refuses: .*Check --mqtt-user"):
            Hall(broker, user=USER, password_file=wrong).__enter__()
        with Hall(broker, user=USER, password_file=right) as hall, publisher(broker, USER) as client:
            client.publish("hall/pad", "1", qos=1).wait_for_publish(5.0)
            assert hall.told(1) == [("mqtt:hall/pad", True, False)]
    finally:
        broker.stop()


def test_no_broker_is_said_with_what_to_do() -> None:
    peers.module("paho.mqtt.client")
    port = free_port()
    contacts = MqttContacts(f"127.0.0.1:{port}")
    with pytest.raises(
        DeviceError, match=rf"broker at 127\.0\.0\.1:{port} does not answer: .* --mqtt-broker"
    ):
        contacts.open(("mqtt:a",), lambda _edge: None)
    assert not contacts.alive()
    contacts.close()


def test_a_broker_of_garbage_is_lived_through() -> None:
    """It accepts the connection and the topics, sends what can't be read, and is sane the next time."""
    peers.module("paho.mqtt.client")
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(10.0)

        def serve() -> None:
            for packets in (
                b"\x30\x02\xff\xff" + b"\x30\x00" + b"\xf0\xff\xff\xff\xff\xff",
                b"\x30\x04\0\1a1",
            ):
                caller, _ = server.accept()
                with contextlib.suppress(OSError), caller:
                    caller.settimeout(15.0)
                    caller.recv(1000)
                    caller.sendall(b"\x20\x02\0\0")  # CONNACK
                    subscribe = caller.recv(1000)
                    caller.sendall(b"\x90\x03" + subscribe[2:4] + b"\1")  # SUBACK
                    caller.sendall(packets)
                    caller.recv(1000)

        thread = threading.Thread(target=serve)
        thread.start()
        edges: list[ContactEdge] = []
        contacts = MqttContacts(f"127.0.0.1:{server.getsockname()[1]}")
        contacts.open(("mqtt:a",), edges.append)
        assert wait_until(lambda: not contacts.alive())
        assert wait_until(contacts.alive), "it did not connect again"
        assert wait_until(lambda: edges != [])
        contacts.close()
        thread.join()
        assert [edge.closed for edge in edges] == [True]
        assert contacts.counts.failures == 1


def test_away_from_loopback_only_with_a_password(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"anybody on that network could fire a prop\. .* --mqtt-user and"):
        MqttContacts("10.0.0.2:1883")
    with pytest.raises(InputError, match="go together"):
        MqttContacts(user=USER)
    with pytest.raises(InputError, match="go together"):
        MqttContacts(password_file=tmp_path / "x")
    with pytest.raises(InputError, match=r"can't be read: .* Check the path"):
        MqttContacts("10.0.0.2:1883", user=USER, password_file=tmp_path / "none")
    (tmp_path / "empty").write_text("\n", encoding="utf-8")
    with pytest.raises(InputError, match="is empty"):
        MqttContacts("10.0.0.2:1883", user=USER, password_file=tmp_path / "empty")
    (tmp_path / "good").write_text("secret\n", encoding="utf-8")
    MqttContacts("10.0.0.2:1883", user=USER, password_file=tmp_path / "good")
    with pytest.raises(InputError, match="does not say where the MQTT broker is"):
        MqttContacts("broker")


def test_a_show_gets_its_mqtt_contacts(broker: Broker) -> None:
    edges: list[ContactEdge] = []
    settings = PortSettings(mqtt_broker=broker.where)
    (needed,) = contact_sources(["mqtt:hall/pad", "mqtt:hall/door nc"], settings, HostClock())
    assert needed.name == "MQTT broker"
    needed.source.open(needed.contacts, edges.append)
    with publisher(broker) as client:
        for topic in ("hall/pad", "hall/door"):
            client.publish(topic, "closed", qos=1).wait_for_publish(5.0)
        assert wait_until(lambda: len(edges) == 2)
    needed.source.close()
    told = [(edge.contact, edge.closed) for edge in edges]
    assert told == [("mqtt:hall/pad", True), ("mqtt:hall/door nc", False)]


def test_without_the_package_the_way_to_it_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "paho.mqtt.client", None)
    with pytest.raises(DeviceError, match=r'pip install "cuesync\[mqtt\]"'):
        MqttContacts().open(("mqtt:a",), lambda _edge: None)
