"""A board's lines, its clock, and the whole of it over a pseudo-terminal with pyserial at our end."""

from __future__ import annotations

import contextlib
import os
import select
import sys
import threading
import time
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from types import SimpleNamespace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cuesync.devices import board
from cuesync.devices.board import BoardContacts, BoardEdge, BoardLights, BoardReader, BoardSwitch
from cuesync.devices.opening import PortSettings, contact_sources, light_output
from cuesync.devices.ports import ContactEdge, HostClock, LightCommand
from cuesync.devices.serial_line import open_port
from cuesync.errors import DeviceError


def edges_of(*pieces: bytes) -> tuple[list[BoardEdge], BoardReader]:
    edges: list[BoardEdge] = []
    reader = BoardReader(edges.append)
    for index, piece in enumerate(pieces):
        reader.arrived(piece, 5.0 + index / 1000)
    return edges, reader


def says(fd: int, lines: bytes) -> None:
    """Check what comes at the board's end next; a terminal hands it on in pieces as it likes."""
    came = b""
    while len(came) < len(lines):
        came += os.read(fd, 64)
    assert came == lines


def test_lines_come_in_pieces_and_need_no_stamp() -> None:
    edges, reader = edges_of(b"but", b"ton 1 100\r\nbutton 0\n", b"- 7\nend =1\n")
    assert [(e.name, e.closed, e.stated) for e in edges] == [
        ("button", True, False),
        ("button", False, False),
        ("end", True, True),
    ]
    assert reader.discarded == {}


@pytest.mark.parametrize(
    "line", [b"", b"A 1", b"a 2", b"a 1 4294967296", b"a  1", b"a 1 -5", b"- x", b"a 1 5 6", b"\xff\x00"]
)
def test_malformed_lines_are_counted_and_fire_nothing(line: bytes) -> None:
    edges, reader = edges_of(line + b"\n")
    assert (edges, reader.discarded) == ([], {"malformed lines": 1})


@given(st.lists(st.binary(max_size=80), max_size=20))
def test_garbage_harms_nothing(pieces: list[bytes]) -> None:
    edges, _ = edges_of(*pieces, b"\nzz_last =1\n")
    assert edges[-1].name == "zz_last"


def test_a_line_without_end_is_dropped_once() -> None:
    edges, reader = edges_of(*[b"a 1" * 1000] * 50, b"\na 1\n")
    assert reader.discarded == {"malformed lines": 1}
    assert len(edges) == 1


def test_a_flood_is_counted_and_its_contact_out_of_sight_until_it_ends() -> None:
    edges, reader = edges_of(b"a 1\na 0\n" * 5000 + b"a 1\n")
    assert [edge.stated for edge in edges] == [False] * 500 + [True]
    assert reader.discarded == {"edges of a flood": 9501}
    reader.waited(5.24)
    assert len(edges) == 501
    reader.waited(5.25)
    assert edges[501:] == [BoardEdge(name="a", closed=True, at_s=5.25, stated=True)]
    reader.waited(6.9)
    reader.arrived(b"a 0\n", 7.0)
    assert edges[502:] == [BoardEdge(name="a", closed=False, at_s=7.0, stated=False)]


def test_a_flood_of_one_contact_hides_no_other() -> None:
    """700 edges a second of a loose wire, which 115200 baud can carry, beside a dead-man that is let go."""
    edges: list[BoardEdge] = []
    reader = BoardReader(edges.append)
    reader.arrived(b"hold 1\n", 9.0)
    for index in range(2100):
        reader.arrived(b"door %d\n" % (index % 2), 10.0 + index / 700.0)
        if index == 630:
            reader.arrived(b"hold 0\n", 10.9)
    assert [(edge.closed, edge.at_s) for edge in edges if edge.name == "hold"] == [(True, 9.0), (False, 10.9)]
    doors = [edge for edge in edges if edge.name == "door"]
    assert sum(not edge.stated for edge in doors) == 1500
    reader.arrived(b"", 14.0)
    assert edges[-1] == BoardEdge(name="door", closed=True, at_s=14.0, stated=True)


def test_an_answer_is_told_where_nothing_is_known_and_where_an_edge_was_lost() -> None:
    edges: list[BoardEdge] = []
    reader = BoardReader(edges.append)
    for at_s, data in (
        (1.0, b"a =1\n"),
        (2.0, b"a =1\n"),
        (3.0, b"a =0\n"),
        (3.2, b"- 5\n"),
        (3.3, b"- 6\n"),
        (4.0, b"a =0\n"),
    ):
        reader.arrived(data, at_s)
    assert [(e.closed, e.at_s, e.stated) for e in edges] == [(True, 1.0, True), (False, 3.3, True)]
    reader.forget()
    reader.arrived(b"a =0\n", 5.0)
    assert (len(edges), reader.discarded) == (3, {})


