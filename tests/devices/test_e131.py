"""E1.31 packets and their sender, read by a decoder of the test's own, the `sacn` package and tshark."""

from __future__ import annotations

import json
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from statistics import median
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cuesync.devices.dmx import DmxLights
from cuesync.devices.e131 import PORT, E131Sender, multicast_host, packet
from cuesync.devices.opening import PortSettings, light_output
from cuesync.devices.ports import HostClock, LightCommand
from cuesync.errors import DeviceError, InputError
from tests import peers

CID = bytes(range(16))


@dataclass(frozen=True, kw_only=True)
class Read:
    """One packet, read by the offsets that decoders of ANSI E1.31 quote."""

    cid: bytes
    source: str
    priority: int
    sequence: int
    terminated: bool
    universe: int
    slots: bytes


def read(data: bytes) -> Read:
    assert len(data) == 638
    assert data[4:16] == bytes.fromhex("4153432D45312E3137000000")
    assert (data[18:22], data[40:44]) == (b"\0\0\0\4", b"\0\0\0\2")
    assert (data[117], data[118], data[123:126]) == (2, 0xA1, b"\2\1\0")
    return Read(
        cid=data[22:38],
        source=data[44:108].rstrip(b"\0").decode(),
        priority=data[108],
        sequence=data[111],
        terminated=bool(data[112] & 0x40),
        universe=int.from_bytes(data[113:115], "big"),
        slots=data[126:],
    )


@given(
    universe=st.integers(1, 63999), slots=st.binary(min_size=512, max_size=512), sequence=st.integers(0, 1000)
)
def test_fields_lie_where_the_standard_has_them(universe: int, slots: bytes, sequence: int) -> None:
    # ANSI E1.31, tables 4-1 to 4-3
    data = packet(universe, slots, sequence=sequence, cid=CID, source="cuesync")
    assert data[:4] == bytes.fromhex("00100000")
    assert data[16:18] == bytes.fromhex("726E")
    assert data[38:40] == bytes.fromhex("7258")
    assert data[115:125] == bytes.fromhex("720B02A1000000010201")
    assert read(data) == Read(
        cid=CID,
        source="cuesync",
        priority=100,
        sequence=sequence % 256,
        terminated=False,
        universe=universe,
        slots=slots,
    )


def test_universes_have_their_own_multicast_address() -> None:
    # ANSI E1.31, 9.3.1
    assert multicast_host(1) == "239.255.0.1"
    assert multicast_host(63999) == "239.255.249.255"


def test_a_universe_that_does_not_exist_is_refused() -> None:
    with pytest.raises(InputError, match="universe 64000"):
        packet(64000, bytes(512), sequence=0, cid=CID, source="cuesync")


def test_the_sacn_package_reads_the_same() -> None:
    data_packet = peers.module("sacn.messages.data_packet")
    slots = bytes(range(256)) * 2
    data = packet(7, slots, sequence=9, cid=CID, source="cuesync", terminated=True)
    read = data_packet.DataPacket.make_data_packet(data)
    assert (read.universe, read.sequence, read.priority, read.sourceName) == (7, 9, 100, "cuesync")
    assert bytes(read.dmxData) == slots
    assert read.option_StreamTerminated


def test_a_priority_beyond_the_standard_is_refused() -> None:
    assert read(packet(1, bytes(512), sequence=0, cid=CID, source="", priority=200)).priority == 200
    with pytest.raises(InputError, match="priority 201"):
        packet(1, bytes(512), sequence=0, cid=CID, source="", priority=201)


class Receiver:
    """A socket that the sender sends to; closed with the test."""

    def __init__(self, host: str = "127.0.0.1", family: int = socket.AF_INET) -> None:
        self.socket = socket.socket(family, socket.SOCK_DGRAM)
        self.socket.bind((host, 0))
        self.socket.settimeout(3.0)
        self.port: int = self.socket.getsockname()[1]

    def next(self) -> Read:
        return read(self.socket.recv(1000))

    def until(self, wanted: Callable[[Read], bool]) -> Read:
        while not wanted(packet := self.next()):
            pass
        return packet

    def waiting(self) -> list[bytes]:
        """What has come in by now."""
        found: list[bytes] = []
        self.socket.settimeout(0.2)
        with suppress(TimeoutError):
            while True:
                found.append(self.socket.recv(1000))
        return found


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    here = Receiver()
    yield here
    here.socket.close()


