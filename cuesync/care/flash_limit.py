"""Keeping the limit of flashes: what is a problem, and where the user's own reason sets it aside."""

from __future__ import annotations

from collections.abc import Sequence

from cuesync.care.flash import FLASHES_PER_SECOND, ViewFlashes
from cuesync.errors import Problem
from cuesync.plan.plan import Plan
from cuesync.scene.load import SceneFile


def flash_problems(
    views: Sequence[ViewFlashes], scenes: Sequence[tuple[SceneFile, Plan]]
) -> tuple[Problem, ...]:
    """Every scene, of all that can play together, that takes part in too many flashes without a reason.

    `views` is what `flashes_by_view` says of the plans of these scenes.
    """
    return tuple(
        scenes[scene.index][0].problem(
            (_first_table(scenes[scene.index][1]),),
            f"{view.what}; more than {FLASHES_PER_SECOND} can trigger seizures (WCAG 2.3.1; HSE takes 4 in "
            "clubs).",
            "Leave flashes out or space them wider. Scenes that guests never see at one time get a view of "
            'their own: [care] view = "…". If more is right here, write why: [care] flash_reason = "…"',
        )
        for view in views
        for scene in view.unexplained
        if scene.per_second
    )


def _first_table(plan: Plan) -> str:
    """Where the user should look: shapes of light are called as their tables in the scene are."""
    shapes = [light.shape for light in plan.lights]
    return "strobe" if "strobe" in shapes else shapes[0]


def flash_reasons(views: Sequence[ViewFlashes]) -> dict[int, str]:
    """By the index of the plan: the note where the limit is set aside by the user's own reason."""
    return {
        scene.index: view.note(scene)
        for view in views
        if view.over_limit
        for scene in view.scenes
        if scene.counts and scene.reason
    }
