"""OSC 1.0: the packets, contacts over UDP, lights; beside python-osc and Wireshark's dissector."""

from __future__ import annotations

import contextlib
import math
import socket
import struct
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from cuesync.cli import cuesync
from cuesync.devices import kernel_stamps, osc
from cuesync.devices.network import host_and_port, is_loopback
from cuesync.devices.opening import PortSettings, contact_sources
from cuesync.devices.osc import OscContacts, OscLights
from cuesync.devices.osc_packets import IMPULSE, MalformedPacketError, OscMessage, OscValue, decode, encode
from cuesync.devices.ports import ContactEdge, HostClock, LightCommand
from cuesync.devices.simulated import SimulatedClock
from cuesync.errors import DeviceError, InputError
from tests import peers

# OSC 1.0 specification, "OSC Message Examples"
SPEC_EXAMPLE = bytes.fromhex("2f6f7363696c6c61746f722f342f6672657175656e637900 2c660000 43dc0000")
SPEC_FOO = bytes.fromhex(
    "2f666f6f 00000000 2c696973 66660000 000003e8 ffffffff 68656c6c 6f000000 3f9df3b6 40b5b22d"
)


def bundle(*elements: bytes) -> bytes:
    """A bundle whose time tag says "immediately"."""
    return b"#bundle\0" + struct.pack(">Q", 1) + b"".join(struct.pack(">i", len(e)) + e for e in elements)


def test_the_specifications_own_examples() -> None:
    message = OscMessage(address="/oscillator/4/frequency", tags="f", values=(440.0,))
    assert decode(SPEC_EXAMPLE) == (message,)
    assert encode(message) == SPEC_EXAMPLE
    (foo,) = decode(SPEC_FOO)
    assert foo.tags == "iisff"
    assert foo.values[:3] == (1000, -1, "hello")
    assert foo.values[3:] == struct.unpack(">ff", struct.pack(">ff", 1.234, 5.678))
    assert encode(foo) == SPEC_FOO


VALUES: dict[str, st.SearchStrategy[OscValue]] = {
    "i": st.integers(-(2**31), 2**31 - 1),
    "h": st.integers(-(2**63), 2**63 - 1),
    "t": st.integers(0, 2**64 - 1),
    "f": st.floats(width=32, allow_nan=False),
    "d": st.floats(allow_nan=False),
    "s": st.text(st.characters(exclude_characters="\0", exclude_categories=["Cs"])),
    "b": st.binary(),
    "T": st.just(True),
    "F": st.just(False),
    "N": st.none(),
    "I": st.just(IMPULSE),
}


@st.composite
def messages(draw: st.DrawFn) -> OscMessage:
    tags = draw(st.text("".join(VALUES), max_size=6))
    address = "/" + draw(st.text("abc/0", max_size=9))
    return OscMessage(address=address, tags=tags, values=tuple(draw(VALUES[tag]) for tag in tags))


@given(messages())
def test_what_is_written_is_read_back(message: OscMessage) -> None:
    assert decode(encode(message)) == (message,)


@given(st.lists(messages(), min_size=1, max_size=4), st.data())
def test_a_packet_cut_short_is_refused_or_shorter(sent: list[OscMessage], data: st.DataObject) -> None:
    packet = bundle(*(encode(message) for message in sent))
    assert decode(packet) == tuple(sent)
    cut = data.draw(st.integers(0, len(packet) - 1))
    with contextlib.suppress(MalformedPacketError):
        assert decode(packet[:cut]) == tuple(sent)[: len(decode(packet[:cut]))]


def test_bundles_lie_in_bundles_but_not_without_end() -> None:
    packet = SPEC_EXAMPLE
    for _ in range(8):
        packet = bundle(packet, SPEC_EXAMPLE)
    assert len(decode(packet)) == 9
    with pytest.raises(MalformedPacketError, match="more than 8 deep"):
        decode(bundle(packet))


