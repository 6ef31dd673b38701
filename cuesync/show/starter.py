"""Starts a prop by its output, and cuts it off as soon as its scene's state says so."""

from __future__ import annotations

from dataclasses import dataclass

from cuesync.devices.guard import OutputGuard, Switched
from cuesync.show.events import Fault, PropSwitched, ShowEvent
from cuesync.show.states import SceneState


@dataclass(slots=True, kw_only=True, eq=False)
class Starter:
    """The output of the scene with this title."""

    scene: str
    output: str
    guard: OutputGuard
    _until_s: float = 0.0

    def go(self, state: SceneState, trigger_s: float) -> None:
        """The trigger was just taken: start the prop when the state has it."""
        self._until_s = state.output_until_s
        self.guard.start(state.output_from_s, state.output_until_s, state.output_why, asked_s=trigger_s)

    def follow(self, state: SceneState) -> None:
        """The state may have changed: cut the output where it has to be off sooner."""
        if state.output_until_s < self._until_s:
            self._until_s = state.output_until_s
            self.guard.off(state.output_why)

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