def test_a_light_goes_out_is_repeated_and_ended(receiver: Receiver) -> None:
    lights = DmxLights(port=receiver.port, priority=150)
    lights.send(LightCommand(light="dmx:3:17", level=1.0))
    first = receiver.next()
    assert (first.universe, first.slots[16], sum(first.slots)) == (3, 255, 255)
    assert (first.source, first.priority) == ("cuesync", 150)
    again = receiver.next()
    assert again.slots == first.slots
    assert again.sequence == first.sequence + 1
    lights.send(LightCommand(light="dmx:3:17", level=0.0))
    assert receiver.until(lambda packet: packet.slots[16] == 0).cid == first.cid
    lights.close()
    lights.close()
    ends = [read(data).terminated for data in receiver.waiting()]
    assert ends == [False] * (len(ends) - 3) + [True] * 3  # ANSI E1.31, Stream_Terminated
    assert not lights.alive()
    with pytest.raises(DeviceError, match="closed"):
        lights.send(LightCommand(light="dmx:3:17", level=1.0))


def test_what_stands_is_sent_three_times_and_then_kept_alive(receiver: Receiver) -> None:
    # ANSI E1.31, 6.6.2: three packets (from memory), and then one every 800 to 1000 ms
    sender = E131Sender(port=receiver.port)
    sender.set(1, 1, (9,))
    at_s: list[float] = []
    while len(at_s) < 7:
        packet = receiver.next()
        at_s.append(time.perf_counter())
        assert packet.slots[0] == 9
    sender.close()
    gaps_s = [after - before for before, after in pairwise(at_s)]
    assert max(gaps_s[:2]) < 0.5
    assert 0.8 <= median(gaps_s[2:]) <= 1.0


def test_several_lights_change_at_one_moment(receiver: Receiver) -> None:
    sender = E131Sender(port=receiver.port)
    for slot in (1, 2, 3, 4):
        sender.set(1, slot, (255,))
    at_once = [sum(value > 0 for value in receiver.next().slots) for _ in range(4)]
    assert at_once == [1, 2, 3, 4]
    sender.set(1, 5, (1, 2, 3))
    assert receiver.until(lambda packet: packet.slots[4] > 0).slots[4:8] == bytes((1, 2, 3, 0))
    sender.close()


def test_changes_keep_to_the_rate_of_dmx_and_the_last_one_counts(receiver: Receiver) -> None:
    sender = E131Sender(port=receiver.port)
    began_s = time.perf_counter()
    for value in range(1, 256):
        sender.set(1, 1, (value,))
        time.sleep(0.002)
    count = 1
    while receiver.next().slots[0] != 255:
        count += 1
    took_s = time.perf_counter() - began_s
    assert count <= took_s * 44.2 + 5  # ANSI E1.11: 44.1 full frames a second; and the few at once
    sender.close()


def test_a_network_error_is_told_and_outlived(receiver: Receiver) -> None:
    class Unreachable:
        def sendto(self, _data: bytes, _to: object) -> None:
            raise OSError(101, "Network is unreachable")

    sender = E131Sender(port=receiver.port)
    real = sender._socket
    sender._socket = Unreachable()  # type: ignore[assignment]
    for _ in range(2):
        with pytest.raises(DeviceError, match="unreachable"):
            sender.set(1, 1, (20,))
        time.sleep(0.05)
    assert sender.alive()
    assert sender.trouble.now
    assert sender.trouble.failures >= 2
    assert "unreachable" in sender.trouble.what
    sender._socket = real
    assert receiver.next().slots[0] == 20  # repeated by itself
    assert not sender.trouble.now
    sender.close()


def test_an_error_of_the_system_itself_is_counted_by_the_repeats() -> None:
    # no program may send to the broadcast address without asking for the right to (socket(7), SO_BROADCAST)
    sender = E131Sender("255.255.255.255")
    with pytest.raises(DeviceError, match="DMX can't be sent"):
        sender.set(1, 1, (20,))
    end_s = time.monotonic() + 5.0
    while sender.trouble.failures < 3 and time.monotonic() < end_s:
        time.sleep(0.02)
    assert sender.trouble.failures >= 3
    assert sender.alive()
    sender.close()


def test_a_network_that_is_down_and_comes_up_gets_the_last_state() -> None:
    peers.module("sacn")
    unshare = shutil.which("unshare")
    own_network = [str(unshare), "--net", "--map-root-user"]
    if unshare is None or subprocess.run([*own_network, "true"], check=False, capture_output=True).returncode:
        pytest.skip("no network of its own can be had here (Linux: unshare --net --map-root-user)")
    command = [*own_network, sys.executable, "-m", "tests.devices.outage"]
    done = subprocess.run(
        command, check=True, capture_output=True, text=True, timeout=60, cwd=Path(__file__).parents[2]
    )
    found = json.loads(done.stdout)
    assert found["refused"] == 3
    assert found["failures"] >= 3
    assert "unreachable" in found["what"]
    assert not found["trouble_now"]
    assert found["ours"] == 30