@pytest.mark.parametrize(
    ("packet", "said"),
    [
        (b"", "0 bytes are no OSC packet"),
        (b"/ab", "multiple of 4"),
        (b"/abc", "no end"),
        (b"/a\0x", "no end"),
        (b"abc\0", "no OSC address"),
        (b"/a\xff\0", "no OSC address"),
        (b"/a\0\0abc\0", "no OSC type tags"),
        (b"/a\0\0,q\0\0", "not in OSC 1.0"),
        (b"/a\0\0,i\0\0", "cut short"),
        (b"/a\0\0,s\0\0\xff\0\0\0", "no text"),
        (b"/a\0\0,T\0\0\0\0\0\0", "left over"),
        (b"/a\0\0,b\0\0\xff\xff\xff\xff", "a blob of -1 bytes"),
        (b"/a\0\0,b\0\0\0\0\0\x05abcd", "a blob of 5 bytes"),
        (b"#bundle\0\0\0\0\0", "inside its time tag"),
        (bundle(b""), "an element of 0 bytes"),
        (bundle(b"/abc")[:-4], "an element of 4 bytes"),
    ],
)
def test_malformed_packets_say_why(packet: bytes, said: str) -> None:
    with pytest.raises(MalformedPacketError, match=said):
        decode(packet)


@pytest.mark.parametrize(
    ("tags", "values", "said"),
    [
        ("i", (), "1 type tags"),
        ("i", (2**31,), "2147483648 doesn't go with"),
        ("f", ("x",), "'x' doesn't go with"),
        ("b", ("x",), "'x' doesn't go with"),
        ("q", (1,), "1 doesn't go with"),
        ("s", ("a\0b",), "zero byte"),
    ],
)
def test_values_that_do_not_fit_are_refused(tags: str, values: tuple[OscValue, ...], said: str) -> None:
    with pytest.raises(MalformedPacketError, match=said):
        encode(OscMessage(address="/a", tags=tags, values=values))


# --- contacts --------------------------------------------------------------------------------------------


class Pad:
    """Contacts without a socket, and the edges that they told."""

    def __init__(self, *allow: str) -> None:
        self.edges: list[ContactEdge] = []
        self.contacts = OscContacts(f"127.0.0.1:{free_port()}", allow=allow, clock=SimulatedClock(0.0))
        self.contacts.open(("osc:/hall/pad",), self.edges.append)
        self.contacts.close()

    def message(self, tags: str = "", *values: OscValue, address: str = "/hall/pad") -> list[bool]:
        """Send one message; gives what it told."""
        self.edges.clear()
        self.arrived(encode(OscMessage(address=address, tags=tags, values=values)))
        return [edge.closed for edge in self.edges]

    def arrived(self, packet: bytes, sender: str = "127.0.0.1") -> None:
        self.contacts.arrived(packet, sender, 7.0)


def free_port() -> int:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


def test_the_first_argument_tells_closed_from_open() -> None:
    pad = Pad()
    for tags, value in (("i", 1), ("f", 1.0), ("f", 0.51), ("d", 1.0), ("h", 127), ("T", True)):
        assert pad.message(tags, value) == [True]
    for tags, value in (("i", 0), ("f", 0.0), ("f", 0.5), ("d", -1.0), ("h", 0), ("F", False)):
        assert pad.message(tags, value) == [False]
    assert pad.message("is", 1, "more") == [True]


def test_a_message_without_arguments_is_a_tap() -> None:
    pad = Pad()
    for tapped in (pad.message(), pad.message("I", IMPULSE)):
        assert tapped == [True, False]
        assert [edge.at_s for edge in pad.edges] == [7.0, 7.0]
    pad.edges.clear()
    pad.arrived(b"/hall/pad\0\0\0")  # from before type tags were always sent
    assert [edge.closed for edge in pad.edges] == [True, False]


def test_wrong_arguments_tell_nothing_and_are_counted() -> None:
    pad = Pad()
    wrong: tuple[tuple[str, OscValue], ...] = (
        ("s", "1"),
        ("b", b"\1"),
        ("N", None),
        ("t", 1),
        ("f", math.nan),
    )
    for tags, value in wrong:
        assert pad.message(tags, value) == []
    assert pad.contacts.counts.unreadable == 5
    assert pad.contacts.counts.edges == 0


