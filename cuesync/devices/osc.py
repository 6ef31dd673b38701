"""Open Sound Control 1.0 over UDP: contacts in other rooms, and lights that take one number.

A message's first argument tells closed (true, or a number above 0.5) from open (false, or any other number).
A message without arguments, or with an impulse, is a tap: a closure and, at the same instant, an opening.
The moment is the receipt, by the kernel's own stamp on Linux. Time tags of bundles are not waited for, as
nothing says whose clock they mean.
Patterns in a message's address (`/hall/*`) are not matched, so that one message never fires several contacts.
UDP is not sure to arrive: a lost opening leaves the contact closed, and nothing fires until the next opening.
"""

from __future__ import annotations

import ipaddress
import math
import socket
import struct
import threading
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from cuesync.devices.contact_addresses import OscContact, parse_contact
from cuesync.devices.kernel_stamps import KERNEL_TELLS, SO_RXQ_OVFL, TOLD_BYTES, ask_for_stamps, received_s
from cuesync.devices.light_addresses import OscLight, parse_light
from cuesync.devices.network import host_and_port, is_loopback
from cuesync.devices.osc_packets import IMPULSE, MalformedPacketError, OscMessage, decode, encode
from cuesync.devices.ports import Clock, ContactEdge, Counts, EdgeSink, HostClock, LightCommand, counts
from cuesync.devices.switching_off import switch_off
from cuesync.errors import DeviceError, InputError

DEFAULT_LISTEN = "127.0.0.1:7770"
_LARGEST_BYTES = 65536
_BUFFER_BYTES = 1 << 20
_LOOK_UP_S = 0.2
_LOST = struct.Struct("@I")


def level_of(message: OscMessage) -> bool | None:
    """Closed (True), open (False), or None for a tap. MalformedPacketError where it tells none of these."""
    value = message.values[0] if message.values else IMPULSE
    if value is IMPULSE:
        return None
    number = isinstance(value, int | float) and message.tags[0] != "t" and not math.isnan(value)
    if not number:
        raise MalformedPacketError(
            f"{message.address}: {value!r} tells neither closed nor open. Send 1 or 0 as the first argument."
        )
    return float(value) > 0.5  # type: ignore[arg-type]  # it is a number


@dataclass(slots=True, kw_only=True)
class OscCounts:
    """What came in: `edges` told on; `malformed` packets, and those of `strangers` (not on the allow-list);
    `unreadable` messages that tell neither closed nor open; `unused` messages for nobody here; packets `lost`
    in a flood that we were too slow for, as far as the system tells (Linux does)."""

    edges: int = 0
    malformed: int = 0
    strangers: int = 0
    unreadable: int = 0
    unused: int = 0
    lost: int = 0


def _listen_address(text: str, allow: Sequence[str]) -> tuple[str, int]:
    host, port = host_and_port(text, "where to listen for OSC", DEFAULT_LISTEN)
    host = "127.0.0.1" if host.lower() == "localhost" else host
    try:
        ipaddress.ip_address(host)
    except ValueError as problem:
        raise InputError(
            f'--osc-listen "{text}": write an address of this computer in numbers, as "{DEFAULT_LISTEN}".'
        ) from problem
    if not is_loopback(host) and not allow:
        raise InputError(
            f'--osc-listen "{text}" can be reached by others, and anybody there could fire a prop. Say whose '
            "messages count with --osc-allow ADDRESS, or listen on 127.0.0.1."
        )
    return host, port


def _allowed(addresses: Iterable[str]) -> frozenset[str]:
    allowed = set()
    for address in addresses:
        try:
            allowed.add(_plain(str(ipaddress.ip_address(address))))
        except ValueError as problem:
            raise InputError(
                f'--osc-allow "{address}" is no network address. Write one in numbers, as "10.0.0.7".'
            ) from problem
    return frozenset(allowed)


