"""How exactly contacts that come over the network are stamped: edge sent to edge stamped, over loopback.

    python tests/bench/network_contact_timing.py [--edges 2000] [--loaded]

The sender is another process, so that it doesn't share our interpreter's lock; both read one monotonic clock
(on systems where `time.perf_counter` is the same for all processes, as on Linux). Printed are the median, the
99th percentile and the most of stamp minus sending, and the jitter (99th percentile minus median), in ms.
`--loaded` adds one busy Python thread to our side. MQTT needs Mosquitto. The first row is an OSC light: from
the call of the command to the arrival of its packet (Linux).
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
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from cuesync.devices.mqtt import MqttContacts
from cuesync.devices.osc import _SO_TIMESTAMPNS, OscContacts, OscLights, _receive
from cuesync.devices.ports import ContactEdge, ContactSource, LightCommand
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
MQTT_SENDER = """
import random, sys, time
import paho.mqtt.client as paho
port, edges, qos = int(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3])
draw = random.Random(3)
client = paho.Client(paho.CallbackAPIVersion.VERSION2)
client.connect("127.0.0.1", port)
client.loop_start()
time.sleep(0.3)
for at in range(edges):
    time.sleep(0.002 + 0.008 * draw.random())
    sent_s = time.perf_counter()
    client.publish("hall/pad", str((at + 1) % 2), qos=qos)
    print(repr(sent_s))
time.sleep(0.5)
client.disconnect()
client.loop_stop()
"""


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


def measure(name: str, source: ContactSource, contact: str, send: Callable[[], list[float]]) -> None:
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
        print(f"  {name:12s} {len(sent_s)} edges sent, {len(edges)} told: no row")
        return
    late_ms = (np.array([edge.at_s for edge in edges]) - np.array(sent_s)) * 1000.0
    median, most_of = np.percentile(late_ms, [50, 99])
    print(
        f"  {name:12s} n {len(edges)}  median {median:6.3f}  p99 {most_of:6.3f}  max {late_ms.max():6.3f}"
        f"  jitter (p99 - median) {most_of - median:6.3f} ms",
        flush=True,
    )


def sender(code: str, *words: object) -> Callable[[], list[float]]:
    def send() -> list[float]:
        done = subprocess.run(
            [sys.executable, "-c", code, *map(str, words)], check=True, capture_output=True, text=True
        )
        return [float(line) for line in done.stdout.split()]

    return send


def measure_light(commands: int) -> None:
    """From a light command's call to its packet's arrival at a socket of loopback, by the kernel's stamp."""
    lights, late_ms = OscLights(), []
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as here:
        here.setsockopt(socket.SOL_SOCKET, _SO_TIMESTAMPNS, 1)
        here.bind(("127.0.0.1", 0))
        light = f"osc:127.0.0.1:{here.getsockname()[1]}/eyes"
        for at in range(commands):
            time.sleep(0.002)
            called_s = time.perf_counter()
            lights.send(LightCommand(light=light, level=at % 2))
            _, _, waited_s, _ = _receive(here)
            late_ms.append((time.perf_counter() - waited_s - called_s) * 1000.0)
        lights.close()
    median, most_of = np.percentile(late_ms, [50, 99])
    print(f"  OSC light    n {commands}  median {median:6.3f}  p99 {most_of:6.3f}  max {max(late_ms):6.3f}")


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
        broker = Broker(Path(folder))
        broker.start()
        try:
            for qos in (0, 1):
                send = sender(MQTT_SENDER, broker.port, options.edges, qos)
                measure(f"MQTT QoS {qos}", MqttContacts(broker.where), "mqtt:hall/pad", send)
        finally:
            broker.stop()


if __name__ == "__main__":
    main()
