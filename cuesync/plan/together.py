"""What keeps scenes from being played in one night, beside what fixtures, flashes and time code do."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from cuesync.devices.contact_addresses import normally_closed, overlap
from cuesync.plan.drive import in_the_way
from cuesync.plan.plan import MOST_BACKGROUNDS, Plan
from cuesync.tomllines import KeyPath

_USES: dict[str, tuple[str, KeyPath]] = {
    "trigger": ("is triggered by", ("trigger", "contact")),
    "dead-man": ("is enabled by", ("trigger", "enable_contact")),
    "pop": ("sees its pop by", ("prop", "pop_contact")),
    "limit switch": ("sees its reset by", ("prop", "limit_contact")),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Clash:
    """What is wrong with `plans[place]` at this key of its scene, and what to do."""

    place: int
    key: KeyPath
    what: str
    todo: str


def clashes(plans: Sequence[Plan], contacts: Sequence[str] = (), lights: Sequence[str] = ()) -> list[Clash]:
    """Titles, outputs that start props, limit switches and other contacts that can't go together.

    `contacts` steer the whole show; `lights` belong to no scene.
    """
    found: list[Clash] = []
    titles = [plan.title for plan in plans]
    for place, plan in enumerate(plans):

        def clash(key: KeyPath, what: str, todo: str, place: int = place) -> None:
            found.append(Clash(place=place, key=key, what=what, todo=todo))

        if plan.title in titles[:place]:
            clash(("title",), f'two scenes are called "{plan.title}".', "Give each its own title.")
        backgrounds = sum(len(one.backgrounds) for one in plans[: place + 1])
        if backgrounds > MOST_BACKGROUNDS and plan.backgrounds:
            clash(
                ("background",),
                f"with those of the scenes before it, that makes {backgrounds} backgrounds; at most "
                f"{MOST_BACKGROUNDS} can run at once.",
                "Mix some of them into one clip, or leave some out.",
            )
        if other := in_the_way(plan, plans, contacts, lights):
            clash(
                ("drive", "output"),
                f'what starts the prop of the scene "{plan.title}" can\'t be beside {other}.',
                "Give the prop a wire, or an adapter, of its own.",
            )
        for contact, role in plan.contacts:
            if any(overlap(contact, control) for control in contacts):
                uses, key = _USES[role]
                clash(
                    key,
                    f'the scene "{plan.title}" {uses} {contact}, which steers the whole show.',
                    "Give the scene another contact.",
                )
        for beside, contact, role in _at_its_limit(plan, plans):
            clash(
                ("prop", "limit_contact"),
                f'the scene "{plan.title}" sees its reset by {plan.limit_contact}, and the scene '
                f'"{beside.title}" {_USES[role][0]} {contact}.',
                "A limit switch tells of its own prop alone. Give each scene a contact of its own.",
            )
    return found


def _at_its_limit(plan: Plan, plans: Sequence[Plan]) -> list[tuple[Plan, str, str]]:
    """The contacts of other scenes that this plan's limit switch would close, each with its role."""
    limit = plan.limit_contact
    if limit is None:
        return []
    return [
        (other, contact, role)
        for other in plans
        if other is not plan
        for contact, role in other.contacts
        if overlap(contact, limit)
    ]


def started_together(plans: Sequence[Plan]) -> list[tuple[str, tuple[int, ...]]]:
    """Contacts that trigger more than one scene, each with the places of these plans.

    That is allowed, since one press may set off several props, and worth a word, since it may be a slip.
    """
    found: dict[tuple[int, ...], str] = {}
    for plan in plans:
        places = tuple(
            place
            for place, other in enumerate(plans)
            if overlap(plan.contact, other.contact)
            and normally_closed(plan.contact) == normally_closed(other.contact)
        )
        if len(places) > 1:
            found.setdefault(places, plan.contact)
    return [(contact, places) for places, contact in found.items()]
