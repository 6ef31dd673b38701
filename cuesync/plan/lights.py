"""From a scene's shapes of light to runs of level steps."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import ceil, floor

from cuesync.devices.fixtures import FRAME_S, FULL, Fixture
from cuesync.devices.light_addresses import DmxLight, FixtureLight, parse_light
from cuesync.devices.ports import WHITE, Colour
from cuesync.errors import Problem
from cuesync.plan.frames import frame_notes, with_frame_waits
from cuesync.plan.plan import LightShape, LightStep, PlannedLight
from cuesync.scene.light_parts import (
    BlackoutPart,
    ColouredPart,
    EyesPart,
    FadePart,
    FlashPart,
    FlickerPart,
    LightPart,
    StrobePart,
)
from cuesync.scene.load import SceneFile
from cuesync.scene.model import Scene
from cuesync.signs import light_send_s
from cuesync.tomllines import KeyPath

FINEST_LEVEL = 1.0 / FULL
"""Finer steps of a fade than a DMX slot's would not be seen."""
FLICKER_UNEVENNESS = 2.0
"""A flicker stays on one level from once to three times the shortest time its rate allows."""

_ROUNDING_S = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class LightPlan:
    """The lights that can be planned, what is wrong with the others, and what is to be known."""

    lights: tuple[PlannedLight, ...]
    problems: tuple[Problem, ...]
    notes: tuple[str, ...]


def plan_lights(
    scene_file: SceneFile, delay_s: float, others_end_s: float, fixtures: Sequence[Fixture] = ()
) -> LightPlan:
    """Resolve every shape of light of a scene.

    `delay_s`: trigger to pop. `others_end_s`: from the trigger to the end of the last sound; eyes without an
    end of their own go off there, or with the last other light. `fixtures`: those of the scene.
    """
    return _Lights(scene_file, delay_s, fixtures).plan(others_end_s)


def fade_steps(from_level: float, to_level: float, length_s: float) -> tuple[LightStep, ...]:
    """Even steps from one level to the other, none shorter than a DMX frame or finer than 8 bits.

    The first step has `from_level`, the last `to_level`; there is only one where `length_s` is less than two
    frames.
    """
    count = min(
        floor(length_s / FRAME_S + _ROUNDING_S), ceil(abs(to_level - from_level) / FINEST_LEVEL - 1e-6) + 1
    )
    if count < 2:
        return (LightStep(at_s=0.0, level=to_level),)
    return tuple(
        LightStep(
            at_s=length_s * place / count,
            level=from_level * (1.0 - place / (count - 1)) + to_level * (place / (count - 1)),
        )
        for place in range(count)
    )


def strobe_steps(level: float, rate_hz: float, duty: float, length_s: float) -> tuple[LightStep, ...]:
    """Whole flashes only, each on for `duty` of its time; empty where `length_s` is too short for one."""
    steps: list[LightStep] = []
    number = 0
    while (number + duty) / rate_hz <= length_s + _ROUNDING_S:
        steps.append(LightStep(at_s=number / rate_hz, level=level))
        steps.append(LightStep(at_s=(number + duty) / rate_hz, level=0.0))
        number += 1
    return tuple(steps)


def flicker_steps(
    low: float, high: float, highest_rate_hz: float, seed: int, length_s: float
) -> tuple[LightStep, ...]:
    """Levels between `low` and `high` at uneven times, in turn from the bright and from the dark half.

    The same seed gives the same steps everywhere. Each level stays for half a period of `highest_rate_hz` or
    more (and for a DMX frame or more), so the light brightens at most that many times in a second.
    """
    draw = random.Random(
        seed
    )  # its random() is the same on every system and version (Python's documentation)
    shortest_s = max(0.5 / highest_rate_hz, FRAME_S)
    half = (high - low) / 2.0
    steps: list[LightStep] = []
    at_s = 0.0
    while not steps or at_s + shortest_s <= length_s:
        lowest = low if len(steps) % 2 else low + half
        steps.append(LightStep(at_s=at_s, level=lowest + half * draw.random()))
        at_s += shortest_s * (1.0 + FLICKER_UNEVENNESS * draw.random())
    return tuple(steps)


