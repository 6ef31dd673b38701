"""What goes between our MQTT contacts and Mosquitto, byte by byte, as tshark reads it."""

from __future__ import annotations

import contextlib
import socket
import threading
from collections.abc import Iterator
from pathlib import Path

from cuesync.devices.mqtt import MqttContacts
from cuesync.devices.ports import ContactEdge
from tests import peers
from tests.devices.test_mqtt import Broker, publisher, wait_until

OURS, BROKERS = 40000, 1883


@contextlib.contextmanager
def between(port: int, passed: list[tuple[int, int, bytes]]) -> Iterator[int]:
    """A port that leads to another, and keeps what passes as (port from, port to, bytes)."""
    ends: list[socket.socket] = []
    threads: list[threading.Thread] = []

    def pump(source: socket.socket, to: socket.socket, ports: tuple[int, int]) -> None:
        with contextlib.suppress(OSError):
            while data := source.recv(4096):
                passed.append((*ports, data))
                to.sendall(data)
            to.shutdown(socket.SHUT_WR)

    def serve() -> None:
        with contextlib.suppress(OSError):
            caller, _ = server.accept()
            onward = socket.create_connection(("127.0.0.1", port))
            ends.extend((caller, onward))
            for source, to, ports in ((caller, onward, (OURS, BROKERS)), (onward, caller, (BROKERS, OURS))):
                threads.append(threading.Thread(target=pump, args=(source, to, ports)))
                threads[-1].start()

    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(10.0)
        accepting = threading.Thread(target=serve)
        accepting.start()
        yield server.getsockname()[1]
        accepting.join()
        for thread in threads:
            thread.join(10.0)
        for end in ends:
            end.close()


def test_tshark_reads_the_whole_dialogue(tmp_path: Path) -> None:
    peers.module("paho.mqtt.client")
    broker = Broker(tmp_path)
    broker.start()
    passed: list[tuple[int, int, bytes]] = []
    edges: list[ContactEdge] = []
    try:
        with between(broker.port, passed) as port:
            contacts = MqttContacts(f"127.0.0.1:{port}")
            contacts.open(("mqtt:hall/pad",), edges.append)
            with publisher(broker) as client:
                for payload in ("closed", "open"):
                    client.publish("hall/pad", payload, qos=1).wait_for_publish(5.0)
            assert wait_until(lambda: len(edges) == 2)
            contacts.close()
    finally:
        broker.stop()
    fields = [f"mqtt.{name}" for name in ("msgtype", "protoname", "ver", "topic", "msg_text", "qos")]
    fields.append("_ws.malformed")
    read = peers.dissect(tmp_path, passed, fields, "-o", "mqtt.show_msg_as_text:TRUE", tcp=True)
    # MQTT 3.1.1, 2.2.1: the types of packets
    types = [int(number) for row in read for number in row[0].split(",") if number]
    assert types[:4] == [1, 2, 8, 9]  # CONNECT, CONNACK, SUBSCRIBE, SUBACK
    assert types.count(3) == 2  # PUBLISH
    assert types[-1] == 14  # DISCONNECT
    assert [row[1:3] for row in read if row[1]] == [["MQTT", "4"]]
    published = [row for row in read if "3" in row[0].split(",")]
    assert ",".join(row[3] for row in published) == "hall/pad,hall/pad"
    assert ",".join(row[4] for row in published) == "closed,open"
    assert not any(row[6] for row in read)
