"""Flashes that guests see: how many in a second, over all scenes in one view (WCAG 2.3.1).

A general flash is a pair of opposing changes of 10 % or more, the darker state below 0.80. WCAG measures the
change in relative luminance, against a white screen. In a dark room no lamp stands beside a white one, and a
blue lamp (0.07 of white) would pass whatever it does; so every lamp counts against its own full light, which
is the careful side. Red flashes (WCAG has the same limit for them) are counted among all, from any level.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby, pairwise
from math import ceil, inf

from cuesync.devices.fixtures import Fixture
from cuesync.devices.light_addresses import LightAddress, parse_light
from cuesync.devices.ports import WHITE, Colour
from cuesync.plan.plan import Plan, PlannedLight

FLASHES_PER_SECOND = 3
"""No more flashes than this in any one second (WCAG 2.3.1)."""
SAME_FLASH_S = 0.001
"""Lights that come on within this are one flash to the eye."""
FLASH_CHANGE = 0.10
"""A smaller change of light is no flash (WCAG, general flash threshold)."""
FLASH_DARKER = 0.80
"""Nor is one whose darker state is as bright as this (WCAG, general flash threshold)."""
SMALL_AREA_SR = 0.006
"""Flashes that together are no larger than this pass (WCAG: within any 10° of the view)."""
RED_SHARE = 0.8
"""Share of red in a colour from which its flashes are red ones (WCAG, red flash threshold)."""
TRAIN_S = 30.0
"""Longest that flashes may follow each other (HSE, for clubs)."""
TRAIN_GAP_S = 1.0
"""Flashes further apart than this don't belong to one train (common practice)."""

# a third of a second three times is not always one second
_GRACE_S = 1e-6
_GRACE = 1e-9

LampState = tuple[float, float, Colour]
"""From a time on (s from the trigger) a lamp has this level, in this colour."""
Rest = tuple[float, Colour]
"""Level and colour of a lamp while no shape wants it."""
DARK: Rest = (0.0, WHITE)
LIT: Rest = (1.0, WHITE)


@dataclass(frozen=True, slots=True, kw_only=True)
class SceneFlashes:
    """Flashes of one scene; `index` is that of its plan among those given.

    `per_second`: in its worst second, its next cue included; `red_per_second` those of them in saturated red.
    Of a lamp that other scenes use too, these may show whatever makes the most flashes.
    `counts` is False where its area and those of the other small ones of the view are too small together to
    matter.
    """

    index: int
    title: str
    per_second: int
    red_per_second: int
    train_s: float
    counts: bool
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ViewFlashes:
    """All flashing scenes of one view; `per_second` adds up the worst second of each that counts.

    The scenes start whenever their contacts close, so their worst seconds can fall together: the sum is an
    upper bound of the pairs of opposing changes, also for lamps that several of them use. One case is left
    out there: shapes of one priority but different colours that overtake each other in small steps.
    """

    view: str
    scenes: tuple[SceneFlashes, ...]

    @property
    def per_second(self) -> int:
        return sum(scene.per_second for scene in self.scenes if scene.counts)

    @property
    def red_per_second(self) -> int:
        return sum(scene.red_per_second for scene in self.scenes if scene.counts)

    @property
    def over_limit(self) -> bool:
        return self.per_second > FLASHES_PER_SECOND

    @property
    def unexplained(self) -> tuple[SceneFlashes, ...]:
        """Scenes without a reason that are over the limit on their own or together; empty where none is."""
        bare = tuple(scene for scene in self.scenes if scene.counts and not scene.reason)
        return bare if sum(scene.per_second for scene in bare) > FLASHES_PER_SECOND else ()

    @property
    def what(self) -> str:
        """How many flashes there are, in words; for a view that is over the limit."""
        counted = [scene for scene in self.scenes if scene.counts]
        place = f" in the view {self.view!r}" if self.view else ""
        if self.red_per_second:
            place += f", {self.red_per_second} of them red"
        if len(counted) == 1:
            return f"{self.per_second} flashes within one second{place}"
        shares = ", ".join(f"{scene.title}: {scene.per_second}" for scene in counted)
        return f"up to {self.per_second} flashes within one second{place} if scenes fall together ({shares})"

    def note(self, scene: SceneFlashes) -> str:
        """What is said and logged where the user has set the limit aside for `scene`."""
        return f"{self.what}, over the limit of {FLASHES_PER_SECOND}; your reason: {scene.reason}"