def test_other_addresses_and_patterns_fire_nothing() -> None:
    pad = Pad()
    for address in ("/hall", "/hall/pad/x", "/hall/*", "/*/pad", "/hall/pa?", "//pad", "/HALL/PAD"):
        assert pad.message("i", 1, address=address) == []
    assert pad.contacts.counts.unused == 7


def test_every_message_of_a_bundle_counts() -> None:
    pad = Pad()
    press = encode(OscMessage(address="/hall/pad", tags="i", values=(1,)))
    release = encode(OscMessage(address="/hall/pad", tags="i", values=(0,)))
    pad.arrived(bundle(press, bundle(release)))
    assert [edge.closed for edge in pad.edges] == [True, False]


@given(st.binary(max_size=200) | st.binary(max_size=80).map(lambda tail: b"/hall/pax\0\0\0" + tail))
def test_random_bytes_never_raise_and_never_fire(packet: bytes) -> None:
    pad = PADS
    before = pad.contacts.counts.malformed + pad.contacts.counts.unused
    pad.edges.clear()
    pad.arrived(packet)
    assert pad.edges == []
    assert pad.contacts.counts.malformed + pad.contacts.counts.unused >= before + (packet[:1] != b"#")


@given(st.binary(max_size=80))
def test_garbage_after_the_right_address_fires_only_where_it_is_well_formed(tail: bytes) -> None:
    packet = b"/hall/pad\0\0\0" + tail
    PADS.edges.clear()
    PADS.arrived(packet)
    if PADS.edges:
        assert decode(packet)[0].address == "/hall/pad"


PADS = Pad()


def test_strangers_are_counted_and_not_heard() -> None:
    pad = Pad("10.0.0.7", "::1")
    packet = encode(OscMessage(address="/hall/pad"))
    pad.arrived(packet, "10.0.0.8")
    pad.arrived(packet, "127.0.0.1")
    assert pad.contacts.counts.strangers == 2
    assert pad.edges == []
    pad.arrived(packet, "10.0.0.7")
    assert len(pad.edges) == 2


@pytest.mark.parametrize("allowed", ["10.0.0.7", "::ffff:10.0.0.7"])
def test_an_ipv4_sender_is_the_same_by_its_mapped_address(allowed: str) -> None:
    """RFC 4291, 2.5.5.2: ::ffff:10.0.0.7 is how an IPv6 node writes 10.0.0.7."""
    pad = Pad(allowed)
    packet = encode(OscMessage(address="/hall/pad"))
    for sender in ("10.0.0.7", "::ffff:10.0.0.7", "::ffff:a00:7"):
        pad.arrived(packet, sender)
    assert len(pad.edges) == 6
    for stranger in ("::ffff:10.0.0.8", "::10.0.0.7", "::ffff:0:a00:7"):
        pad.arrived(packet, stranger)
    assert (len(pad.edges), pad.contacts.counts.strangers) == (6, 3)


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="elsewhere [::] may be IPv6 alone")
def test_who_listens_on_every_ipv6_address_hears_an_ipv4_sender() -> None:
    port = free_port()
    edges: list[ContactEdge] = []
    contacts = OscContacts(f"[::]:{port}", allow=["127.0.0.1"])
    try:
        contacts.open(["osc:/hall/pad"], edges.append)
    except DeviceError:
        pytest.skip("no IPv6 here")
    with contextlib.closing(socket.socket(socket.AF_INET, socket.SOCK_DGRAM)) as sender:
        sender.sendto(encode(OscMessage(address="/hall/pad")), ("127.0.0.1", port))
        until_s = time.monotonic() + 5.0
        while len(edges) < 2 and time.monotonic() < until_s:
            time.sleep(0.005)
    contacts.close()
    assert len(edges) == 2


def test_beyond_loopback_only_with_an_allow_list() -> None:
    with pytest.raises(InputError, match=r"anybody there could fire a prop\. .* --osc-allow ADDRESS"):
        OscContacts("0.0.0.0:7770")
    with pytest.raises(InputError, match="--osc-allow"):
        OscContacts("[::]:7770")
    OscContacts("0.0.0.0:7770", allow=["10.0.0.7"])
    with pytest.raises(InputError, match='"here" is no network address'):
        OscContacts("0.0.0.0:7770", allow=["here"])


