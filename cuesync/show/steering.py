"""What the operator's contacts do to the whole show: stop all, and the two steps back."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from cuesync.devices.contact_addresses import KeyContact, in_words, parse_contact
from cuesync.devices.ports import Clock, ContactEdge
from cuesync.show.engine import Show
from cuesync.show.events import Note, ShowEvent


class Steering:
    """Takes every edge: those of the operator's contacts are acted on here, all others go to the show.

    A stop contact stops when it closes and when it is found closed (a latched button; one that is normally
    closed, and whose wire is broken or whose device is lost). While one is closed, nothing leads back;
    of keys only the press is known.
    """

    def __init__(
        self,
        show: Show,
        clock: Clock,
        report: Callable[[ShowEvent], None],
        *,
        stop: Sequence[str],
        acknowledge: Sequence[str],
        arm: Sequence[str],
        way_back: str = "",
    ) -> None:
        """`way_back`: one sentence on what leads from stopped to armed."""
        self._show = show
        self._clock = clock
        self._report = report
        self._stop = tuple(stop)
        self._acknowledge = tuple(acknowledge)
        self._arm = tuple(arm)
        self._way_back = way_back
        self._pressed: dict[str, None] = {}  # on the show's thread only

    def take(self, edge: ContactEdge) -> None:
        """An edge of any contact, from any thread."""
        if edge.contact in self._stop:
            self._show.put(lambda: self._stop_edge(edge))
            if edge.closed:
                self._show.let_go("all is stopped")  # on this thread: no show that hangs is waited for
        elif edge.contact in self._acknowledge:
            if edge.closed and not edge.found:
                self._show.put(lambda: self._lead_back(self._show.acknowledge))
        elif edge.contact in self._arm:
            if edge.closed and not edge.found:
                self._show.put(lambda: self._lead_back(self._show.arm))
        else:
            self._show.put(edge)

    def _stop_edge(self, edge: ContactEdge) -> None:
        if not edge.closed:
            self._pressed.pop(edge.contact, None)
            return
        if not isinstance(parse_contact(edge.contact), KeyContact):  # a terminal can't tell if a key is held
            self._pressed[edge.contact] = None
        words = in_words(edge.contact)
        why = f"all stopped by {words}."
        if edge.found:
            why = f"all stopped: the stop contact {words} was found pressed, or its wire is broken."
        self._show.stop_all(f"{why} {self._way_back}".rstrip())

    def _lead_back(self, step: Callable[[], None]) -> None:
        if not self._pressed:
            step()
            return
        pressed = " and ".join(in_words(contact) for contact in self._pressed)
        self._report(
            Note(
                at_s=self._clock.now_s(),
                what=f"nothing is armed while a stop contact is pressed: {pressed}. Release it, or look at "
                f"its wire. {self._way_back}".rstrip(),
            )
        )