def lamp_states(shapes: Sequence[PlannedLight], rest: Rest) -> list[LampState]:
    """What one lamp shows the guest as its shapes come and go, by the rules of `PlannedLight`.

    `shapes` have one address. The lamp is at `rest` while no shape wants it.
    """
    return [
        (at_s, *(rest if shape is None else (level, shape.colour))) for at_s, shape, level in _owned(shapes)
    ]


def _owned(shapes: Sequence[PlannedLight]) -> list[tuple[float, PlannedLight | None, float]]:
    """From when on which shape has the lamp, and at what level; None while no shape wants it."""
    events: list[tuple[float, int, float | None]] = []  # when, which shape, its level from now on
    for place, shape in enumerate(shapes):
        events += [(shape.lands_s + step.at_s, place, step.level) for step in shape.steps]
        events.append((shape.lands_s + shape.length_s, place, None))
    events.sort(key=lambda event: event[0])
    wanted: dict[int, float] = {}
    owned: list[tuple[float, PlannedLight | None, float]] = []
    for (at_s, place, level), (next_s, *_) in pairwise([*events, (inf, 0, None)]):
        if level is None:
            wanted.pop(place, None)
        else:
            wanted[place] = level
        if next_s - at_s <= _GRACE_S:  # one shape ends as the next begins: rounding is no dark moment
            continue
        if wanted:
            best = max(wanted, key=lambda place: (*_rank(shapes[place]), wanted[place], place))
            owned.append((at_s, shapes[best], wanted[best]))
        else:
            owned.append((at_s, None, 0.0))
    return owned


def _rank(shape: PlannedLight) -> tuple[int, bool]:
    """Of several shapes on one lamp the highest rank has it, whatever their levels."""
    return shape.priority, shape.shape == "blackout"


def is_saturated_red(colour: Colour) -> bool:
    """R/(R+G+B) of 0.8 or more, in linear light (WCAG, red flash threshold)."""
    linear = [part / 12.92 if part <= 0.03928 else float(((part + 0.055) / 1.055) ** 2.4) for part in colour]
    return sum(linear) > 0 and linear[0] / sum(linear) >= RED_SHARE


def _channels(states: Sequence[LampState]) -> list[list[tuple[float, float]]]:
    """Red, green and blue of a lamp, each as a light of its own: a change of colour is a change too."""
    return [[(at_s, level * colour[place]) for at_s, level, colour in states] for place in range(3)]


def _red(states: Sequence[LampState]) -> list[tuple[float, float]]:
    """Full while the lamp is saturated red, however dim; what it changes to doesn't matter here."""
    return [(at_s, float(level > 0 and is_saturated_red(colour))) for at_s, level, colour in states]


def _turns_s(steps: Sequence[tuple[float, float]], before: float) -> list[float]:
    """When the light changes by enough to be half a flash, up and down in turn; as `flash_times_s`."""
    changes: list[tuple[float, float]] = []  # when, and the darker state
    rising: bool | None = None
    trough = peak = before
    for at_s, level in steps:
        if rising is not True and level - trough >= FLASH_CHANGE - _GRACE:
            changes.append((at_s, trough))
            rising, peak = True, level
        elif rising is not False and peak - level >= FLASH_CHANGE - _GRACE:
            changes.append((at_s, level))
            rising, trough = False, level
        elif rising is False and level < trough:  # falls on
            changes[-1], trough = (changes[-1][0], level), level
        peak, trough = max(peak, level), min(trough, level)
    return [at_s for at_s, darker in changes if darker < FLASH_DARKER]