class Theirs:
    """The `sacn` package's receiver on a real socket."""

    def __init__(self, port: int) -> None:
        self.receiver = peers.module("sacn").sACNreceiver(bind_address="127.0.0.1", bind_port=port)
        self.heard: list[Any] = []
        self.changes: list[tuple[int, str]] = []
        self.receiver.register_listener(
            "availability", lambda universe, changed: self.changes.append((universe, changed))
        )

    def __enter__(self) -> Theirs:
        self.receiver.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.receiver.stop()

    def listen(self, universe: int, *, multicast: bool = False) -> None:
        self.receiver.register_listener("universe", self.heard.append, universe=universe)
        if multicast:
            self.receiver.join_multicast(universe)

    def wait_for(self, true: Callable[[], object]) -> bool:
        end_s = time.monotonic() + 5.0
        while not true():
            if time.monotonic() > end_s:
                return False
            time.sleep(0.01)
        return True


def free_port() -> int:
    here = Receiver()
    here.socket.close()
    return here.port


@pytest.mark.parametrize("to", ["127.0.0.1", "multicast:127.0.0.1"])
def test_the_sacn_receiver_sees_what_is_sent(to: str) -> None:
    port = free_port()
    with Theirs(port) as theirs:
        for universe in (1, 300):
            theirs.listen(universe, multicast=to != "127.0.0.1")
        sender = E131Sender(to, port=port, priority=120)
        sender.set(1, 17, (255, 128))
        sender.set(300, 512, (3,))
        assert theirs.wait_for(lambda: {packet.universe for packet in theirs.heard} == {1, 300})
        first = next(packet for packet in theirs.heard if packet.universe == 1)
        assert (first.priority, first.sourceName, first.dmxData[16:18]) == (120, "cuesync", (255, 128))
        other = next(packet for packet in theirs.heard if packet.universe == 300)
        assert other.dmxData[511] == 3
        sender.set(1, 17, (0, 0))
        assert theirs.wait_for(lambda: any(not sum(packet.dmxData) for packet in theirs.heard))
        sender.close()
        assert theirs.wait_for(lambda: (1, "timeout") in theirs.changes)  # it understood the end
        assert (1, "available") in theirs.changes


def test_tshark_reads_what_came_in(receiver: Receiver, tmp_path: Path) -> None:
    sender = E131Sender(port=receiver.port, source="cuesync ä", priority=130)
    sender.set(258, 1, (1, 2, 255))
    sender.close()
    sent = receiver.waiting()
    names = "cid dmx.source_name dmx.priority dmx.seq_number dmx.universe dmx.option_s dmx_vector dmp_vector"
    names += " dmx.count dmx.start_code2 dmx.data"
    options = ("--enable-heuristic", "acn", "-o", "acn.dmx_enable:TRUE", "-o", "acn.dmx_display_view:Decimal")
    rows = peers.dissect(
        tmp_path, [(40000, PORT, data) for data in sent], [f"acn.{name}" for name in names.split()], *options
    )
    assert len(rows) == len(sent) >= 5
    assert len({row[0] for row in rows}) == 1
    assert [row[1:3] for row in rows] == [["cuesync ä", "130"]] * len(rows)
    assert [int(row[3]) for row in rows] == list(range(len(rows)))
    assert [row[5] for row in rows] == ["0"] * (len(rows) - 3) + ["1"] * 3
    assert all((row[4], *row[6:10]) == ("258", "2", "2", "513", "0") for row in rows)
    assert rows[0][10].split("001-020:")[1].split()[:4] == ["1", "2", "255", "..."]


def test_a_host_may_have_an_ipv6_address() -> None:
    try:
        receiver = Receiver("::1", socket.AF_INET6)
    except OSError as problem:
        pytest.skip(f"no IPv6 here: {problem}")
    sender = E131Sender("::1", port=receiver.port)
    sender.set(1, 1, (7,))
    assert receiver.next().slots[0] == 7
    sender.close()
    receiver.socket.close()


def test_a_network_card_that_is_not_here_is_named() -> None:
    with pytest.raises(DeviceError, match=r'no network card here has the address "192\.0\.2\.1"'):
        E131Sender("multicast:192.0.2.1")  # RFC 5737: an address for documents


def test_an_unknown_host_is_named() -> None:
    with pytest.raises(DeviceError, match=r'no host is called "no\.such\.invalid"'):
        E131Sender("no.such.invalid")


def test_the_user_s_priority_is_sent() -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as heard:
        heard.bind(("127.0.0.1", PORT))
        heard.settimeout(3.0)
        lights = light_output(PortSettings(e131_priority=150), HostClock(), ["dmx:1:1"])
        lights.send(LightCommand(light="dmx:1:1", level=1.0))
        assert read(heard.recv(1000)).priority == 150
        lights.close()


def test_slots_of_a_scene_are_opened_as_dmx() -> None:
    lights = light_output(PortSettings(), HostClock(), ["dmx:1:1", "dmx:2:1"])
    assert lights.alive()
    lights.close()
    assert not lights.alive()
    with pytest.raises(DeviceError, match="no host is called"):
        light_output(PortSettings(e131_to="no.such.invalid"), HostClock(), ["dmx:1:1"])
