"""The plan: a scene and a profile resolved to times from the trigger. Nothing left to open or convert."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace
from typing import Literal

from cuesync.clip import Clip
from cuesync.devices.contact_addresses import is_microphone
from cuesync.devices.fixtures import Fixture
from cuesync.devices.ports import WHITE, Colour
from cuesync.devices.time_code import FrameRate
from cuesync.plan.care import NOTHING_SAID, Care
from cuesync.plan.listening import listening_s


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedSound:
    """One clip with its times.

    `start_s`: from the trigger to the moment the first *played* sample is handed to the sound device
    (never negative: a longer lead-in is in `cut_s`, the part of the clip's head that is skipped, under a
    fade-in of `fade_in_s`). `hit_s`: the hit inside the clip, from the first sample of the file.
    `lands_s`: from the trigger to the hit at the guest. `path_s`: from hand-over to the guest's ear;
    `device_s`: the sound device's share of it, None where that is not known yet and counted as 0.
    `gain` is linear. `outputs` are output channels counted from 1; channel k of the clip goes to
    `outputs[k]`, a mono clip to all of them.
    """

    clip: Clip
    hit_s: float
    hit_kind: str
    hit_reason: str
    start_s: float
    cut_s: float
    fade_in_s: float
    gain: float
    outputs: tuple[int, ...]
    lands_s: float
    path_s: float
    device_s: float | None = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LightStep:
    """From `at_s` on, counted from the start of its shape, the light has this level (0 dark, 1 full)."""

    at_s: float
    level: float


LightShape = Literal["flash", "strobe", "blackout", "fade", "flicker", "eyes"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedLight:
    """One shape of light. `at_s`: from the trigger to the moment its first command is sent; `lands_s`: to
    the light at the guest; `length_s`: first command to last; `light`: the address as in the scene.

    `steps` begin at 0 and lie in order of time within `length_s`, at the end of which the light is let go.
    Where several shapes want one light, the highest `priority` (0 to 200, as in E1.31) decides, among equals
    the highest level; a blackout keeps everything of its own priority and below dark.
    `frame_wait_s`: how much later its changes may come, as they wait for a DMX frame; 0 where it has none.
    """

    light: str
    at_s: float
    length_s: float
    lands_s: float
    path_s: float
    shape: LightShape = "flash"
    steps: tuple[LightStep, ...] = (LightStep(at_s=0.0, level=1.0),)
    colour: Colour = WHITE
    priority: int = 100
    frame_wait_s: float = 0.0


_OTHER_GEAR = (
    "what other gear does on a command of show control or by time code is not known here: its flashes and "
    "noise are not counted, and only what is sent at_stop stops it"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedMessages:
    """A run of MIDI messages to other gear: one command of show control, or time code.

    `messages`: each with its seconds from `at_s`, in order; `at_s`: from the trigger to the first; `lands_s`:
    to the moment the gear acts on it. `name` is for people. Time code begins with the trigger; its `code` is
    the frame that it shows at the pop, and its rate.
    """

    name: str
    at_s: float
    lands_s: float
    path_s: float
    messages: tuple[tuple[float, bytes], ...]
    code: tuple[int, FrameRate] | None = None

    @property
    def length_s(self) -> float:
        """From the first message to the last; 0 for a single one."""
        return self.messages[-1][0]


EARLIEST_START_S = 0.02
"""Where cuesync starts the prop, neither that nor anything else comes sooner after the trigger: so long may a
press be on its way (a USB-serial adapter keeps it for up to 16 ms), and a block of sound last."""
SLACK_S = 1e-6
"""Far more than sums of times differ by from rounding, far less than anything here takes."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedDrive:
    """The output by which cuesync starts the prop.

    `start_s`: from the trigger to the command, never later than `latest_start_s`. `delay_s`: from the command
    until the prop has its power. It is on for `max_on_s` at most.
    """

    output: str
    start_s: float
    latest_start_s: float
    delay_s: float
    max_on_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedBackground:
    """A clip that runs round and round while the scene is in use, and dips around the pop.

    `gain` and `dip_gain` are linear; `dip_gain` comes on top of `gain` from `dip_from_s` to `dip_to_s` after
    the trigger, with short ramps outside of these. `outputs` as for a sound.
    """

    clip: Clip
    gain: float
    outputs: tuple[int, ...]
    dip_gain: float
    dip_from_s: float
    dip_to_s: float


