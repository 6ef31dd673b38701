"""Flashes that guests see: how many in a second, over all scenes in one view (WCAG 2.3.1).

A general flash is a pair of opposing changes of 10 % or more, the darker state below 0.80. WCAG measures the
change in relative luminance, against a white screen. In a dark room no lamp stands beside a white one, and a
blue lamp (0.07 of white) would pass whatever it does; so every lamp counts against its own full light, which
is the careful side.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil

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
TRAIN_S = 30.0
"""Longest that flashes may follow each other (HSE, for clubs)."""
TRAIN_GAP_S = 1.0
"""Flashes further apart than this don't belong to one train (common practice)."""

# a third of a second three times is not always one second
_GRACE_S = 1e-6
_GRACE = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class SceneFlashes:
    """Flashes of one scene. `index`: of its plan among those given. `per_second`: in its worst second, its
    next cue included. `counts` is False where its area and those of the other small ones of the view are too
    small together to matter."""

    index: int
    title: str
    per_second: int
    train_s: float
    counts: bool
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ViewFlashes:
    """All flashing scenes of one view; `per_second` adds up the worst second of each that counts.

    The scenes start whenever their contacts close, so their worst seconds can fall together: the sum is an
    upper bound.
    """

    view: str
    scenes: tuple[SceneFlashes, ...]

    @property
    def per_second(self) -> int:
        return sum(scene.per_second for scene in self.scenes if scene.counts)

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
        if len(counted) == 1:
            return f"{self.per_second} flashes within one second{place}"
        shares = ", ".join(f"{scene.title}: {scene.per_second}" for scene in counted)
        return f"up to {self.per_second} flashes within one second{place} if scenes fall together ({shares})"

    def note(self, scene: SceneFlashes) -> str:
        """What is said and logged where the user has set the limit aside for `scene`."""
        return f"{self.what}, over the limit of {FLASHES_PER_SECOND}; your reason: {scene.reason}"


def level_steps(light: PlannedLight) -> list[tuple[float, float]]:
    """The light at the guest as (time from the trigger in s, level from 0 to 1), dark before the first."""
    return [(light.lands_s, 1.0), (light.lands_s + light.length_s, 0.0)]


def flash_times_s(steps: Sequence[tuple[float, float]]) -> list[float]:
    """When each flash of one lamp begins; `steps` in order of time, dark before the first."""
    changes: list[tuple[float, float]] = []  # when, and the darker state
    rising: bool | None = None
    trough = peak = 0.0
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
    seen_s = [at_s for at_s, darker in changes if darker < FLASH_DARKER]
    return [first_s for first_s, _ in zip(seen_s[::2], seen_s[1::2], strict=False)]


def _together_s(lights: Sequence[PlannedLight]) -> list[float]:
    """When flashes of several lamps begin; those that come at one moment are one."""
    starts_s: list[float] = []
    for start_s in sorted(start_s for light in lights for start_s in flash_times_s(level_steps(light))):
        if not starts_s or start_s - starts_s[-1] > SAME_FLASH_S:
            starts_s.append(start_s)
    return starts_s


def _most_in_a_second(starts_s: Sequence[float]) -> int:
    most = first = 0
    for last, start_s in enumerate(starts_s):
        while start_s - starts_s[first] >= 1.0 - _GRACE_S:
            first += 1
        most = max(most, last - first + 1)
    return most


def flashes_in_any_second(lights: Sequence[PlannedLight]) -> int:
    """Largest number of flashes that begin within one second; lights that come on together count once."""
    return _most_in_a_second(_together_s(lights))


def longest_train_s(starts_s: Sequence[float]) -> float:
    """Longest time from the first to the last of flashes no more than TRAIN_GAP_S apart."""
    longest_s, first = 0.0, 0
    for last, start_s in enumerate(starts_s):
        if last and start_s - starts_s[last - 1] > TRAIN_GAP_S:
            first = last
        longest_s = max(longest_s, start_s - starts_s[first])
    return longest_s


def _scene(index: int, plan: Plan, counts: bool) -> SceneFlashes:
    once_s = _together_s(plan.lights)
    # pressed again as soon as it can be: the end of one cue and the start of the next may meet
    period_s = max(plan.reset_s, plan.cue_length_s)
    again = ceil(1.0 / period_s) + 1
    return SceneFlashes(
        index=index,
        title=plan.title,
        per_second=_most_in_a_second(
            sorted(start_s + k * period_s for k in range(again) for start_s in once_s)
        ),
        train_s=longest_train_s(once_s),
        counts=counts,
        reason=plan.care.flash_reason,
    )


def flashes_by_view(plans: Sequence[Plan]) -> tuple[ViewFlashes, ...]:
    """All flashing scenes, by what guests see together, in the order given."""
    views: dict[str, list[tuple[int, Plan]]] = defaultdict(list)
    for index, plan in enumerate(plans):
        if plan.lights:
            views[plan.care.view].append((index, plan))
    found = []
    for view, seen in views.items():
        areas_sr = [plan.care.flash_area_sr for _, plan in seen if plan.care.flash_area_sr is not None]
        small = sum(areas_sr) <= SMALL_AREA_SR
        scenes = tuple(
            _scene(index, plan, counts=plan.care.flash_area_sr is None or not small) for index, plan in seen
        )
        found.append(ViewFlashes(view=view, scenes=scenes))
    return tuple(found)
