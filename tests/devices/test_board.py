"""A board's lines, its clock, and the whole of it over a pseudo-terminal with pyserial at our end."""

from __future__ import annotations

import contextlib
import os
import sys
import time
from collections.abc import Callable, Iterator
from functools import partial

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cuesync.devices.board import BoardContacts, BoardEdge, BoardLights, BoardReader, BoardSwitch
from cuesync.devices.opening import PortSettings, contact_sources, light_output
from cuesync.devices.ports import ContactEdge, HostClock, LightCommand
from cuesync.errors import DeviceError


def edges_of(*pieces: bytes) -> tuple[list[BoardEdge], BoardReader]:
    edges: list[BoardEdge] = []
    reader = BoardReader(edges.append)
    for index, piece in enumerate(pieces):
        reader.arrived(piece, 5.0 + index / 1000)
    return edges, reader


def says(board: int, lines: bytes) -> None:
    """Check what comes at the board's end next; a terminal hands it on in pieces as it likes."""
    came = b""
    while len(came) < len(lines):
        came += os.read(board, 64)
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


def test_a_flood_is_counted_and_ends() -> None:
    edges, reader = edges_of(b"a 1\na 0\n" * 5000)
    assert len(edges) == 500
    assert reader.discarded == {"edges of a flood": 9500}
    reader.arrived(b"a 1\n", 7.0)
    assert edges[-1].closed


def test_the_same_level_again_is_no_edge() -> None:
    edges, reader = edges_of(b"a 1\na 1\n")
    assert (len(edges), reader.discarded) == (1, {"repeated levels": 1})


@pytest.fixture
def terminal() -> Iterator[tuple[int, str]]:
    """The board's end of a pseudo-terminal, and the name of ours."""
    if sys.platform == "win32":
        pytest.skip("no pseudo-terminals")
    pytest.importorskip("serial")
    board, ours = os.openpty()
    yield board, os.ttyname(ours)
    os.close(ours)
    os.close(board)


def until(true: Callable[[], bool]) -> bool:
    end_s = time.perf_counter() + 5.0
    while not true() and time.perf_counter() < end_s:
        time.sleep(0.001)
    return true()


def test_contacts_and_lights_share_one_port(terminal: tuple[int, str]) -> None:
    board, name = terminal
    edges: list[ContactEdge] = []
    contacts, lights = BoardContacts(name), BoardLights(name)
    contacts.open([f"board:{name}:pad"], edges.append)
    try:
        says(board, b"?\n")
        os.write(board, b"pad =0\nother 1 5\npad 1 1000\n")
        assert until(lambda: len(edges) == 2)
        assert [(e.contact, e.closed, e.found) for e in edges] == [
            (f"board:{name}:pad", False, True),
            (f"board:{name}:pad", True, False),
        ]
        lights.send(LightCommand(light=f"board:{name}:eyes", level=0.5))
        says(board, b"eyes 128\n")
        contacts.close()
        assert lights.alive()
        lights.close()
        says(board, b"eyes 0\n")
    finally:
        contacts.close()
        lights.close()
    with pytest.raises(DeviceError, match="is gone"):
        lights.send(LightCommand(light=f"board:{name}:eyes", level=1.0))


def test_a_board_that_vanishes_is_not_alive_and_can_be_opened_again(terminal: tuple[int, str]) -> None:
    """What the scenes' addresses open, through pulling the plug."""
    board, name = terminal
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
    says(board, b"eyes 1\n")
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
    board, name = terminal
    contacts = BoardContacts(name)
    contacts.open([f"board:{name}:end"], lambda _edge: None)
    switch = BoardSwitch(name, "prop")
    try:
        says(board, b"?\nprop off\n")
        switch.on(0.35)
        switch.keep_on(0.0002)  # never 0: the board would have to guess what that means
        switch.off()
        says(board, b"prop on 350\nprop keep 1\nprop off\n")
        contacts.close()
        assert switch.alive()
    finally:
        contacts.close()
        switch.close()
        switch.close()
    says(board, b"prop off\n")
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
