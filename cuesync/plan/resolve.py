"""From a scene and its profile to a plan."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from math import ceil
from pathlib import Path

import numpy as np

from cuesync.clip import Clip
from cuesync.devices.contact_addresses import overlap
from cuesync.errors import ClipError, CuesyncError, FaultyFileError, Problem
from cuesync.hearing.hits import find_hit
from cuesync.plan.air import air_path_s
from cuesync.plan.care import Care
from cuesync.plan.drive import as_early_as_can_be, in_the_way
from cuesync.plan.fixtures import fixture_problems, planned_fixture
from cuesync.plan.lights import plan_lights
from cuesync.plan.messages import plan_messages
from cuesync.plan.placing import placed, too_early_ms, too_early_words
from cuesync.plan.plan import (
    EARLIEST_START_S,
    Plan,
    PlannedBackground,
    PlannedDrive,
    PlannedSound,
)
from cuesync.profile import PropNumbers, prop_numbers, read_profile
from cuesync.scene.load import SceneFile, looks_like_scene
from cuesync.scene.model import Scene
from cuesync.scene.sound_parts import BackgroundPart, SoundPart
from cuesync.signs import sound_start_s
from cuesync.sound_file import read_clip
from cuesync.tomllines import KeyPath


@dataclass(frozen=True, slots=True, kw_only=True)
class _Prop:
    """What the plan needs to know of the prop, with where it comes from.

    `delay_s` and `pops_s` are from contact to pop; with `drive` from a trigger that it answers as late as it
    may. `chain_s` is the sound's path that was taken into them
    where the prop was measured through the show's chain: the sounds must be given the very same.
    """

    delay_s: float
    delay_source: str
    reset_s: float
    reset_source: str
    pops_s: tuple[float, ...]
    misfires: int
    chain_s: float | None
    sound_device: str
    drive: PlannedDrive | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class _FoundHit:
    at_s: float
    kind: str
    reason: str


def resolve(
    scene_file: SceneFile,
    *,
    read: Callable[[Path], Clip] = read_clip,
) -> Plan:
    """Resolve a scene to its plan.

    `read` decodes a clip.

    Raises:
        FaultyFileError: everything in the scene or its profile that can't be planned, with lines and keys.
    """
    resolver = _Resolver(scene_file, read)
    prop = resolver.driven(resolver.prop())
    resolver.contacts()
    resolver.problems += fixture_problems([scene_file])
    fixtures = tuple(planned_fixture(part) for part in scene_file.content.fixture)
    # the clips are opened even where the prop is in doubt: all problems are told at once
    clips = [resolver.clip(index, part) for index, part in enumerate(scene_file.content.sound)]
    if prop is not None:
        sounds = [
            resolver.sound(index, part, prop, *loaded)
            for index, (part, loaded) in enumerate(zip(scene_file.content.sound, clips, strict=True))
            if loaded is not None
        ]
        backgrounds = [
            resolver.background(index, part, prop) for index, part in enumerate(scene_file.content.background)
        ]
        ends_s = [sound.start_s + sound.clip.length_s - sound.cut_s for sound in sounds if sound is not None]
        light_plan = plan_lights(scene_file, prop.delay_s, max(ends_s, default=0.0), fixtures)
        resolver.problems += light_plan.problems
        ends_s += [light.at_s + light.length_s for light in light_plan.lights]
        message_plan = plan_messages(scene_file, prop.delay_s, max(ends_s, default=0.0))
        resolver.problems += message_plan.problems
    if resolver.problems or prop is None:
        raise FaultyFileError(sorted(resolver.problems, key=lambda problem: problem.line or 0))
    scene = scene_file.content
    plan = Plan(
        title=scene.title,
        contact=scene.trigger.contact,
        debounce_s=scene.trigger.debounce_ms / 1000.0,
        delay_s=prop.delay_s,
        delay_source=prop.delay_source,
        bias_s=scene.bias_ms / 1000.0,
        reset_s=prop.reset_s,
        reset_source=prop.reset_source,
        pops_s=prop.pops_s,
        misfires=prop.misfires,
        sounds=tuple(sound for sound in sounds if sound is not None),
        lights=light_plan.lights,
        notes=tuple(resolver.notes),
        light_notes=tuple(light_plan.notes),
        sound_device=prop.sound_device,
        pop_contact=scene.prop.pop_contact,
        limit_contact=scene.prop.limit_contact,
        limit_margin_s=scene.prop.limit_margin_s,
        hold_off_s=scene.trigger.hold_off_s,
        between_groups_s=scene.trigger.between_groups_s,
        enable_contact=scene.trigger.enable_contact,
        hold_after=scene.prop.hold_after_misfires,
        correct_within_s=scene.prop.follow_drift_ms / 1000.0,
        backgrounds=tuple(background for background in backgrounds if background is not None),
        care=_care(scene),
        fixtures=fixtures,
        messages=message_plan.messages,
        stop_messages=message_plan.stop_messages,
        drive=prop.drive,
    )
    if other := in_the_way(plan, [plan]):
        raise FaultyFileError(
            [
                scene_file.problem(
                    ("drive", "output"),
                    f"what starts the prop can't be beside {other}.",
                    "Give the prop a wire, or an adapter, of its own.",
                )
            ]
        )
    return as_early_as_can_be(plan)


def _care(scene: Scene) -> Care:
    """[care]; a guest whose distance is not given there stands where the sounds' own keys say."""
    given = scene.care.model_dump()
    if given["guest_distance_m"] is None:
        away_m = [part.speaker_distance_m for part in scene.sound if part.speaker_distance_m]
        given["guest_distance_m"] = min(away_m, default=None)
    return Care(**given)


