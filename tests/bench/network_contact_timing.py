"""How exactly contacts that come over the network are stamped: edge sent to edge stamped, over loopback.

    python tests/bench/network_contact_timing.py [--edges 2000] [--loaded]

The sender is another process, so that it doesn't share our interpreter's lock; both read one monotonic clock
(on systems where `time.perf_counter` is the same for all processes, as on Linux). Printed are the median, the
99th percentile and the most of stamp minus sending, and the jitter (99th percentile minus median), in ms.
`--loaded` adds one busy Python thread to our side. MQTT needs Mosquitto. The first row is an OSC light: from
the call of the command to the arrival of its packet (Linux).

An MQTT message goes through the broker, whose scatter is not ours. So each MQTT row has another below it: the
same messages as a bare socket in a process of its own gets them from the same broker (kernel's stamp, Linux),
and then how much our stamps stray from those. The senders are bare sockets, too, as a door's button with a
small network chip would be. "At once": the broker was told to hold nothing back (`set_tcp_nodelay true`).
"""

from __future__ import annotations

import argparse
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from cuesync.devices.kernel_stamps import ask_for_stamps, next_received_s
from cuesync.devices.mqtt import MqttContacts
from cuesync.devices.osc import OscContacts, OscLights
from cuesync.devices.ports import ContactEdge, ContactSource, HostClock, LightCommand
from tests.devices.test_mqtt import Broker
from tests.devices.test_osc import free_port