def test_an_answer_that_overtook_its_edge_makes_it_no_less_a_press() -> None:
    edges: list[BoardEdge] = []
    reader = BoardReader(edges.append)
    reader.arrived(b"a =0\n", 1.0)
    reader.arrived(b"a =1\n", 2.0)
    reader.arrived(b"a 1\n", 2.2)
    reader.waited(9.0)
    assert [(e.closed, e.at_s, e.stated) for e in edges] == [(False, 1.0, True), (True, 2.2, False)]


def test_an_edge_ahead_of_the_first_answer_is_not_taken_back_by_it() -> None:
    edges: list[BoardEdge] = []
    reader = BoardReader(edges.append)
    reader.arrived(b"a 1\na =1\n", 1.0)
    reader.waited(9.0)
    assert [e.stated for e in edges] == [False]


def test_garbled_names_take_no_more_room_and_push_nobody_out_who_is_heard() -> None:
    edges: list[BoardEdge] = []
    reader = BoardReader(edges.append)
    for index in range(10_000):
        reader.arrived(b"stop =0\nx%d 1\n" % index, index / 100.0)
    assert sum(edge.name == "stop" for edge in edges) == 1
    assert len(reader._wires) == 256


def test_the_same_level_again_is_no_edge() -> None:
    edges, reader = edges_of(b"a 1\na 1\n")
    assert (len(edges), reader.discarded) == (1, {"repeated levels": 1})


@pytest.fixture
def terminal() -> Iterator[tuple[int, str]]:
    """The board's end of a pseudo-terminal, and the name of ours."""
    if sys.platform == "win32":
        pytest.skip("no pseudo-terminals")
    pytest.importorskip("serial")
    fd, ours = os.openpty()
    yield fd, os.ttyname(ours)
    os.close(ours)
    os.close(fd)


def until(true: Callable[[], bool]) -> bool:
    end_s = time.perf_counter() + 5.0
    while not true() and time.perf_counter() < end_s:
        time.sleep(0.001)
    return true()


