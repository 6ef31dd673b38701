"""Keys from a pseudo-terminal as contacts."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cuesync.devices.keyboard import KeyboardContacts, _Typed
from cuesync.devices.ports import ContactEdge
from cuesync.errors import DeviceError

if sys.platform == "win32":
    pytest.skip("pseudo-terminals are a thing of Linux and macOS", allow_module_level=True)

import termios


@pytest.fixture
def terminal() -> Iterator[tuple[int, int]]:
    typist, keyboard = os.openpty()
    yield typist, keyboard
    os.close(typist)
    os.close(keyboard)


def wait_until(true: Callable[[], bool], timeout_s: float = 5.0) -> None:
    end_s = time.monotonic() + timeout_s
    while not true():
        assert time.monotonic() < end_s
        time.sleep(0.005)


class SetClock:
    """A clock that a test sets."""

    def __init__(self) -> None:
        self.set_s = 50.0

    def now_s(self) -> float:
        return self.set_s

    def sleep_s(self, duration_s: float) -> None:
        raise NotImplementedError


def test_a_key_closes_and_opens_its_contact(terminal: tuple[int, int]) -> None:
    typist, keyboard = terminal
    edges: list[ContactEdge] = []
    clock = SetClock()
    contacts = KeyboardContacts(keyboard, clock=clock)
    contacts.open(["key:space", "key:f"], edges.append)
    os.write(typist, b" ")
    wait_until(lambda: len(edges) == 1)
    clock.set_s = 50.3
    os.write(typist, b"qF")
    wait_until(lambda: len(edges) == 2)
    clock.set_s = 50.71
    wait_until(lambda: len(edges) == 3)
    clock.set_s = 51.01
    wait_until(lambda: len(edges) == 4)
    contacts.close()
    assert [(edge.contact, edge.closed) for edge in edges] == [
        ("key:space", True),
        ("key:f", True),
        ("key:space", False),
        ("key:f", False),
    ]
    assert [edge.at_s for edge in edges] == [50.0, 50.3, 50.71, 51.01]


def test_a_held_key_is_one_press(terminal: tuple[int, int]) -> None:
    typist, keyboard = terminal
    edges: list[ContactEdge] = []
    clock = SetClock()
    contacts = KeyboardContacts(keyboard, clock=clock)
    markers = "abcdefghijkl"  # one more key each time, to see that the repeat before it was read
    contacts.open(["key:space", *(f"key:{marker}" for marker in markers)], edges.append)
    for marker in markers:
        os.write(typist, b" " + marker.encode())
        wait_until(lambda marker=marker: any(edge.contact == f"key:{marker}" for edge in edges))  # type: ignore[misc]
        clock.set_s += 0.69  # slower than any desktop repeats
    assert [edge.closed for edge in edges if edge.contact == "key:space"] == [True]
    clock.set_s += 0.02
    wait_until(lambda: [edge.closed for edge in edges if edge.contact == "key:space"] == [True, False])
    contacts.close()


def test_arrow_keys_are_no_letters(terminal: tuple[int, int]) -> None:
    typist, keyboard = terminal
    edges: list[ContactEdge] = []
    contacts = KeyboardContacts(keyboard)
    contacts.open(["key:a", "key:b"], edges.append)
    os.write(typist, b"\x1b[A")
    time.sleep(0.1)
    os.write(typist, b"b")
    wait_until(lambda: len(edges) == 1)
    contacts.close()
    assert edges[0].contact == "key:b"


# The forms are those of ECMA-48 (control sequences, strings, single shift 3), of the Linux console (F1 to F5
# are ESC [ [ A to E) and of xterm (a key with Alt is ESC and the key); from memory.
SEQUENCES = [
    b"\x1b[A",
    b"\x1b[1;5A",
    b"\x1b[15~",
    b"\x1b[[A",
    b"\x1bOA",
    b"\x1bO2A",
    b"\x1ba",
    b"\x1b ",
    "\x1bä".encode(),
    b"\x1b[?1 q",
    b"\x1b]11;rgb:aaaa/aaaa/aaaa\x07",
    b"\x1bPaaa\x1b\\",
    b"\x1b[200~",
]


@pytest.mark.parametrize("sequence", SEQUENCES)
def test_a_sequence_is_no_key_wherever_it_stands_and_however_it_comes(sequence: bytes) -> None:
    text = sequence.decode()
    for cut in range(1, len(text) + 1):
        typed = _Typed()
        assert typed.keys("f" + text[:cut], 1.0)[0] == ["f"]
        typed.keys("", 1.1)
        assert typed.keys(text[cut:] + "\r" + text + "f", 1.19)[0] == ["\r", "f"]
        assert typed.keys("", 9.0) == ([], 0)
    assert _Typed().keys(text, 1.0) == ([], 1)


@pytest.mark.parametrize(
    "begun", ["\x1b", "\x1b[", "\x1b[[", "\x1b[1;", "\x1bO", "\x1b]11;", "\x1bP", "\x1b[A\x1b"]
)
def test_enter_is_enter_whatever_was_begun(begun: str) -> None:
    assert _Typed().keys(begun + "\r", 1.0)[0] == ["\r"]
    typed = _Typed()
    assert typed.keys(begun, 1.0)[0] == []
    assert typed.keys("\n", 1.01)[0] == ["\r"]


def test_the_escape_key_alone_is_nothing_and_does_not_take_the_next_key_with_it() -> None:
    typed = _Typed()
    assert typed.keys("\x1b", 1.0) == ([], 0)
    assert typed.keys("", 1.19) == ([], 0)
    assert typed.keys("", 1.25) == ([], 1)
    assert typed.keys("a", 1.26) == (["a"], 0)
    assert typed.keys("\x1b", 2.0) == ([], 0)
    assert typed.keys("a", 2.25) == (["a"], 1)


def test_each_sequence_has_its_own_time() -> None:
    typed = _Typed()
    assert typed.keys("\x1b", 1.0) == ([], 0)
    assert typed.keys("[A\x1b", 1.15) == ([], 1)
    assert typed.keys("[A", 1.3) == ([], 1)


@given(st.text(alphabet="\x1b[]OP~;0A \\\x07", max_size=30))
def test_enter_comes_through_any_mess(text: str) -> None:
    typed = _Typed()
    typed.keys(text, 1.0)
    assert typed.keys("\r", 1.0)[0][-1:] == ["\r"]
    assert typed.keys("f", 2.0)[0] == ["f"]


def test_arrows_and_enter_reach_the_contacts_as_they_come(terminal: tuple[int, int]) -> None:
    typist, keyboard = terminal
    edges: list[ContactEdge] = []
    contacts = KeyboardContacts(keyboard, clock=SetClock())
    contacts.open(["key:a", "key:enter", "key:f"], edges.append)
    os.write(typist, b"f\x1b[A")
    wait_until(lambda: len(edges) == 1)
    os.write(typist, b"\x1b")
    time.sleep(0.1)
    os.write(typist, b"[A\r")
    wait_until(lambda: len(edges) == 2)
    contacts.close()
    assert [edge.contact for edge in edges] == ["key:f", "key:enter"]
    assert contacts.discarded == {"keys that are no contact": 2}


def test_the_terminal_is_put_back(terminal: tuple[int, int]) -> None:
    _, keyboard = terminal
    before = termios.tcgetattr(keyboard)
    contacts = KeyboardContacts(keyboard)
    contacts.open(["key:space"], lambda _: None)
    assert termios.tcgetattr(keyboard) != before
    assert contacts.alive()
    contacts.close()
    contacts.close()
    assert termios.tcgetattr(keyboard) == before
    assert not contacts.alive()


def test_the_terminal_is_put_back_when_python_ends_in_an_error(terminal: tuple[int, int]) -> None:
    _, keyboard = terminal
    before = termios.tcgetattr(keyboard)
    program = (
        "from cuesync.devices.keyboard import KeyboardContacts\n"
        "KeyboardContacts().open(['key:space'], print)\n"
        "raise SystemExit(3)\n"
    )
    run = subprocess.run([sys.executable, "-c", program], stdin=keyboard, check=False, timeout=30.0)
    assert run.returncode == 3
    assert termios.tcgetattr(keyboard) == before


def test_no_terminal_is_said() -> None:
    reader, writer = os.pipe()
    try:
        with pytest.raises(
            DeviceError, match=r"only be read from a terminal, and this is none\. Start cuesync"
        ):
            KeyboardContacts(reader).open(["key:space"], lambda _: None)
    finally:
        os.close(reader)
        os.close(writer)


def test_a_terminal_that_goes_away_is_noticed(terminal: tuple[int, int]) -> None:
    typist, keyboard = os.openpty()
    contacts = KeyboardContacts(keyboard)
    contacts.open(["key:space"], lambda _: None)
    os.close(typist)
    wait_until(lambda: not contacts.alive())
    contacts.close()
    os.close(keyboard)
    assert terminal
