"""E1.31 packets and their sender, read back by a decoder of the test's own and by the `sacn` package."""

from __future__ import annotations

import socket
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cuesync.devices.dmx import DmxLights
from cuesync.devices.e131 import E131Sender, multicast_host, packet
from cuesync.devices.opening import PortSettings, light_output
from cuesync.devices.ports import HostClock, LightCommand
from cuesync.errors import DeviceError, InputError
from tests import peers

CID = bytes(range(16))


@given(
    universe=st.integers(1, 63999), slots=st.binary(min_size=512, max_size=512), sequence=st.integers(0, 1000)
)
def test_fields_lie_where_the_standard_has_them(universe: int, slots: bytes, sequence: int) -> None:
    # ANSI E1.31, tables 4-1 to 4-3, by the offsets that common decoders quote
    data = packet(universe, slots, sequence=sequence, cid=CID, source="cuesync")
    assert len(data) == 638
    assert data[:4] == bytes.fromhex("00100000")
    assert data[4:16] == bytes.fromhex("4153432D45312E3137000000")
    assert data[16:22] == bytes.fromhex("726E00000004")
    assert data[22:38] == CID
    assert data[38:44] == bytes.fromhex("725800000002")
    assert data[44:108] == b"cuesync".ljust(64, b"\0")
    assert data[108] == 100
    assert data[111] == sequence % 256
    assert data[112] == 0
    assert int.from_bytes(data[113:115], "big") == universe
    assert data[115:125] == bytes.fromhex("720B02A1000000010201")
    assert data[125] == 0
    assert data[126:] == slots


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


@pytest.fixture
def receiver() -> socket.socket:
    heard = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    heard.bind(("127.0.0.1", 0))
    heard.settimeout(3.0)
    return heard


def test_a_light_goes_out_is_repeated_and_ended(receiver: socket.socket) -> None:
    with receiver:
        lights = DmxLights(port=receiver.getsockname()[1])
        lights.send(LightCommand(light="dmx:3:17", level=1.0))
        first = receiver.recv(1000)
        assert (first[114], first[126 + 16], first[126 + 15]) == (3, 255, 0)
        again = receiver.recv(1000)
        assert again[126:] == first[126:]
        assert again[111] == first[111] + 1
        lights.send(LightCommand(light="dmx:3:17", level=0.0))
        assert receiver.recv(1000)[126 + 16] == 0
        lights.close()
        lights.close()
        assert [receiver.recv(1000)[112] for _ in range(4)] == [0, 0x40, 0x40, 0x40]
        assert not lights.alive()
        with pytest.raises(DeviceError, match="closed"):
            lights.send(LightCommand(light="dmx:3:17", level=1.0))


def test_changes_within_a_frame_wait_and_the_last_one_counts(receiver: socket.socket) -> None:
    with receiver:
        sender = E131Sender(port=receiver.getsockname()[1])
        for value in range(1, 101):
            sender.set(1, 1, value)
        values: list[int] = []
        while not values or values[-1] != 100:
            values.append(receiver.recv(1000)[126])
        assert len(values) < 50
        sender.close()


def test_a_network_error_is_told_and_outlived(receiver: socket.socket) -> None:
    class Unreachable:
        def sendto(self, _data: bytes, _to: object) -> None:
            raise OSError(101, "Network is unreachable")

    with receiver:
        sender = E131Sender(port=receiver.getsockname()[1])
        real = sender._socket
        sender._socket = Unreachable()  # type: ignore[assignment]
        for _ in range(2):
            with pytest.raises(DeviceError, match="unreachable"):
                sender.set(1, 1, 20)
            time.sleep(0.05)
        assert sender.alive()
        sender._socket = real
        assert receiver.recv(1000)[126] == 20  # repeated by itself
        sender.close()


def test_an_unknown_host_is_named() -> None:
    with pytest.raises(DeviceError, match=r'no host is called "no\.such\.invalid"'):
        E131Sender("no.such.invalid")


def test_slots_of_a_scene_are_opened_as_dmx() -> None:
    lights = light_output(PortSettings(), HostClock(), ["dmx:1:1", "dmx:2:1"])
    assert lights.alive()
    lights.close()
    assert not lights.alive()
    with pytest.raises(DeviceError, match="no host is called"):
        light_output(PortSettings(e131_to="no.such.invalid"), HostClock(), ["dmx:1:1"])