class Firmware(threading.Thread):
    """What answers at the board's end for as long as it `runs`, and counts the questions."""

    def __init__(self, fd: int, contacts: bytes, *, runs: bool = True) -> None:
        super().__init__(daemon=True)
        self.fd = fd
        self.contacts = contacts
        self.runs = runs
        self.asked = 0
        self._ends = threading.Event()
        self.start()

    def run(self) -> None:
        while not self._ends.is_set():
            if select.select([self.fd], [], [], 0.01)[0]:
                for _ in range(os.read(self.fd, 256).count(b"?")):
                    self.asked += 1
                    if self.runs:
                        os.write(self.fd, self.contacts)

    def end(self) -> None:
        self._ends.set()
        self.join()


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Questions come ten times as often as in a show."""
    monkeypatch.setattr(board, "_ASK_EVERY_S", 0.1)


@pytest.mark.usefixtures("quick")
def test_a_board_whose_boot_loader_ate_the_question_is_asked_again(
    terminal: tuple[int, str],
) -> None:
    fd, name = terminal
    edges: list[ContactEdge] = []
    contacts = BoardContacts(name)
    contacts.open([f"board:{name}:stop"], edges.append)
    firmware = Firmware(fd, b"stop =0\n", runs=False)
    assert until(lambda: firmware.asked >= 6)
    assert (edges, contacts.alive()) == ([], True)  # one that has never answered may be of an old kind
    firmware.runs = True
    assert until(lambda: len(edges) == 1)
    asked = firmware.asked
    assert until(lambda: firmware.asked >= asked + 3)
    firmware.contacts = b"stop =1\n"  # as after a restart, meanwhile it was pressed
    assert until(lambda: len(edges) == 2)
    contacts.close()
    firmware.end()
    assert [(edge.closed, edge.found) for edge in edges] == [(False, True), (True, True)]
    assert contacts.discarded == {}


@pytest.mark.usefixtures("quick")
def test_a_board_that_hangs_is_gone_for_all_until_it_answers_again(
    terminal: tuple[int, str],
) -> None:
    fd, name = terminal
    edges: list[ContactEdge] = []
    contacts, switch = BoardContacts(name), BoardSwitch(name, "prop")
    firmware = Firmware(fd, b"hold =0\n")
    contacts.open([f"board:{name}:hold"], edges.append)
    assert until(lambda: firmware.asked >= 8)
    assert contacts.alive()
    firmware.runs = False
    assert until(lambda: not contacts.alive())
    assert not switch.alive()
    contacts.close()
    switch.close()
    for opens in (
        lambda: contacts.open([f"board:{name}:hold"], edges.append),
        lambda: BoardSwitch(name, "prop"),
    ):
        with pytest.raises(DeviceError, match=r"does not answer any more\. Reset it"):
            opens()
    firmware.runs = True
    edges.clear()
    contacts.open([f"board:{name}:hold"], edges.append)
    assert until(lambda: [(edge.closed, edge.found) for edge in edges] == [(False, True)])
    assert contacts.alive()
    contacts.close()
    firmware.end()


@pytest.mark.usefixtures("quick")
def test_who_still_holds_a_board_that_hangs_is_in_nobodys_way(terminal: tuple[int, str]) -> None:
    fd, name = terminal
    contacts, lights = BoardContacts(name), BoardLights(name)
    firmware = Firmware(fd, b"pad =0\n")
    contacts.open([f"board:{name}:pad"], lambda _edge: None)
    assert until(lambda: firmware.asked >= 2)
    firmware.runs = False
    assert until(lambda: not lights.alive())
    contacts.close()
    firmware.runs = True
    contacts.open([f"board:{name}:pad"], lambda _edge: None)
    assert contacts.alive()
    assert not lights.alive()
    with pytest.raises(DeviceError, match="is gone"):
        lights.send(LightCommand(light=f"board:{name}:eyes", level=1.0))
    with pytest.raises(DeviceError, match="is gone"):
        lights.close()
    assert contacts.alive()
    contacts.close()
    firmware.end()


@pytest.mark.usefixtures("quick")
def test_a_board_that_was_pulled_while_it_hung_may_be_followed_by_one_that_never_answers() -> None:
    pytest.importorskip("serial")
    fd, ours = os.openpty()
    name = os.ttyname(ours)
    contacts = BoardContacts(name)
    firmware = Firmware(fd, b"pad =0\n")
    contacts.open([f"board:{name}:pad"], lambda _edge: None)
    assert until(lambda: firmware.asked >= 2)
    firmware.runs = False
    assert until(lambda: not contacts.alive())
    contacts.close()
    firmware.end()
    os.close(ours)
    os.close(fd)
    with pytest.raises(DeviceError, match="does not open"):
        contacts.open([f"board:{name}:pad"], lambda _edge: None)
    assert board._silent == set()


def test_two_spellings_of_one_contact_and_of_its_port_both_hear_it(
    terminal: tuple[int, str], tmp_path: Path
) -> None:
    fd, name = terminal
    link = tmp_path / "by-id"
    link.symlink_to(name)
    addresses = [f"board:{name}:Pad", f"board:{name}:pad", f"board:{link}:pad nc"]
    edges: list[ContactEdge] = []
    (needed,) = contact_sources(addresses, PortSettings(), HostClock())
    assert needed.name == f"board at {name}"
    needed.source.open(needed.contacts, edges.append)
    lights = BoardLights(str(link))
    says(fd, b"?\n")
    os.write(fd, b"pad 1 1000\n")
    assert until(lambda: len(edges) == 3)
    lights.send(LightCommand(light=f"board:{link}:eyes", level=1.0))
    says(fd, b"eyes 255\n")
    lights.close()
    needed.source.close()
    assert {(edge.contact, edge.closed) for edge in edges} == {
        (addresses[0], True),
        (addresses[1], True),
        (addresses[2], False),
    }


def test_a_port_has_one_owner(terminal: tuple[int, str]) -> None:
    _, name = terminal
    lights = BoardLights(name)
    with pytest.raises(DeviceError, match=r"does not open: it is in use\. Plug"):
        open_port(name)
    lights.close()
    open_port(name).close()


def test_contacts_and_lights_share_one_port(terminal: tuple[int, str]) -> None:
    fd, name = terminal
    edges: list[ContactEdge] = []
    contacts, lights = BoardContacts(name), BoardLights(name)
    contacts.open([f"board:{name}:pad"], edges.append)
    try:
        says(fd, b"?\n")
        os.write(fd, b"pad =0\nother 1 5\npad 1 1000\n")
        assert until(lambda: len(edges) == 2)
        assert [(e.contact, e.closed, e.found) for e in edges] == [
            (f"board:{name}:pad", False, True),
            (f"board:{name}:pad", True, False),
        ]
        lights.send(LightCommand(light=f"board:{name}:eyes", level=0.5))
        says(fd, b"eyes 128\n")
        contacts.close()
        assert lights.alive()
        lights.close()
        says(fd, b"eyes 0\n")
    finally:
        contacts.close()
        lights.close()
    with pytest.raises(DeviceError, match="is gone"):
        lights.send(LightCommand(light=f"board:{name}:eyes", level=1.0))


def test_a_board_that_vanishes_is_not_alive_and_can_be_opened_again(terminal: tuple[int, str]) -> None:
    """What the scenes' addresses open, through pulling the plug."""
    fd, name = terminal
    other, spare = os.openpty()
    gone = os.ttyname(spare)
    os.close(spare)
    contact = f"board:{gone}:pad"
    (needed,) = contact_sources([contact, f"{contact} nc"], PortSettings(), HostClock())
    assert needed.name == f"board at {gone}"
    needed.source.open(needed.contacts, lambda _edge: None)
    assert needed.source.alive()
    os.close(other)
    assert until(lambda: not needed.source.alive())
    needed.source.close()
    needed.source.close()
    lights = light_output(PortSettings(), HostClock(), [f"board:{name}:eyes"])
    lights.send(LightCommand(light=f"board:{name}:eyes", level=0.001))
    says(fd, b"eyes 1\n")
    lights.close()