@pytest.mark.parametrize("where", ["7770", "127.0.0.1", "127.0.0.1:0", "127.0.0.1:65536", ":7770", "a:b:c"])
def test_where_to_listen_must_be_said_well(where: str) -> None:
    with pytest.raises(InputError, match="does not say where to listen for OSC"):
        OscContacts(where)


def test_a_name_is_no_place_to_listen() -> None:
    with pytest.raises(
        InputError, match=r'--osc-listen "stage:7770": write an address of this computer in numbers'
    ):
        OscContacts("stage:7770", allow=["10.0.0.7"])
    assert host_and_port("[::1]:7770", "it", "x:1") == ("::1", 7770)
    assert [is_loopback(host) for host in ("localhost", "127.9.9.9", "::1")] == [True] * 3
    assert [is_loopback(host) for host in ("10.0.0.1", "stage", "::")] == [False] * 3


class Listening:
    """Open contacts at a free port of loopback."""

    def __init__(self) -> None:
        self.port = free_port()
        self.edges: list[ContactEdge] = []
        self.contacts = OscContacts(f"127.0.0.1:{self.port}")

    def wait_for(self, edges: int) -> None:
        for _ in range(500):
            if len(self.edges) >= edges:
                return
            time.sleep(0.01)


@pytest.fixture
def listening() -> Iterator[Listening]:
    here = Listening()
    here.contacts.open(("osc:/hall/pad",), here.edges.append)
    yield here
    here.contacts.close()


def test_python_osc_fires_our_contacts(listening: Listening) -> None:
    client = peers.module("pythonosc.udp_client").SimpleUDPClient("127.0.0.1", listening.port)
    before_s = time.perf_counter()
    client.send_message("/hall/pad", 1)
    client.send_message("/hall/pad", 0.0)
    client.send_message("/hall/pad", [True, "left foot", b"\1\2\3"])
    client.send_message("/hall/pad", False)
    client.send_message("/hall/pad", [])
    client._sock.close()
    listening.wait_for(6)
    assert [edge.closed for edge in listening.edges] == [True, False, True, False, True, False]
    stamps = [edge.at_s for edge in listening.edges]
    assert before_s <= stamps[0]
    assert stamps == sorted(stamps)
    assert stamps[-1] <= time.perf_counter()
    assert not any(edge.found for edge in listening.edges)


def test_a_packet_that_had_to_wait_is_stamped_when_it_came(monkeypatch: pytest.MonkeyPatch) -> None:
    port = free_port()
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as listener:
        if not kernel_stamps.KERNEL_TELLS:
            pytest.skip("this system gives no stamps")
        listener.setsockopt(socket.SOL_SOCKET, kernel_stamps.SO_TIMESTAMPNS, 1)
        listener.bind(("127.0.0.1", port))
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
            for _ in range(3):
                sender.sendto(SPEC_EXAMPLE, ("127.0.0.1", port))
        time.sleep(0.1)
        clock = HostClock()
        packet, host, at_s, _ = osc._receive(listener, clock)
        assert (packet, host) == (SPEC_EXAMPLE, "127.0.0.1")
        assert 0.099 <= clock.now_s() - at_s < 1.0
        now_ns = time.time_ns()
        for set_by_s in (-3600, 3600):  # the date is set while a packet waits
            monkeypatch.setattr(time, "time_ns", lambda by_s=set_by_s: now_ns + by_s * 10**9)
            before_s = clock.now_s()
            assert osc._receive(listener, clock)[2] >= before_s


def test_python_osc_bundles_are_read(listening: Listening) -> None:
    builders = peers.module("pythonosc.osc_bundle_builder"), peers.module("pythonosc.osc_message_builder")
    inner = builders[0].OscBundleBuilder(builders[0].IMMEDIATELY)
    for value in (1, 0):
        message = builders[1].OscMessageBuilder("/hall/pad")
        message.add_arg(value)
        inner.add_content(message.build())
    outer = builders[0].OscBundleBuilder(time.time() + 5.0)  # a time tag is not waited for
    outer.add_content(inner.build())
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        sender.sendto(outer.build().dgram, ("127.0.0.1", listening.port))
    listening.wait_for(2)
    assert [edge.closed for edge in listening.edges] == [True, False]


