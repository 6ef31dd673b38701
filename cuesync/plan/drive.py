"""A prop that cuesync itself starts: the cue waits for nothing, the prop waits for the cue."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from cuesync.devices.contact_addresses import ContactAddress, parse_contact
from cuesync.devices.light_addresses import LightAddress, parse_light
from cuesync.devices.output_addresses import OutputAddress, collide, parse_output
from cuesync.devices.time_code import running, shortest_s
from cuesync.plan.plan import EARLIEST_START_S, SLACK_S, Plan, PlannedMessages


def moved_by(plan: Plan, later_s: float) -> Plan:
    """The same cue, this much later after the trigger; cuesync must be what starts the prop."""
    if plan.drive is None or later_s == 0.0:
        return plan
    return replace(
        plan,
        drive=replace(plan.drive, start_s=plan.drive.start_s + later_s),
        delay_s=plan.delay_s + later_s,
        pops_s=tuple(pop_s + later_s for pop_s in plan.pops_s),
        reset_s=plan.reset_s + later_s,
        sounds=tuple(
            replace(sound, start_s=sound.start_s + later_s, lands_s=sound.lands_s + later_s)
            for sound in plan.sounds
        ),
        lights=tuple(
            replace(light, at_s=light.at_s + later_s, lands_s=light.lands_s + later_s)
            for light in plan.lights
        ),
        messages=tuple(_moved(message, plan.delay_s, later_s) for message in plan.messages),
        backgrounds=tuple(
            replace(
                background,
                dip_from_s=background.dip_from_s + later_s,
                dip_to_s=background.dip_to_s + later_s,
            )
            for background in plan.backgrounds
        ),
    )


def _moved(message: PlannedMessages, pop_s: float, later_s: float) -> PlannedMessages:
    """A command moves as a whole; time code still begins with the trigger, and its end moves."""
    if message.code is None:
        return replace(message, at_s=message.at_s + later_s, lands_s=message.lands_s + later_s)
    pop_frame, rate = message.code
    return replace(
        message,
        messages=running(
            pop_frame,
            rate,
            pop_s=pop_s - message.path_s + later_s,
            from_s=message.at_s,
            until_s=message.at_s + message.length_s + later_s + SLACK_S,
        ),
    )


def as_early_as_can_be(plan: Plan) -> Plan:
    """Where cuesync starts the prop, the cue as near to the trigger as its first part can be in time.

    A cue that may follow the prop's drift keeps room to do so.
    """
    if plan.drive is None:
        return plan
    firsts_s = [sound.start_s for sound in plan.sounds]
    firsts_s += [light.at_s for light in plan.lights]
    firsts_s += [
        # time code can lose its beginning, but a whole time has to be left
        message.at_s if message.code is None else message.length_s - shortest_s(message.code[1])
        for message in plan.messages
    ]
    spare_s = min([plan.drive.start_s, *(first_s - plan.correct_within_s for first_s in firsts_s)])
    return moved_by(plan, -max(0.0, spare_s - EARLIEST_START_S))


def in_the_way(
    plan: Plan, plans: Sequence[Plan], contacts: Sequence[str] = (), lights: Sequence[str] = ()
) -> str | None:
    """What among these shares a wire with the output that starts this plan's prop, in words; None if nothing.

    `contacts` and `lights` are those that belong to no scene.
    """
    if plan.drive is None:
        return None
    output = parse_output(plan.drive.output)
    others: list[tuple[str, OutputAddress | ContactAddress | LightAddress]] = []
    for one in plans:
        others += [(f"{contact}, the {role}", parse_contact(contact)) for contact, role in one.contacts]
        others += [(f"the light {light.light}", parse_light(light.light)) for light in one.lights]
        if one.drive is not None and one is not plan:
            others.append((f"{one.drive.output}, which starts another prop", parse_output(one.drive.output)))
    others += [(f"the contact {contact}", parse_contact(contact)) for contact in contacts]
    others += [(f"the light {light}", parse_light(light)) for light in lights]
    return next((words for words, other in others if collide(output, other)), None)