def fill(name: str) -> None:
    """Leave no room for one more byte, as a board does that has stopped reading."""
    port = os.open(name, os.O_WRONLY | os.O_NONBLOCK | os.O_NOCTTY)
    with contextlib.suppress(BlockingIOError):
        while True:
            os.write(port, b"x")
    os.close(port)


def test_a_board_that_takes_no_lines_is_given_up_until_it_is_opened_again(
    terminal: tuple[int, str],
) -> None:
    board, name = terminal
    contacts, lights, switch = BoardContacts(name), BoardLights(name), BoardSwitch(name, "prop")
    contacts.open([f"board:{name}:pad"], lambda _edge: None)
    says(board, b"prop off\n?\n")
    on = LightCommand(light=f"board:{name}:eyes", level=1.0)
    lights.send(on)
    says(board, b"eyes 255\n")
    try:
        fill(name)
        with pytest.raises(DeviceError, match="does not take lines"):
            lights.send(on)
        assert (lights.alive(), contacts.alive()) == (False, True)
        before_s = time.perf_counter()
        for say in (partial(lights.send, on), lights.all_off, lights.close):
            with pytest.raises(DeviceError, match="is gone"):
                say()
        assert time.perf_counter() - before_s < 0.4  # each line would wait for 0.5 s
    finally:
        again = BoardLights(name)
    try:
        again.send(on)
        said = b""
        while not said.endswith(b"\neyes 255\n"):  # whatever is left from before ends first
            said += os.read(board, 4096)
        fill(name)
        with pytest.raises(DeviceError):
            switch.keep_on(0.35)
        assert not switch.alive()
        switch.off()  # tried all the same
        assert again.alive()
    finally:
        again.close()
        switch.close()
        contacts.close()


def test_what_starts_a_prop_is_off_when_opened_and_told_for_how_long(terminal: tuple[int, str]) -> None:
    fd, name = terminal
    contacts = BoardContacts(name)
    contacts.open([f"board:{name}:end"], lambda _edge: None)
    switch = BoardSwitch(name, "prop")
    try:
        says(fd, b"?\nprop off\n")
        switch.on(0.35)
        switch.keep_on(0.0002)  # never 0: the board would have to guess what that means
        switch.off()
        says(fd, b"prop on 350\nprop keep 1\nprop off\n")
        contacts.close()
        assert switch.alive()
    finally:
        contacts.close()
        switch.close()
        switch.close()
    says(fd, b"prop off\n")
    for told in (switch.off, lambda: switch.on(1.0), lambda: switch.keep_on(1.0)):
        with pytest.raises(DeviceError, match="is gone"):
            told()


def test_what_starts_a_prop_notices_that_its_board_is_gone(terminal: tuple[int, str]) -> None:
    _, name = terminal
    other, spare = os.openpty()
    gone = os.ttyname(spare)
    os.close(spare)
    switch = BoardSwitch(gone, "prop")
    os.close(other)
    assert until(lambda: not switch.alive())
    with pytest.raises(DeviceError, match="is gone"):
        switch.on(1.0)
    switch.close()
    with pytest.raises(DeviceError, match="does not open"):
        BoardSwitch(f"{name}-none", "prop")


def test_a_prop_is_switched_off_by_a_board_that_is_not_heard_any_more(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """It may hear all the same."""
    written: list[str] = []
    fake = SimpleNamespace(there=True, silent=False, write=written.append)
    fake.alive = lambda: fake.there and not fake.silent
    monkeypatch.setattr(board, "_take", lambda *_: fake)
    monkeypatch.setattr(board, "_give_back", lambda _: None)
    prop = board.BoardSwitch("/dev/board", "motor")
    prop.on(1.0)
    fake.silent = True
    with pytest.raises(DeviceError):
        prop.keep_on(1.0)
    prop.off()
    assert written == ["motor off\n", "motor on 1000\n", "motor off\n"]
    fake.there = False
    with pytest.raises(DeviceError):
        prop.off()
    prop.close()