@given(messages().filter(lambda message: "N" not in message.tags and "I" not in message.tags))
def test_python_osc_reads_what_we_write(message: OscMessage) -> None:
    theirs = peers.module("pythonosc.osc_message").OscMessage(encode(message))
    assert theirs.address == message.address
    read = [value for tag, value in zip(message.tags, theirs.params, strict=True) if tag != "t"]
    assert read == [value for tag, value in zip(message.tags, message.values, strict=True) if tag != "t"]


def test_a_flood_is_counted_to_the_last_edge(listening: Listening) -> None:
    packets = [encode(OscMessage(address="/hall/pad", tags="i", values=(value,))) for value in (1, 0)]
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        for at in range(10_000):
            sender.sendto(packets[at % 2], ("127.0.0.1", listening.port))
            if at % 50 == 49:  # the system's buffer holds some hundreds
                listening.wait_for(at - 49)
    listening.wait_for(10_000)
    assert len(listening.edges) == listening.contacts.counts.edges == 10_000
    assert [edge.closed for edge in listening.edges] == [True, False] * 5_000
    assert listening.contacts.alive()


@pytest.mark.skipif(not kernel_stamps.KERNEL_TELLS, reason="this system doesn't count what it drops")
def test_a_flood_that_nobody_can_read_is_counted_too() -> None:
    slow, port, edges = threading.Event(), free_port(), list[ContactEdge]()

    def sink(edge: ContactEdge) -> None:
        edges.append(edge)
        slow.wait(10.0)  # we are busy while the flood comes

    contacts = OscContacts(f"127.0.0.1:{port}")
    contacts.open(("osc:/hall/pad",), sink)
    packet = encode(OscMessage(address="/hall/pad", tags="i", values=(1,)))
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        for _ in range(10_000):
            sender.sendto(packet, ("127.0.0.1", port))
        slow.set()
        end_s = time.monotonic() + 10.0
        while contacts.counts.edges + contacts.counts.lost < 10_000 and time.monotonic() < end_s:
            sender.sendto(b"more", ("127.0.0.1", port))  # the count comes with the next packet
            time.sleep(0.05)
    contacts.close()
    assert contacts.counts.lost > 0
    assert contacts.counts.edges == len(edges)
    assert contacts.counts.edges + contacts.counts.lost >= 10_000


def test_garbage_from_the_network_leaves_it_listening(listening: Listening) -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        for packet in (b"", b"\xff" * 100, bytes(65_000), b"#bundle\0" * 3):
            sender.sendto(packet, ("127.0.0.1", listening.port))
        sender.sendto(b"/hall/pad\0\0\0,i\0\0\0\0\0\1", ("127.0.0.1", listening.port))
    listening.wait_for(1)
    assert [edge.closed for edge in listening.edges] == [True]
    assert listening.contacts.counts.malformed == 4
    assert listening.contacts.alive()


def test_a_port_in_use_is_said_and_a_closed_one_is_free_again(listening: Listening) -> None:
    second = OscContacts(f"127.0.0.1:{listening.port}")
    with pytest.raises(DeviceError, match=r"can't listen for OSC at 127\.0\.0\.1:.* --osc-listen"):
        second.open(("osc:/b",), listening.edges.append)
    assert not second.alive()
    listening.contacts.close()
    assert not listening.contacts.alive()
    listening.contacts.close()
    second.open(("osc:/b",), listening.edges.append)
    assert second.alive()
    second.close()


def test_a_show_gets_its_osc_contacts_normally_closed_ones_too() -> None:
    port, edges = free_port(), list[ContactEdge]()
    settings = PortSettings(osc_listen=f"127.0.0.1:{port}")
    (needed,) = contact_sources(["osc:/hall/pad", "osc:/hall/door nc"], settings, SimulatedClock(0.0))
    assert needed.name == "OSC"
    needed.source.open(needed.contacts, edges.append)
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        for path in ("/hall/pad", "/hall/door"):
            sender.sendto(encode(OscMessage(address=path, tags="i", values=(1,))), ("127.0.0.1", port))
    for _ in range(500):
        if len(edges) == 2:
            break
        time.sleep(0.01)
    needed.source.close()
    told = [(edge.contact, edge.closed) for edge in edges]
    assert told == [("osc:/hall/pad", True), ("osc:/hall/door nc", False)]