def _plain(address: str) -> str:
    """A sender's IPv4 address as such; who listens on IPv6 sees it mapped (RFC 4291, 2.5.5.2)."""
    if not address.startswith("::ffff:"):
        return address
    mapped = ipaddress.IPv6Address(address).ipv4_mapped
    return address if mapped is None else str(mapped)


class OscContacts:
    """Contacts that come as OSC messages over UDP.

    `listen` is "HOST:PORT" of this computer; away from loopback `allow` must list the senders whose packets
    count. (A sender's address can be forged: keep such a network to yourself.) InputError for either.
    """

    def __init__(
        self, listen: str | None = None, *, allow: Sequence[str] = (), clock: Clock | None = None
    ) -> None:
        self._allow = _allowed(allow)
        self._where = _listen_address(DEFAULT_LISTEN if listen is None else listen, allow)
        self._clock: Clock = HostClock() if clock is None else clock
        self._socket: socket.socket | None = None
        self._thread: threading.Thread | None = None
        self._ending = threading.Event()
        self._sink: EdgeSink | None = None
        self._contacts: dict[str, list[str]] = {}
        self.counts = OscCounts()

    def open(self, contacts: Sequence[str], sink: EdgeSink) -> None:
        self._sink = sink
        self._contacts = {}
        for address in contacts:
            contact = parse_contact(address)
            assert isinstance(contact, OscContact), address
            self._contacts.setdefault(contact.path, []).append(address)
        host, port = self._where
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        try:
            listener = socket.socket(family, socket.SOCK_DGRAM)
        except OSError as problem:
            raise DeviceError(f"the network can't be used for OSC: {problem}.") from problem
        try:
            # a burst has to wait somewhere; the system may give less
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, _BUFFER_BYTES)
            listener.settimeout(_LOOK_UP_S)
            ask_for_stamps(listener)
            if KERNEL_TELLS:
                listener.setsockopt(socket.SOL_SOCKET, SO_RXQ_OVFL, 1)
            listener.bind((host, port))
        except OSError as problem:
            listener.close()
            raise DeviceError(
                f"can't listen for OSC at {host}:{port}: {problem}. Close the program that uses this port, "
                "or choose another with --osc-listen."
            ) from problem
        self._socket = listener
        self._ending = threading.Event()
        self._thread = threading.Thread(
            target=self._listen, args=(listener, self._ending), name="cuesync osc", daemon=True
        )
        self._thread.start()

    @property
    def discarded(self) -> Counts:
        return counts(
            {
                "malformed packets": self.counts.malformed,
                "packets of strangers": self.counts.strangers,
                "messages that tell nothing": self.counts.unreadable,
                "messages for no contact": self.counts.unused,
                "lost packets": self.counts.lost,
            }
        )

    def alive(self) -> bool:
        return self._thread is not None and self._thread.is_alive()

    def close(self) -> None:
        self._ending.set()
        thread, self._thread = self._thread, None
        listener, self._socket = self._socket, None
        if thread is not None:
            thread.join(5.0)
        if listener is not None:
            listener.close()

    def _listen(self, listener: socket.socket, ending: threading.Event) -> None:
        lost_before = self.counts.lost
        while not ending.is_set():
            try:
                packet, sender, at_s, lost = _receive(listener, self._clock)
            except TimeoutError:
                continue
            except ConnectionResetError:  # Windows tells of somebody else's closed port this way
                continue
            except OSError:
                return  # the network has gone; `alive` says so
            self.counts.lost = max(self.counts.lost, lost_before + lost)
            self.arrived(packet, sender, at_s)

    def arrived(self, packet: bytes, sender: str, at_s: float) -> None:
        """Take one packet that came from `sender` at host time `at_s`. Never raises on what it holds."""
        if self._allow and _plain(sender) not in self._allow:
            self.counts.strangers += 1
            return
        try:
            messages = decode(packet)
        except MalformedPacketError:
            self.counts.malformed += 1
            return
        for message in messages:
            contacts = self._contacts.get(message.address, ())
            if not contacts:
                self.counts.unused += 1
                continue
            try:
                closed = level_of(message)
            except MalformedPacketError:
                self.counts.unreadable += 1
                continue
            for level in (True, False) if closed is None else (closed,):
                for contact in contacts:
                    self._tell(ContactEdge(contact=contact, closed=level, at_s=at_s))

    def _tell(self, edge: ContactEdge) -> None:
        if self._sink is not None:
            self.counts.edges += 1
            self._sink(edge)