def flash_times_s(steps: Sequence[tuple[float, float]], before: float = 0.0) -> list[float]:
    """When each flash begins; `steps` are (time in s, level) in order of time.

    It is `before` until the first.
    """
    turns_s = _turns_s(steps, before)
    return [first_s for first_s, _ in zip(turns_s[::2], turns_s[1::2], strict=False)]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Begun:
    """When flashes of all lamps begin, those at one moment as one; and those of them that are red."""

    all_s: list[float]
    red_s: list[float]


def _begun(lights: Sequence[PlannedLight], fixtures: Sequence[Fixture], *, lit: bool) -> _Begun:
    """Fixtures are at their rest, all other lamps dark; those with a blackout lit by others where `lit`."""
    rests = _rests(fixtures)
    all_s: list[float] = []
    red_s: list[float] = []
    for address, shapes in _by_lamp(lights).items():
        rest = LIT if lit and _blacked_out(shapes) else rests.get(address, DARK)
        states = [(-inf, *rest), *lamp_states(shapes, rest)]
        for channel in _channels(states):
            all_s += flash_times_s(channel[1:], before=channel[0][1])
        red = _red(states)
        red_s += flash_times_s(red[1:], before=red[0][1])
    return _Begun(all_s=_merged_s(all_s + red_s), red_s=_merged_s(red_s))


def _by_lamp(lights: Sequence[PlannedLight]) -> dict[LightAddress, list[PlannedLight]]:
    lamps: dict[LightAddress, list[PlannedLight]] = defaultdict(list)
    for light in lights:
        lamps[parse_light(light.light)].append(light)
    return lamps


def _rests(fixtures: Sequence[Fixture]) -> dict[LightAddress, Rest]:
    return {parse_light(one.address): (one.rest_level, one.light(one.rest_colour)) for one in fixtures}


def _blacked_out(shapes: Sequence[PlannedLight]) -> bool:
    return any(shape.shape == "blackout" for shape in shapes)


def _turned(plan: Plan, shared: Mapping[LightAddress, bool]) -> _Begun:
    """When any lamp of a scene may turn up or down, which is half a flash, whatever others show on it.

    `shared`: the lamps that others use too, and whether they are ever red. Such a lamp may turn as a shape
    takes it, lets it go, or is followed by one of another rank, since something else may show before, after
    or in between; while one has it, only by the shape's own steps, since a rival of the same rank can but
    lift them. So every change that is seen is one of these, and each scene has its own.
    """
    rests = _rests(plan.fixtures)
    all_s: list[float] = []
    red_s: list[float] = []
    for address, shapes in _by_lamp(plan.lights).items():
        if address not in shared and not _blacked_out(shapes):
            rest = rests.get(address, DARK)
            inside_s, inside_red_s = _inner_turns_s([(-inf, *rest), *lamp_states(shapes, rest)])
            all_s += inside_s
            red_s += inside_red_s
            continue
        for rank, stretch in groupby(_owned(shapes), key=lambda owned: owned[1] and _rank(owned[1])):
            owned = list(stretch)
            all_s.append(owned[0][0])
            red_s += [owned[0][0]] if shared.get(address) else []
            if rank is not None:
                states = [(at_s, level, shape.colour) for at_s, shape, level in owned if shape is not None]
                inside_s, inside_red_s = _inner_turns_s(states)
                all_s += inside_s
                red_s += inside_red_s
    return _Begun(all_s=_merged_s(all_s), red_s=_merged_s(red_s))


def _inner_turns_s(states: Sequence[LampState]) -> tuple[list[float], list[float]]:
    """Turns after the first state, all and those into or out of red."""
    red = _red(states)
    red_s = _turns_s(red[1:], before=red[0][1])
    all_s = [at_s for channel in _channels(states) for at_s in _turns_s(channel[1:], before=channel[0][1])]
    return all_s + red_s, red_s


def _merged_s(starts_s: Sequence[float]) -> list[float]:
    merged_s: list[float] = []
    for start_s in sorted(starts_s):
        if not merged_s or start_s - merged_s[-1] > SAME_FLASH_S:
            merged_s.append(start_s)
    return merged_s