def test_run_hands_the_network_options_on(scenes: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    settings: list[PortSettings] = []

    def run_show(*_: object, **given: Any) -> SimpleNamespace:
        settings.append(given["settings"])
        return SimpleNamespace(scares=0, refusals=0, faults=0, path="none", log_trouble="")

    monkeypatch.setattr("cuesync.show.live.run_show", run_show)
    words = ["--osc-listen", "10.0.0.9:7770", "--osc-allow", "10.0.0.7", "--osc-allow", "10.0.0.8"]
    words += ["--mqtt-broker", "10.0.0.2:1883", "--mqtt-user", "props", "--mqtt-password-file", "secret"]
    done = CliRunner().invoke(cuesync, ["run", *words, str(scenes / "shelf-skull.toml")])
    assert done.exit_code == 0, done.output
    (given,) = settings
    assert (given.osc_listen, given.osc_allow) == ("10.0.0.9:7770", ("10.0.0.7", "10.0.0.8"))
    assert (given.mqtt_broker, given.mqtt_user) == ("10.0.0.2:1883", "props")
    assert given.mqtt_password_file == Path("secret")


# --- lights ----------------------------------------------------------------------------------------------


@contextlib.contextmanager
def receiver() -> Iterator[tuple[socket.socket, int]]:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as here:
        here.bind(("127.0.0.1", 0))
        here.settimeout(5.0)
        yield here, here.getsockname()[1]


def test_lights_send_one_float_and_go_dark_at_the_end() -> None:
    message = peers.module("pythonosc.osc_message").OscMessage
    with receiver() as (here, port):
        light = f"osc:127.0.0.1:{port}/eyes/left"
        lights = OscLights()
        assert lights.alive()
        lights.send(LightCommand(light=light, level=0.25))
        lights.close()
        lights.close()
        first, last = message(here.recv(1000)), message(here.recv(1000))
    assert (first.address, first.params) == ("/eyes/left", [0.25])
    assert last.params == [0.0]
    assert not lights.alive()
    with pytest.raises(DeviceError, match="closed"):
        lights.send(LightCommand(light=light, level=1.0))


def test_a_light_that_nobody_listens_to_harms_nothing() -> None:
    lights = OscLights()
    light = f"osc:127.0.0.1:{free_port()}/eyes"
    for level in (1.0, 0.0, 1.0):
        lights.send(LightCommand(light=light, level=level))
    lights.close()


def test_names_are_looked_up_at_the_start_only() -> None:
    with receiver() as (here, port):
        light = f"osc:localhost:{port}/eyes"
        late = OscLights()
        with pytest.raises(DeviceError, match="was not looked up at the start"):
            late.send(LightCommand(light=light, level=1.0))
        lights = OscLights([f"osc:127.0.0.1:{port}/eyes"])
        lights.send(LightCommand(light=f"osc:127.0.0.1:{port}/eyes", level=1.0))
        assert decode(here.recv(1000))[0].values == (1.0,)
        lights.close()
    with pytest.raises(DeviceError, match=r'the host "no\.such\.host\.invalid" of an OSC light is not known'):
        OscLights(["osc:no.such.host.invalid:8000/eyes"])


def test_wireshark_reads_our_packet(tmp_path: Path) -> None:
    packet = encode(OscMessage(address="/eyes/left", tags="fisT", values=(0.25, -3, "scream", True)))
    fields = [
        f"osc.message.{field}" for field in ("header.path", "header.format", "float", "int32", "string")
    ]
    read = peers.dissect(tmp_path, [(40000, 57110, packet)], fields, "--enable-heuristic", "osc_udp")
    assert read == [["/eyes/left", ",fisT", "0.25", "-3", "scream"]]
