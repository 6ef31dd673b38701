"""What hangs or fails as it is told holds nothing else up."""

from __future__ import annotations

import threading
import time
from pathlib import Path

from cuesync.devices.ports import HostClock
from cuesync.errors import StorageError
from cuesync.show.events import Fault, Note, Recovered, ShowEvent
from cuesync.show.log import NightSummary
from cuesync.show.telling import MOST_WAITING, Outlet, PlainOutlet, Tellers


class Hanging(Outlet):
    """Hangs from the first event on until `free` is set."""

    name = "the printer"

    def __init__(self) -> None:
        self.free = threading.Event()
        self.begun = threading.Event()
        self.taken: list[ShowEvent] = []
        self.said: list[str] = []

    def take(self, event: ShowEvent) -> None:
        self.taken.append(event)

    def say(self, event: ShowEvent) -> None:
        self.begun.set()
        self.free.wait(30.0)
        self.said.append(event.text)


def note(number: int) -> Note:
    return Note(at_s=float(number), what=str(number))


def test_what_hangs_holds_nothing_up_and_is_told_of_what_it_missed() -> None:
    printer, other = Hanging(), list[ShowEvent]()
    tellers = Tellers([printer, PlainOutlet(other.append)], HostClock())
    reported: list[ShowEvent] = []

    def report(event: ShowEvent) -> None:
        reported.append(event)
        tellers.put(event)

    tellers.start(report)
    start_s = time.perf_counter()
    tellers.put(note(0))
    assert printer.begun.wait(10.0)
    for number in range(1, MOST_WAITING + 101):
        tellers.put(note(number))
        if number % 100 == 0:
            tellers._tellers[1][1].drain(10.0)  # the other one keeps up
    assert time.perf_counter() - start_s < 10.0
    (fault,) = reported
    assert isinstance(fault, Fault)
    assert fault.text == "the printer hangs; from now on it misses what happens. The log has it all."
    assert [event.text for event in other if isinstance(event, Note)] == [
        str(number) for number in range(MOST_WAITING + 101)
    ]
    printer.free.set()
    for _, teller in tellers._tellers:
        assert teller.drain(10.0) == 0
    # of MOST_WAITING + 100 notes and the fault, the newest waited
    assert printer.said[:2] == ["0", "102"]
    assert printer.said[-1] == "the printer goes on; 101 lines had to be left out"
    assert isinstance(reported[-1], Recovered)
    assert reported[-1].about == fault.about
    # what it is to count has come in order, and whole
    assert [event.text for event in printer.taken if isinstance(event, Note)] == [
        str(number) for number in range(MOST_WAITING + 101)
    ]
    summary = NightSummary(path=Path("n"), started_wall="", ended_wall=None, scenes=(), faults=1)
    tellers.close(summary, 10.0)
    assert (printer.ended, printer.hangs) == (True, False)


def test_the_end_waits_for_nothing_that_hangs_and_says_what() -> None:
    printer, other = Hanging(), list[ShowEvent]()
    tellers = Tellers([printer, PlainOutlet(other.append)], HostClock())
    reported: list[ShowEvent] = []
    tellers.start(reported.append)
    for number in range(3):
        tellers.put(note(number))
    assert printer.begun.wait(10.0)
    start_s = time.perf_counter()
    tellers.drain(0.3)
    tellers.close(None, 0.3)
    assert 0.5 < time.perf_counter() - start_s < 5.0
    assert [event.text for event in reported] == [
        "the printer hangs; of what happened it has not taken 3 lines."
    ]
    assert len(other) == 3
    assert (printer.ended, printer.hangs) == (False, True)
    printer.free.set()


def test_what_fails_is_told_once_and_goes_on() -> None:
    other: list[str] = []

    def fail(event: ShowEvent) -> None:
        if event.text == "known":
            raise StorageError("the disk is full.")
        raise ZeroDivisionError(event.text)

    tellers = Tellers([PlainOutlet(fail), PlainOutlet(lambda event: other.append(event.text))], HostClock())
    tellers.start(tellers.put)
    for what in ("1", "2", "known", "3", "known"):
        tellers.put(Note(at_s=0.0, what=what))
        for _, teller in tellers._tellers:
            assert teller.drain(10.0) == 0
    tellers.close(None, 10.0)
    assert sorted(other) == sorted(
        ["1", "2", "known", "3", "known", "the screen failed: ZeroDivisionError: 1.", "the disk is full."]
    )


def test_one_that_fails_as_it_takes_note_still_says() -> None:
    class Odd(PlainOutlet):
        def take(self, event: ShowEvent) -> None:
            raise RuntimeError(event.text)

    said: list[str] = []
    tellers = Tellers([Odd(lambda event: said.append(event.text))], HostClock())
    tellers.start(tellers.put)
    for what in ("1", "2"):
        tellers.put(Note(at_s=0.0, what=what))
    tellers._tellers[0][1].drain(10.0)
    tellers.close(None, 10.0)
    assert said[:1] == ["1"]
    assert sorted(said) == ["1", "2", "the screen failed: RuntimeError: 1."]
