"""One cue under way: what was asked for, what has been answered, and when it is over."""

from __future__ import annotations

from dataclasses import dataclass, field

from cuesync import signs
from cuesync.hearing.awaited import Finding
from cuesync.plan.plan import Plan, PlannedSound
from cuesync.show.events import LightSent, MessageSent, ScareDone, SoundPlayed
from cuesync.show.lights import LightResult
from cuesync.show.messages import MessageResult
from cuesync.show.sound import Play

_PATIENCE_S = 2.0
"""How long after its cue a scare waits for sounds and lights that have not answered."""


@dataclass(slots=True, kw_only=True)
class Scare:
    """`moved_s` is how much later than planned the whole cue is played, to follow the prop's drift.

    `pop_by_s`: until when a pop is expected, in seconds from the trigger; None where none is watched for.
    `pop_unsure`: why it can't be said whether it came; empty where silence means that it did not.
    """

    plan: Plan
    number: int
    trigger_s: float
    moved_s: float
    pop_by_s: float | None
    plays: list[tuple[PlannedSound, Play]]
    lights: list[LightSent] = field(default_factory=list)
    messages: list[MessageSent] = field(default_factory=list)
    pop_s: float | None = None
    pop_unsure: str = ""
    stopped: bool = False

    @property
    def over_s(self) -> float:
        """Host time at which the cue is over, and the pop has come or will not come any more."""
        over_s = self.plan.cue_length_s + self.moved_s
        if self.waits_for_pop and self.pop_by_s is not None:
            over_s = max(over_s, self.pop_by_s)
        return self.trigger_s + over_s

    @property
    def waits_for_pop(self) -> bool:
        return self.pop_by_s is not None and self.pop_s is None and not self.stopped

    def listened(self, finding: Finding) -> None:
        """A microphone's answer; nothing more is to be waited for."""
        self.pop_unsure = finding.reason
        self.pop_by_s = 0.0

    def light_answered(self, result: LightResult) -> None:
        self.lights.append(
            LightSent(
                light=result.command.light,
                on=result.command.on,
                planned_at_s=result.planned_s - self.trigger_s,
                at_s=None if result.sent_s is None else result.sent_s - self.trigger_s,
                problem=result.problem,
                level=result.command.level,
                worst_late_s=result.worst_late_s,
            )
        )

    def messages_answered(self, result: MessageResult) -> None:
        self.messages.append(
            MessageSent(
                name=result.name,
                planned_at_s=result.planned_s - self.trigger_s,
                at_s=None if result.sent_s is None else result.sent_s - self.trigger_s,
                problem=result.problem,
                worst_late_s=result.worst_late_s,
            )
        )

    def complete(self, now_s: float) -> bool:
        if now_s >= self.over_s + _PATIENCE_S:
            return True
        # each shape of light answers twice, when it begins and when it ends
        answered = all(play.done for _, play in self.plays) and len(self.lights) >= 2 * len(self.plan.lights)
        answered = answered and len(self.messages) >= len(self.plan.messages)
        return answered and (self.stopped or now_s >= self.over_s)

    def done(self, at_s: float) -> ScareDone:
        sounds = tuple(self._played(planned, play) for planned, play in self.plays)
        return ScareDone(
            at_s=at_s,
            scene=self.plan.title,
            number=self.number,
            trigger_s=self.trigger_s,
            sounds=sounds,
            lights=tuple(self.lights),
            messages=tuple(self.messages),
            stopped=self.stopped,
            moved_s=self.moved_s,
            pop_s=self.pop_s,
            misfire=self.waits_for_pop and not self.pop_unsure,
            pop_unsure=self.pop_unsure if self.waits_for_pop else "",
            offset_s=self._offset_s(sounds),
        )

    def _played(self, planned: PlannedSound, play: Play) -> SoundPlayed:
        late_s = play.late_s
        return SoundPlayed(
            clip=planned.clip.name,
            planned_start_s=planned.start_s + self.moved_s,
            start_s=None if late_s is None else planned.start_s + self.moved_s + late_s + play.missed_s,
            lands_s=None if late_s is None else planned.lands_s + self.moved_s + late_s,
        )

    def _offset_s(self, sounds: tuple[SoundPlayed, ...]) -> float | None:
        """The sound meant for the pop against the pop that was seen, as broadcasters count it."""
        meant = self.plan.pop_sound
        if self.pop_s is None or meant is None:
            return None
        for (planned, _), played in zip(self.plays, sounds, strict=True):
            if planned is meant and played.lands_s is not None:
                return signs.audio_offset_s(played.lands_s, self.pop_s)
        return None