OSC_SENDER = """
import random, socket, struct, sys, time
port, edges = int(sys.argv[1]), int(sys.argv[2])
draw = random.Random(3)
out = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
for at in range(edges):
    time.sleep(0.002 + 0.008 * draw.random())
    packet = b"/hall/pad\\0\\0\\0,i\\0\\0" + struct.pack(">i", (at + 1) % 2)
    sent_s = time.perf_counter()
    out.sendto(packet, ("127.0.0.1", port))
    print(repr(sent_s))
"""
BARE_MQTT = """
import random, socket, struct, sys, time
def packet(kind, body):
    return bytes((kind, len(body))) + body
def text(words):
    return struct.pack(">H", len(words)) + words
def connect(port, name):
    bare = socket.create_connection(("127.0.0.1", port))
    bare.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    bare.sendall(packet(0x10, text(b"MQTT") + b"\\4\\2\\0\\0" + text(name)))
    assert bare.recv(4) == b" \\2\\0\\0"
    return bare
port, edges, qos = map(int, sys.argv[1:])
"""
MQTT_SENDER = (
    BARE_MQTT
    + """
draw = random.Random(3)
bare = connect(port, b"sender")
for at in range(edges):
    time.sleep(0.002 + 0.008 * draw.random())
    body = text(b"hall/pad") + (struct.pack(">H", at % 60000 + 1) if qos else b"") + (b"1", b"0")[at % 2]
    sent_s = time.perf_counter()
    bare.sendall(packet(0x30 | qos << 1, body))
    if qos:
        bare.recv(4)
    print(repr(sent_s))
time.sleep(0.5)
"""
)
MQTT_LISTENER = (
    BARE_MQTT
    + """
sys.path.insert(0, "")
from cuesync.devices.kernel_stamps import ask_for_stamps, next_received_s
from cuesync.devices.ports import HostClock
bare = connect(port, b"listener")
ask_for_stamps(bare)
bare.sendall(packet(0x82, struct.pack(">H", 1) + text(b"hall/pad") + bytes((qos,))))
bare.recv(5)
print("ready", flush=True)
for _ in range(edges):
    at_s = next_received_s(bare, HostClock())
    _, length = bare.recv(2)
    body = bare.recv(length)
    if qos:
        bare.sendall(packet(0x40, body[10:12]))
    print(repr(at_s))
"""
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Times:
    """Host times of every edge, shape (edges,)."""

    sent_s: NDArray[np.float64]
    stamped_s: NDArray[np.float64]


@contextmanager
def load(wanted: bool) -> Iterator[None]:
    """One busy Python thread, or nothing."""
    ending = threading.Event()

    def work() -> None:
        while not ending.is_set():
            sum(range(1000))

    sys.setswitchinterval(0.0005)  # as in a show
    if wanted:
        threading.Thread(target=work, daemon=True).start()
    yield
    ending.set()


def measure(name: str, source: ContactSource, contact: str, send: Callable[[], list[float]]) -> Times | None:
    """Stamp minus sending of every edge, in ms, printed; and the stamps."""
    edges: list[ContactEdge] = []
    source.open((contact,), edges.append)
    try:
        sent_s = send()
        end_s = time.monotonic() + 5.0
        while len(edges) < len(sent_s) and time.monotonic() < end_s:
            time.sleep(0.01)
    finally:
        source.close()
    if len(edges) != len(sent_s):
        print(f"  {name:26s} {len(sent_s)} edges sent, {len(edges)} told: no row")
        return None
    times = Times(sent_s=np.array(sent_s), stamped_s=np.array([edge.at_s for edge in edges]))
    row(name, times.stamped_s - times.sent_s)
    return times


def row(name: str, late_s: NDArray[np.float64]) -> None:
    late_ms = 1000.0 * late_s
    median, most_of = np.percentile(late_ms, [50, 99])
    print(
        f"  {name:26s} n {len(late_ms)}  median {median:6.3f}  p99 {most_of:6.3f}  max {late_ms.max():6.3f}"
        f"  jitter (p99 - median) {most_of - median:6.3f} ms",
        flush=True,
    )


def measure_mqtt(broker: Broker, edges: int, qos: int, how: str) -> None:
    words = [str(word) for word in (broker.port, edges, qos)]
    listening = subprocess.Popen(
        [sys.executable, "-c", MQTT_LISTENER, *words], stdout=subprocess.PIPE, text=True, cwd=sys.path[0]
    )
    assert listening.stdout is not None
    assert listening.stdout.readline() == "ready\n"
    contacts = MqttContacts(broker.where)
    times = measure(f"MQTT QoS {qos}{how}", contacts, "mqtt:hall/pad", sender(MQTT_SENDER, *words))
    if times is None:
        listening.kill()
    bare_s = np.array([float(line) for line in listening.stdout.read().split()])
    if times is not None:
        row("  bare socket, same broker", bare_s - times.sent_s)
        row("  ours minus the bare socket", times.stamped_s - bare_s)


def sender(code: str, *words: object) -> Callable[[], list[float]]:
    def send() -> list[float]:
        done = subprocess.run(
            [sys.executable, "-c", code, *map(str, words)], check=True, capture_output=True, text=True
        )
        return [float(line) for line in done.stdout.split()]

    return send


def measure_light(commands: int) -> None:
    """From a light command's call to its packet's arrival at a socket of loopback, by the kernel's stamp."""
    lights, late_s = OscLights(), []
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as here:
        ask_for_stamps(here)
        here.bind(("127.0.0.1", 0))
        light = f"osc:127.0.0.1:{here.getsockname()[1]}/eyes"
        for at in range(commands):
            time.sleep(0.002)
            called_s = time.perf_counter()
            lights.send(LightCommand(light=light, level=at % 2))
            late_s.append(next_received_s(here, HostClock()) - called_s)
            here.recv(100)
        lights.close()
    row("OSC light", np.array(late_s))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--edges", type=int, default=2000)
    parser.add_argument("--loaded", action="store_true")
    options = parser.parse_args()
    print("edge sent to edge stamped, loopback, in ms" + (", one busy thread" if options.loaded else ""))
    with load(options.loaded), tempfile.TemporaryDirectory() as folder:
        port = free_port()
        osc = OscContacts(f"127.0.0.1:{port}")
        measure_light(options.edges)
        measure("OSC", osc, "osc:/hall/pad", sender(OSC_SENDER, port, options.edges))
        for at_once in (False, True):
            broker = Broker(Path(folder), at_once=at_once)
            broker.start()
            try:
                for qos in (0, 1):
                    measure_mqtt(broker, options.edges, qos, " at once" if at_once else "")
            finally:
                broker.stop()


if __name__ == "__main__":
    main()