def _worst(lights: Sequence[PlannedLight], fixtures: Sequence[Fixture]) -> tuple[_Begun, ...]:
    """Flashes where lamps that are blacked out were at rest before, and where they were lit."""
    return tuple(_begun(lights, fixtures, lit=lit) for lit in (False, True))


def _most_in_a_second(starts_s: Sequence[float]) -> int:
    most = first = 0
    for last, start_s in enumerate(starts_s):
        while start_s - starts_s[first] >= 1.0 - _GRACE_S:
            first += 1
        most = max(most, last - first + 1)
    return most


def flashes_in_any_second(lights: Sequence[PlannedLight], fixtures: Sequence[Fixture] = ()) -> int:
    """Largest number of flashes that begin within one second; lights that come on together count once."""
    return max(_most_in_a_second(begun.all_s) for begun in _worst(lights, fixtures))


def longest_train_s(starts_s: Sequence[float]) -> float:
    """Longest time from the first to the last of flashes no more than TRAIN_GAP_S apart."""
    longest_s, first = 0.0, 0
    for last, start_s in enumerate(starts_s):
        if last and start_s - starts_s[last - 1] > TRAIN_GAP_S:
            first = last
        longest_s = max(longest_s, start_s - starts_s[first])
    return longest_s


def _scene(index: int, plan: Plan, shared: Mapping[LightAddress, bool], counts: bool) -> SceneFlashes:
    worst = _worst(plan.lights, plan.fixtures)
    shares = any(address in shared for address in _by_lamp(plan.lights))
    turned = _turned(plan, shared) if shares else _Begun(all_s=[], red_s=[])
    # pressed again as soon as it can be: the end of one cue and the start of the next may meet
    period_s = plan.soonest_again_s
    again = ceil(1.0 / period_s) + 1

    def per_second(once_s: Sequence[float]) -> int:
        return _most_in_a_second(sorted(start_s + k * period_s for k in range(again) for start_s in once_s))

    return SceneFlashes(
        index=index,
        title=plan.title,
        # which turn begins a flash and which ends one hangs on the others: two of them are one
        per_second=max(ceil(per_second(turned.all_s) / 2), *(per_second(begun.all_s) for begun in worst)),
        red_per_second=max(ceil(per_second(turned.red_s) / 2), *(per_second(begun.red_s) for begun in worst)),
        train_s=max(longest_train_s(begun.all_s) for begun in worst),
        counts=counts,
        reason=plan.care.flash_reason,
    )


def _shared(plans: Sequence[Plan]) -> dict[LightAddress, bool]:
    """The lamps that more than one scene uses, and whether any of them, or the rest, shows them red."""
    users: dict[LightAddress, int] = defaultdict(int)
    red: dict[LightAddress, bool] = defaultdict(bool)
    for plan in plans:
        for address, shapes in _by_lamp(plan.lights).items():
            users[address] += 1
            red[address] |= any(is_saturated_red(shape.colour) for shape in shapes)
        for address, (level, colour) in _rests(plan.fixtures).items():
            red[address] |= level > 0 and is_saturated_red(colour)
    return {address: red[address] for address, count in users.items() if count > 1}


def flashes_by_view(plans: Sequence[Plan]) -> tuple[ViewFlashes, ...]:
    """All flashing scenes, by what guests see together, in the order given."""
    views: dict[str, list[tuple[int, Plan]]] = defaultdict(list)
    for index, plan in enumerate(plans):
        if plan.lights:
            views[plan.care.view].append((index, plan))
    shared = _shared(plans)
    found = []
    for view, seen in views.items():
        areas_sr = [plan.care.flash_area_sr for _, plan in seen if plan.care.flash_area_sr is not None]
        small = sum(areas_sr) <= SMALL_AREA_SR
        scenes = tuple(
            _scene(index, plan, shared, counts=plan.care.flash_area_sr is None or not small)
            for index, plan in seen
        )
        found.append(ViewFlashes(view=view, scenes=scenes))
    return tuple(found)