MOST_BACKGROUNDS = 16
"""How many may run at once, over all scenes of a night."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """Everything the show needs of one scene; times in seconds from the trigger.

    `pops_s` are the measured delays behind `delay_s` (empty where the delay was given by hand); beside them,
    `misfires` triggers had no pop.
    `reset_s` is when the prop may be triggered again. `debounce_s` only delays the re-arm.
    `pop_contact` is a contact that the prop itself closes as it pops; with it, `hold_after` misfires in a
    row hold the scene (0: never), and the cue may follow the prop's drift by up to `correct_within_s`.
    `hold_off_s` after a press, taken or refused, the contact is deaf; triggers lie `between_groups_s` apart
    at least; with `enable_contact` presses count only while that is held. `limit_contact` closes when the
    prop is reset; where it has not `limit_margin_s` after `reset_s`, the scene is held.
    `sound_device` names the card through which the prop was measured, where that matters.
    `fixtures` are all that the scene describes, used or not: they have a level at rest.
    `stop_messages` go to other gear when all is stopped; their times mean nothing.
    With `drive` cuesync starts the prop: `delay_s`, `pops_s` and `reset_s` hold the wait until then as well.
    """

    title: str
    contact: str
    debounce_s: float
    delay_s: float
    delay_source: str
    bias_s: float
    reset_s: float
    reset_source: str
    pops_s: tuple[float, ...]
    sounds: tuple[PlannedSound, ...]
    lights: tuple[PlannedLight, ...]
    notes: tuple[str, ...]
    pop_contact: str | None = None
    hold_after: int = 3
    correct_within_s: float = 0.0
    backgrounds: tuple[PlannedBackground, ...] = ()
    sound_device: str = ""
    care: Care = NOTHING_SAID
    fixtures: tuple[Fixture, ...] = ()
    messages: tuple[PlannedMessages, ...] = ()
    stop_messages: tuple[PlannedMessages, ...] = ()
    hold_off_s: float = 0.0
    between_groups_s: float = 0.0
    enable_contact: str | None = None
    limit_contact: str | None = None
    limit_margin_s: float = 5.0
    drive: PlannedDrive | None = None
    light_notes: tuple[str, ...] = ()
    misfires: int = 0

    @property
    def contacts(self) -> tuple[tuple[str, str], ...]:
        """The address of every contact that the scene listens to, each with its role in words."""
        named = (
            (self.contact, "trigger"),
            (self.enable_contact, "dead-man"),
            (self.pop_contact, "pop"),
            (self.limit_contact, "limit switch"),
        )
        return tuple((address, role) for address, role in named if address is not None)

    @property
    def light_addresses(self) -> tuple[str, ...]:
        """Every light that this scene ever sends to, the fixtures that only have a rest included."""
        lights = [light.light for light in self.lights] + [fixture.address for fixture in self.fixtures]
        return tuple(dict.fromkeys(lights))

    def without_lights(self, but: Collection[str] = ()) -> Plan:
        """The same scene in the dark, with nothing for other gear; the fixtures in `but` stay described."""
        fixtures = tuple(fixture for fixture in self.fixtures if fixture.address in but)
        return replace(self, lights=(), light_notes=(), fixtures=fixtures, messages=(), stop_messages=())

    @property
    def pop_sound(self) -> PlannedSound | None:
        """The sound that lands nearest to the planned pop; None where there is no sound."""
        return min(self.sounds, key=lambda sound: abs(sound.lands_s - self.delay_s), default=None)

    @property
    def remarks(self) -> tuple[str, ...]:
        """The notes, what is cut, and what was not known when this was planned."""
        cuts = tuple(
            f"{sound.clip.name}: its first {sound.cut_s * 1000.0:.1f} ms are cut, because its lead-in to the "
            "hit is longer than the delay"
            for sound in self.sounds
            if sound.cut_s
        )
        unknown = tuple(
            f"{sound.clip.name}: the sound device's latency is not known here and counted as 0; the show "
            "asks the device, or give output_latency_ms"
            for sound in self.sounds
            if sound.device_s is None
        )
        others = (_OTHER_GEAR,) if self.messages or self.stop_messages else ()
        return self.notes + self.light_notes + self._started + self._listens + cuts + unknown + others

    @property
    def _started(self) -> tuple[str, ...]:
        if self.drive is None:
            return ()
        held = self.drive.start_s > EARLIEST_START_S + SLACK_S
        return (
            f"{self.drive.output} starts the prop {self.drive.start_s * 1000.0:.1f} ms after the trigger"
            + (", held back for what has to come before the pop" if held else ""),
        )

    @property
    def started_s(self) -> float:
        """When the prop is started: with the trigger itself, or by cuesync after it."""
        return 0.0 if self.drive is None else self.drive.start_s

    @property
    def _listens(self) -> tuple[str, ...]:
        if self.pop_contact is None or not is_microphone(self.pop_contact):
            return ()
        early_s, late_s = listening_s(self.delay_s, self.pops_s, self.started_s)
        return (
            f"{self.pop_contact} listens for the pop from {early_s * 1000.0:.0f} to {late_s * 1000.0:.0f} ms "
            "after the trigger; where other sound covers it, the log says that it is not sure",
        )

    @property
    def cue_length_s(self) -> float:
        """From the trigger to the end of the last sound, light or message."""
        ends_s = [sound.start_s + sound.clip.length_s - sound.cut_s for sound in self.sounds]
        ends_s += [light.at_s + light.length_s for light in self.lights]
        ends_s += [message.at_s + message.length_s for message in self.messages]
        return max(ends_s, default=0.0)

    @property
    def pop_by_s(self) -> float:
        """When the pop has come at the latest, as far as is known."""
        return max((self.delay_s, *self.pops_s))

    @property
    def busy_s(self) -> float:
        """From a trigger until the next is taken, as planned."""
        return self._ready_s(self.reset_s)

    @property
    def soonest_again_s(self) -> float:
        """From a trigger until the next can be taken at the soonest.

        With a limit switch the prop may be back as soon as its pop has come, long before `reset_s`.
        """
        return self._ready_s(self.reset_s if self.limit_contact is None else self.pop_by_s)

    def _ready_s(self, back_s: float) -> float:
        """As `SceneState.ready_s` has it, where the prop is back `back_s` after the trigger."""
        return max(back_s, self.cue_length_s, self.between_groups_s, self.hold_off_s)
