"""Starts a prop by its output, and cuts it off as soon as its scene's state or its limit switch says so."""

from __future__ import annotations

import threading
from collections.abc import Callable

from cuesync.devices.guard import OutputGuard, Switched
from cuesync.devices.ports import Clock, ContactEdge, PropOutput
from cuesync.plan.plan import PlannedDrive
from cuesync.show.events import Fault, PropSwitched, ShowEvent
from cuesync.show.limit_switch import LimitNews, LimitSwitch
from cuesync.show.states import SceneState


class Starter:
    """The output of the scene with this title."""

    def __init__(
        self,
        scene: str,
        drive: PlannedDrive,
        output: PropOutput | None,
        clock: Clock,
        done: Callable[[Switched], None],
    ) -> None:
        """`output` and `done` as the guard has them."""
        self.scene = scene
        self.output = drive.output
        self.guard = OutputGuard(output, clock, max_on_s=drive.max_on_s, done=done, hindered=self._hindered)
        self._until_s = 0.0
        # The scene's state has another, on the show's thread; this one sees each edge as it comes in.
        self._limit_switch = LimitSwitch()
        self._seeing = threading.Lock()  # so that an edge from before a start does not end it

    def go(self, state: SceneState, trigger_s: float) -> None:
        """The trigger was just taken: start the prop when the state has it."""
        self._until_s = state.output_until_s
        with self._seeing:
            self._limit_switch.cycle = state.cycle
            self.guard.start(state.output_from_s, self._until_s, state.output_why, asked_s=trigger_s)

    def follow(self, state: SceneState) -> None:
        """The state may have changed: cut the output where it has to be off sooner."""
        if state.output_until_s < self._until_s:
            self._until_s = state.output_until_s
            self.guard.off(state.output_why)

    def limit_edge(self, edge: ContactEdge) -> None:
        """An edge of the limit switch, from any thread, which cuts the output on it if that has to be."""
        with self._seeing:
            news = self._limit_switch.edge(edge.closed, edge.at_s, found=edge.found)
            if news is not LimitNews.NOTHING:
                self.guard.off(news.value)

    def _hindered(self) -> str:
        return "its limit switch does not tell that it is reset" if self._limit_switch.open else ""

    def in_words(self, switched: Switched) -> list[ShowEvent]:
        """What the guard says of its output, for the operator; a problem first."""
        events: list[ShowEvent] = []
        if switched.problem:
            events.append(
                Fault(
                    at_s=switched.at_s,
                    scene=self.scene,
                    what=f"{self.output}: {switched.problem} The scene is held.",
                    todo="Cut the prop's power before you reach in.",
                )
            )
        if switched.on or switched.why:
            events.append(
                PropSwitched(
                    at_s=switched.at_s,
                    scene=self.scene,
                    output=self.output,
                    on=switched.on,
                    late_ms=switched.late_s * 1000.0,
                    on_s=switched.on_s,
                    why=switched.why,
                )
            )
        return events
