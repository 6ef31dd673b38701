"""What is done as a signal asks for the end must bear a second signal at any moment of it."""

from __future__ import annotations

import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from types import FrameType, ModuleType
from typing import Any

import pytest

from cuesync.cli import contacts
from cuesync.devices import switch_process
from cuesync.devices.ports import HostClock
from cuesync.show import live


def watch_contacts() -> None:
    contacts._watch([], {}, HostClock(), 0.0, lambda: None, keys=False)


def switch() -> None:
    pytest.importorskip("serial")
    switch_process.main("serial:no-such-port:rts", 1.0)


def run_show() -> None:
    with live._steady():
        pass


@pytest.mark.parametrize(
    ("module", "use"),
    [(contacts, watch_contacts), (switch_process, switch), (live, run_show)],
    ids=["contacts", "switch", "show"],
)
def test_a_signal_may_come_while_one_is_taken(
    monkeypatch: pytest.MonkeyPatch, module: ModuleType, use: Callable[[], None]
) -> None:
    """Python takes signals between two steps of the main thread, also within the handler of another."""
    acts: list[Callable[[], object]] = []

    @contextmanager
    def keep(_: Sequence[str], act: Callable[[], object]) -> Iterator[None]:
        acts.append(act)
        yield

    monkeypatch.setattr(module, "on_signals", keep)
    use()
    (act,) = acts
    times = 0

    def again(_: FrameType, event: str, __: Any) -> Any:
        nonlocal times
        if event == "line":
            times += 1
            act()
        return again

    def take() -> None:
        sys.settrace(again)
        act()
        sys.settrace(None)

    taking = threading.Thread(target=take, daemon=True)
    taking.start()
    taking.join(5.0)
    assert not taking.is_alive()
    assert times