class _Lights:
    """Works through one scene; what can't be planned is collected in `problems`, and None returned for it."""

    def __init__(self, scene_file: SceneFile, delay_s: float, fixtures: Sequence[Fixture]) -> None:
        self.scene_file = scene_file
        self.delay_s = delay_s
        self.fixtures = {fixture.name: fixture for fixture in fixtures}
        self.problems: list[Problem] = []

    def problem(self, key: KeyPath, what: str, todo: str) -> None:
        self.problems.append(self.scene_file.problem(key, what, todo))

    def plan(self, others_end_s: float) -> LightPlan:
        scene: Scene = self.scene_file.content
        planned: list[PlannedLight | None] = []
        planned += [self.flash(("flash", place), part) for place, part in enumerate(scene.flash)]
        planned += [self.strobe(("strobe", place), part) for place, part in enumerate(scene.strobe)]
        planned += [self.blackout(("blackout", place), part) for place, part in enumerate(scene.blackout)]
        planned += [self.fade(("fade", place), part) for place, part in enumerate(scene.fade)]
        planned += [self.flicker(("flicker", place), part) for place, part in enumerate(scene.flicker)]
        closed = [
            self.eyes(("eyes", place), part, 0.0)
            for place, part in enumerate(scene.eyes)
            if part.off_ms is not None
        ]
        lights = [light for light in planned + closed if light is not None]
        end_s = max([others_end_s, *(light.at_s + light.length_s for light in lights)])
        endless = [
            self.eyes(("eyes", place), part, end_s)
            for place, part in enumerate(scene.eyes)
            if part.off_ms is None
        ]
        lights += [light for light in endless if light is not None]
        placed = with_frame_waits(lights, self.fixtures)
        return LightPlan(lights=placed, problems=tuple(self.problems), notes=frame_notes(placed))

    def fixture(self, light: str) -> Fixture | None:
        """The fixture that is meant; None where it is another kind of light, or not described."""
        address = parse_light(light)
        return self.fixtures.get(address.name) if isinstance(address, FixtureLight) else None

    def path_s(self, part: LightPart) -> float:
        """From the command to the light: the shape's own word first, then the fixture's."""
        if part.lamp_delay_ms is not None:
            return part.lamp_delay_ms / 1000.0
        fixture = self.fixture(part.light)
        return 0.0 if fixture is None else fixture.lamp_delay_s

    def flash(self, key: KeyPath, part: FlashPart) -> PlannedLight | None:
        return self.placed(
            key, part, "flash", part.length_ms / 1000.0, (LightStep(at_s=0.0, level=part.level),)
        )

    def strobe(self, key: KeyPath, part: StrobePart) -> PlannedLight | None:
        length_s = part.length_ms / 1000.0
        steps = strobe_steps(part.level, part.rate_hz, part.duty, length_s)
        if not steps:
            self.problem(
                (*key, "length_ms"),
                f"{part.length_ms:g} is too short for one flash at {part.rate_hz:g} a second.",
                f"Write {ceil(1000.0 * part.duty / part.rate_hz)} or more.",
            )
            return None
        return self.placed(key, part, "strobe", length_s, steps)

    def blackout(self, key: KeyPath, part: BlackoutPart) -> PlannedLight | None:
        return self.placed(key, part, "blackout", part.length_ms / 1000.0, (LightStep(at_s=0.0, level=0.0),))

    def fade(self, key: KeyPath, part: FadePart) -> PlannedLight | None:
        steps = fade_steps(part.from_level, part.to_level, part.length_ms / 1000.0)
        if len(steps) < 2:
            self.problem(
                (*key, "length_ms"),
                f"{part.length_ms:g} is too short for a fade.",
                f"A fade has at least two steps of one DMX frame: write {ceil(2000.0 * FRAME_S)} or more, "
                "or make it a [[flash]].",
            )
            return None
        return self.placed(key, part, "fade", part.length_ms / 1000.0, steps)

    def flicker(self, key: KeyPath, part: FlickerPart) -> PlannedLight | None:
        length_s = part.length_ms / 1000.0
        steps = flicker_steps(part.low_level, part.high_level, part.highest_rate_hz, part.seed, length_s)
        return self.placed(key, part, "flicker", length_s, steps)

    def eyes(self, key: KeyPath, part: EyesPart, cue_end_s: float) -> PlannedLight | None:
        if part.off_ms is None:
            send_s = light_send_s(self.delay_s, part.at_ms / 1000.0, self.path_s(part))
            length_s = cue_end_s - send_s
        else:
            length_s = (part.off_ms - part.at_ms) / 1000.0
        if length_s <= 0:
            self.problem(
                key,
                f"nothing else lasts longer than these eyes come on ({part.at_ms:g} ms from the pop), so "
                "the end of the cue can't end them.",
                "Say when they go off: add off_ms = …, in milliseconds from the pop.",
            )
            return None
        return self.placed(key, part, "eyes", length_s, (LightStep(at_s=0.0, level=part.level),))

    def placed(
        self,
        key: KeyPath,
        part: LightPart,
        shape: LightShape,
        length_s: float,
        steps: tuple[LightStep, ...],
    ) -> PlannedLight | None:
        colour = self.colour(key, part)
        if colour is None:
            return None
        path_s, at_s = self.path_s(part), part.at_ms / 1000.0
        send_s = light_send_s(self.delay_s, at_s, path_s)
        if send_s < 0:
            self.problem(
                (*key, "at_ms"),
                f"{part.at_ms:g} can't be reached: the command would have to leave {-send_s * 1000.0:.1f} ms "
                "before the trigger.",
                f"Write {ceil(part.at_ms - send_s * 1000.0)} or more.",
            )
            return None
        changes_s = [step.at_s for step in steps]
        if shape != "strobe":  # what is left of a strobe after its last flash is dark anyway
            changes_s.append(length_s)
        shortest_s = min(after_s - before_s for before_s, after_s in pairwise(changes_s))
        if on_network(part.light) and shortest_s < FRAME_S - _ROUNDING_S:
            self.problem(
                key,
                f"a step of {shortest_s * 1000.0:.1f} ms is shorter than a DMX frame "
                f"({FRAME_S * 1000.0:.1f} ms), so {part.light} may never show it.",
                "Make it longer, or lower the rate.",
            )
            return None
        return PlannedLight(
            light=part.light,
            at_s=send_s,
            length_s=length_s,
            lands_s=self.delay_s + at_s,
            path_s=path_s,
            shape=shape,
            steps=steps,
            colour=colour,
            priority=part.priority,
        )

    def colour(self, key: KeyPath, part: LightPart) -> Colour | None:
        """The colour that the light will have; None where it can't be had."""
        asked = parsed_colour(part.colour) if isinstance(part, ColouredPart) else WHITE
        address = parse_light(part.light)
        if not isinstance(address, FixtureLight):
            return asked
        fixture = self.fixtures.get(address.name)
        if fixture is None:
            self.problem(
                (*key, "light"),
                f"the scene describes no fixture {address.name!r}.",
                fixtures_known(tuple(self.fixtures)),
            )
            return None
        if not fixture.has_colours and asked != WHITE:
            self.problem(
                (*key, "colour"),
                f"the fixture {fixture.name!r} has no channel for red, green or blue.",
                "Leave colour out, or say in [[fixture]] which channels they are; a filter in front of the "
                "lamp is filter_colour there.",
            )
            return None
        shown = fixture.light(asked)
        if not any(shown):
            self.problem(
                (*key, "colour"),
                f"the fixture {fixture.name!r} can show nothing of this colour.",
                "Take one that its channels have: "
                f"{', '.join(str(channel) for channel in dict.fromkeys(fixture.channels))}.",
            )
            return None
        return shown


def on_network(light: str) -> bool:
    """Whether a light hangs on DMX, which is sent in frames."""
    return isinstance(parse_light(light), DmxLight | FixtureLight)


def fixtures_known(names: Sequence[str]) -> str:
    """What a light that refers to a fixture may say."""
    if not names:
        return "Describe it: [[fixture]] with its name, universe, start_slot and channels."
    return f"There are: {', '.join(names)}."


def parsed_colour(text: str) -> Colour:
    """Colour of a scene, "#rrggbb", as red, green and blue from 0 to 1."""
    red, green, blue = (int(text[place : place + 2], 16) / 255.0 for place in (1, 3, 5))
    return red, green, blue