def _receive(listener: socket.socket, clock: Clock) -> tuple[bytes, str, float, int]:
    """A packet, its sender, the host time at which it came in, and how many were lost so far."""
    if not KERNEL_TELLS:
        packet, sender = listener.recvfrom(_LARGEST_BYTES)
        return packet, sender[0], clock.now_s(), 0
    packet, told, _, sender = listener.recvmsg(_LARGEST_BYTES, TOLD_BYTES)
    at_s, lost = received_s(told, clock), 0
    for level, kind, data in told:
        if (level, kind, len(data)) == (socket.SOL_SOCKET, SO_RXQ_OVFL, _LOST.size):
            (lost,) = _LOST.unpack(data)
    return packet, sender[0], at_s, lost


class OscLights:
    """Lights behind OSC: each command goes out at once as one float from 0 to 1.

    `lights` are the addresses that will be used: hosts given by name are looked up here and never later, as
    that can take seconds. DeviceError where a name is not known.
    """

    def __init__(self, lights: Iterable[str] = ()) -> None:
        self._hosts: dict[str, tuple[socket.AddressFamily, str]] = {}
        self._sockets: dict[socket.AddressFamily, socket.socket] = {}
        self._used: dict[str, None] = {}
        self._open = True
        for address in lights:
            self._look_up(_light(address).host)

    def send(self, command: LightCommand) -> None:
        light = _light(command.light)
        self._used[command.light] = None
        if not self._open:
            raise DeviceError("the OSC lights are closed. Open them again.")
        packet = encode(OscMessage(address=light.path, tags="f", values=(command.level,)))
        try:
            family, host = self._host(light)
            self._socket(family).sendto(packet, (host, light.port))
        except OSError as problem:
            if isinstance(problem, DeviceError):
                raise
            raise DeviceError(
                f'the light "{command.light}" can\'t be reached: {problem}. Check the network.'
            ) from problem

    def all_off(self) -> None:
        switch_off(self._used, self.send)

    def alive(self) -> bool:
        return self._open

    def close(self) -> None:
        try:
            if self._open:
                self.all_off()
        finally:
            self._open = False
            for sender in self._sockets.values():
                sender.close()
            self._sockets.clear()

    def _host(self, light: OscLight) -> tuple[socket.AddressFamily, str]:
        known = self._hosts.get(light.host)
        if known is not None:
            return known
        try:
            number = ipaddress.ip_address(light.host.strip("[]"))
        except ValueError as problem:
            raise DeviceError(
                f'"{light.host}" was not looked up at the start. Write the host in numbers, as "10.0.0.5".'
            ) from problem
        family = socket.AF_INET if number.version == 4 else socket.AF_INET6
        self._hosts[light.host] = family, str(number)
        return self._hosts[light.host]

    def _look_up(self, host: str) -> None:
        try:
            family, _, _, _, where = socket.getaddrinfo(host.strip("[]"), None, type=socket.SOCK_DGRAM)[0]
        except (OSError, UnicodeError) as problem:
            raise DeviceError(
                f'the host "{host}" of an OSC light is not known: {problem}. Write it in numbers: "10.0.0.5".'
            ) from problem
        self._hosts[host] = family, str(where[0])

    def _socket(self, family: socket.AddressFamily) -> socket.socket:
        if family not in self._sockets:
            self._sockets[family] = socket.socket(family, socket.SOCK_DGRAM)
            self._sockets[family].setblocking(False)
        return self._sockets[family]


def _light(address: str) -> OscLight:
    light = parse_light(address)
    assert isinstance(light, OscLight), address
    return light