class _Resolver:
    """Works through one scene; what can't be planned is collected in `problems`, and None returned for it."""

    def __init__(self, scene_file: SceneFile, read: Callable[[Path], Clip]) -> None:
        self.scene_file = scene_file
        self.read = read
        self.problems: list[Problem] = []
        self.notes: list[str] = []

    def problem(self, key: KeyPath, what: str, todo: str = "") -> None:
        self.problems.append(self.scene_file.problem(key, what, todo))

    def contacts(self) -> None:
        """One contact can't do two things in a scene."""
        prop, trigger = self.scene_file.content.prop, self.scene_file.content.trigger
        named: list[tuple[KeyPath, str | None]] = [
            (("trigger", "contact"), trigger.contact),
            (("trigger", "enable_contact"), trigger.enable_contact),
            (("prop", "pop_contact"), prop.pop_contact),
            (("prop", "limit_contact"), prop.limit_contact),
        ]
        given = [(key, address) for key, address in named if address is not None]
        for place, (key, address) in enumerate(given):
            for other, before in given[:place]:
                if overlap(address, before):
                    self.problem(
                        key,
                        f"{address} is the same contact as {other[-1]} in [{other[0]}].",
                        "Give each a contact of its own.",
                    )

    def prop(self) -> _Prop | None:
        part = self.scene_file.content.prop
        numbers: PropNumbers | None = None
        if part.profile is not None:
            numbers = self.numbers(part.profile)
            if numbers is None:
                return None
        if numbers is None:
            assert part.trigger_to_pop_ms is not None  # the scene's model has made sure
            chain_s, delay_s, pops_s = None, part.trigger_to_pop_ms / 1000.0, tuple[float, ...]()
            misfires = 0
            delay_source = "given in the scene"
        else:
            chain_s = self.chain_s(numbers)
            pops_s = tuple(pop_s + (chain_s or 0.0) for pop_s in numbers.pops_s)
            misfires = numbers.summary.misfires
            delay_s = float(np.median(pops_s))
            delay_source = (
                f"median of {len(numbers.pops_s)} measured pops of {numbers.prop!r} ({numbers.aligned_to})"
            )
        reset = self.reset(part.reset_s, numbers, chain_s or 0.0)
        if reset is None:
            return None
        if reset[0] <= delay_s:
            self.problem(
                ("prop", "reset_s"),
                f"the reset of {reset[0]:g} s is over before the pop at {delay_s:.3f} s.",
                "It counts from the press until the prop can be triggered again.",
            )
            return None
        return _Prop(
            delay_s=delay_s,
            delay_source=delay_source,
            reset_s=reset[0],
            reset_source=reset[1],
            pops_s=pops_s,
            misfires=misfires,
            chain_s=chain_s,
            sound_device=numbers.sound_device if numbers else "",
        )

    def driven(self, prop: _Prop | None) -> _Prop | None:
        """Where cuesync starts the prop, this one with its start held back for as long as it may be.

        So everything finds room that can; the plan as a whole is moved to the trigger afterwards.
        """
        part = self.scene_file.content.drive
        if part is None or prop is None:
            return prop
        if self.scene_file.content.prop.limit_contact is None and part.max_on_s >= prop.reset_s:
            self.problem(
                ("drive", "max_on_s"),
                f"{part.max_on_s:g} s is not shorter than the reset ({prop.reset_s:g} s): the prop would "
                "start its next cycle by itself.",
                "Write less, or add limit_contact under [prop], which switches it off in time.",
            )
        drive = PlannedDrive(
            output=part.output,
            start_s=EARLIEST_START_S + part.hold_back_ms / 1000.0,
            latest_start_s=EARLIEST_START_S + part.hold_back_ms / 1000.0,
            delay_s=part.output_delay_ms / 1000.0,
            max_on_s=part.max_on_s,
        )
        waits_s = drive.start_s + drive.delay_s
        return replace(
            prop,
            delay_s=prop.delay_s + waits_s,
            reset_s=prop.reset_s + waits_s,
            pops_s=tuple(pop_s + waits_s for pop_s in prop.pops_s),
            drive=drive,
        )

    def chain_s(self, numbers: PropNumbers) -> float | None:
        """The sound's path that is to be added to what was heard of pop minus chirp; None for other ways."""
        if not numbers.through_chain:
            return None
        if numbers.path_s is not None:
            return numbers.path_s
        scene = self.scene_file.content
        device_ms = [part.output_latency_ms for part in scene.sound if part.output_latency_ms is not None]
        away_m = [part.speaker_distance_m for part in scene.sound]
        if not device_ms:
            self.notes.append(
                "the profile does not say how long the sound takes through the show's chain. The sounds are "
                "right all the same, but pop and flashes are planned too early by it; give output_latency_ms"
            )
        air_s = air_path_s(away_m[0], scene.temperature_c) if away_m else 0.0
        return (device_ms[0] / 1000.0 if device_ms else 0.0) + air_s

    def numbers(self, profile: str) -> PropNumbers | None:
        path = self.scene_file.beside(profile)
        try:
            numbers = prop_numbers(read_profile(path).content)
        except FaultyFileError as error:
            if looks_like_scene(path):
                self.problem(
                    ("prop", "profile"),
                    f"{path} is a scene, not a prop profile.",
                    "Name the file that cuesync measure RECORDING --save FILE wrote.",
                )
            else:
                self.problems += error.problems
            return None
        except CuesyncError as error:
            self.problem(("prop", "profile"), str(error), "Paths start at the scene file's folder.")
            return None
        if not numbers.pops_s:
            self.problem(
                ("prop", "profile"),
                f"the profile of {numbers.prop!r} has no trial with a pop.",
                f"Measure the prop again: cuesync measure RECORDING --save {profile}",
            )
            return None
        if numbers.left_out:
            kind = "through the show's sound chain" if numbers.through_chain else "from the contact"
            self.notes.append(
                f"{numbers.left_out} older trials of the profile are not used: the newest session was "
                f"measured {kind}, and the two kinds don't mix"
            )
        if numbers.split is not None:
            self.notes.append(f"{profile}: {numbers.split.text}")
        return numbers

    def reset(
        self, given_s: float | None, numbers: PropNumbers | None, chain_s: float
    ) -> tuple[float, str] | None:
        """Reset and where it comes from; one heard through the chain is longer by the sound's path."""
        if given_s is not None:
            return given_s, "given in the scene"
        heard_s = numbers.summary.reset_s if numbers is not None else None
        if heard_s is not None:
            return heard_s + chain_s, "the longest one heard in the profile"
        self.problem(
            ("prop",),
            "how long the prop needs until it can be triggered again is not known.",
            "Add reset_s = … under [prop]: the time from the press until the motor stops, and a second more.",
        )
        return None

    def clip(self, index: int, part: SoundPart) -> tuple[Clip, _FoundHit] | None:
        clip = self.decoded(("sound", index), part.clip, part.outputs)
        hit = None if clip is None else self.hit(index, part, clip)
        return None if clip is None or hit is None else (clip, hit)

    def decoded(self, key: KeyPath, name: str, outputs: list[int]) -> Clip | None:
        """A clip that can be read and has an output for each of its channels."""
        try:
            clip = self.read(self.scene_file.beside(name))
        except ClipError as error:
            self.problem((*key, "clip"), str(error))
            return None
        channels = clip.samples.shape[1]
        if channels > len(outputs):
            self.problem(
                (*key, "outputs"),
                f"{clip.name} has {channels} channels, but outputs names {len(outputs)}.",
                "Name one output for each channel of the clip.",
            )
            return None
        return clip

    def hit(self, index: int, part: SoundPart, clip: Clip) -> _FoundHit | None:
        if part.hit_s is not None:
            if part.hit_s <= clip.length_s:
                return _FoundHit(at_s=part.hit_s, kind="given", reason="given in the scene")
            self.problem(
                ("sound", index, "hit_s"),
                f"{part.hit_s:g} is after the end of {clip.name}.",
                f"The clip is {clip.length_s:.3f} s long; give a time inside it.",
            )
            return None
        try:
            hit = find_hit(clip.samples, clip.rate_hz, part.hit)
        except ClipError as error:
            self.problem(("sound", index, "clip"), f"{clip.name}: {error}")
            return None
        if hit.clear:
            return _FoundHit(at_s=hit.at_s, kind=hit.kind, reason=hit.reason)
        self.problem(
            ("sound", index, "hit"),
            f"the hit of {clip.name} is {hit.reason}.",
            "Listen to it, and write hit_s = … in place of hit.",
        )
        return None

    def sound(
        self, index: int, part: SoundPart, prop: _Prop, clip: Clip, hit: _FoundHit
    ) -> PlannedSound | None:
        scene = self.scene_file.content
        if prop.chain_s is None:
            air_s = air_path_s(part.speaker_distance_m, scene.temperature_c)
            device_s = None if part.output_latency_ms is None else part.output_latency_ms / 1000.0
            path_s = air_s + (device_s or 0.0)
        else:
            path_s = device_s = prop.chain_s  # air included, just as the chirp went
        at_s, bias_s = part.at_ms / 1000.0, scene.bias_ms / 1000.0
        planned = placed(
            PlannedSound(
                clip=clip,
                hit_s=hit.at_s,
                hit_kind=hit.kind,
                hit_reason=hit.reason,
                start_s=sound_start_s(prop.delay_s, at_s, bias_s, hit.at_s, path_s),
                cut_s=0.0,
                fade_in_s=0.0,
                gain=10.0 ** (part.level_db / 20.0),
                outputs=tuple(part.outputs),
                lands_s=prop.delay_s + at_s + bias_s,
                path_s=path_s,
                device_s=device_s,
            )
        )
        early_ms = too_early_ms(planned)
        if early_ms > 0:
            self.problem(
                ("sound", index),
                too_early_words(planned, early_ms),
                f"Set at_ms to {ceil(part.at_ms + early_ms)} or more, or shorten the sound's path "
                f"({path_s * 1000.0:.1f} ms).",
            )
            return None
        return planned

    def background(self, index: int, part: BackgroundPart, prop: _Prop) -> PlannedBackground | None:
        clip = self.decoded(("background", index), part.clip, part.outputs)
        if clip is None:
            return None
        return PlannedBackground(
            clip=clip,
            gain=10.0 ** (part.level_db / 20.0),
            outputs=tuple(part.outputs),
            dip_gain=10.0 ** (part.dip_db / 20.0),
            dip_from_s=max(0.0, prop.delay_s - part.dip_before_ms / 1000.0),
            dip_to_s=prop.delay_s + part.dip_after_ms / 1000.0,
        )
