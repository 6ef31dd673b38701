"""Times and names in words, the same in tables, pictures and pages."""

from __future__ import annotations

from cuesync.devices.ports import WHITE, Colour, LightCommand
from cuesync.plan.plan import LightShape, Plan, PlannedLight, PlannedMessages, PlannedSound
from cuesync.plan.windows import ACCEPTABLE
from cuesync.signs import audio_offset_s
from cuesync.wrapping import columns

ELLIPSIS = "…"


def ms_text(time_s: float, *, sign: bool = False) -> str:
    """A time in milliseconds with one digit after the point, "642.3"; with `sign` also "+12.0"."""
    # adding zero turns -0.0 into 0.0
    value_ms = round(time_s * 1000.0, 1) + 0.0
    text = f"{value_ms:+.1f}" if sign and value_ms else f"{value_ms:.1f}"
    return text.replace("-", "−")


def length_text(time_s: float) -> str:
    """A time for a reader: milliseconds below ten seconds, then seconds."""
    return f"{ms_text(time_s)} ms" if abs(time_s) < 10 else f"{time_s:.2f} s".replace("-", "−")


def from_pop_text(time_s: float, pop_s: float) -> str:
    """Where a time lies against the pop: "with the pop", "12.0 ms after the pop"."""
    away_s = time_s - pop_s
    if abs(away_s) < 0.00005:
        return "with the pop"
    return f"{length_text(abs(away_s))} {'after' if away_s > 0 else 'before'} the pop"


def is_for_the_pop(sound: PlannedSound, pop_s: float) -> bool:
    """Whether a sound's hit is meant for the pop, and not a build-up before it or a sting after it."""
    return ACCEPTABLE.holds(audio_offset_s(sound.lands_s, pop_s))


def guest_end_s(plan: Plan) -> float:
    """From the trigger until the last sound, light or message is over at the guest."""
    ends_s = [sound.start_s + sound.path_s + sound.clip.length_s - sound.cut_s for sound in plan.sounds]
    ends_s += [light.lands_s + light.length_s for light in plan.lights]
    ends_s += [message.lands_s + message.length_s for message in plan.messages]
    return max(ends_s, default=0.0)


LIGHT_BEGINS: dict[LightShape, str] = {
    "flash": "on",
    "strobe": "strobe begins",
    "blackout": "goes dark",
    "fade": "fade begins",
    "flicker": "flicker begins",
    "eyes": "on",
}
LIGHT_ENDS: dict[LightShape, str] = {
    "flash": "off",
    "strobe": "strobe ends",
    "blackout": "blackout ends",
    "fade": "fade ends",
    "flicker": "flicker ends",
    "eyes": "off",
}


def level_text(level: float) -> str:
    """A light's level for a reader: "50 %"."""
    return f"{level * 100.0:.0f} %"


def colour_text(colour: Colour) -> str:
    """Red, green and blue as scenes have them: "#ff8000"."""
    return "#" + "".join(f"{round(part * 255):02x}" for part in colour)


def command_text(command: LightCommand) -> str:
    """What a lamp is told: "on", "off", "50 %", "on, #ff0000"."""
    if not command.on:
        return "off"
    text = "on" if command.level == 1.0 else level_text(command.level)
    return text if command.colour == WHITE else f"{text}, {colour_text(command.colour)}"


def light_detail(light: PlannedLight) -> str:
    """What distinguishes this shape: "4 flashes", "at 50 %, #ff0000"; empty for a plain full white light."""
    detail = _levels_detail(light)
    if light.colour == WHITE or light.shape == "blackout":
        return detail
    return ", ".join(part for part in (detail, colour_text(light.colour)) if part)


def _levels_detail(light: PlannedLight) -> str:
    levels = [step.level for step in light.steps]
    lowest, highest = level_text(min(levels)), level_text(max(levels))
    match light.shape:
        case "blackout":
            return ""
        case "strobe":
            count = sum(level > 0.0 for level in levels)
            at = "" if max(levels) == 1.0 else f" at {highest}"
            return f"{count} flash{'' if count == 1 else 'es'}{at}"
        case "fade":
            return f"from {level_text(levels[0])} to {level_text(levels[-1])}"
        case "flicker":
            return f"between {lowest} and {highest}"
        case _:
            return "" if max(levels) == 1.0 else f"at {highest}"


def light_sentence(light: PlannedLight, pop_s: float) -> str:
    """One shape of light in words, for those who don't see the picture."""
    when, length = from_pop_text(light.lands_s, pop_s), length_text(light.length_s)
    detail = light_detail(light)
    match light.shape:
        case "blackout":
            return f"Light {light.light} goes dark {when} for {length}."
        case "strobe":
            return f"Light {light.light} gives {detail} within {length}, the first {when}."
        case "fade":
            return f"Light {light.light} fades {detail} over {length}, beginning {when}."
        case "flicker":
            return f"Light {light.light} flickers {detail} for {length}, beginning {when}."
        case _:
            return f"Light {light.light} comes on {when} for {length}{f', {detail}' if detail else ''}."


def message_sentence(message: PlannedMessages, pop_s: float) -> str:
    """What goes to other gear, in words."""
    when = from_pop_text(message.lands_s, pop_s)
    if not message.length_s:
        return f"Other gear is sent {message.name}, for {when.removeprefix('with ')}."
    return f"Other gear is sent {message.name} for {length_text(message.length_s)}, beginning {when}."


def shorten(text: str, width: int) -> str:
    """`text` on one line within `width` columns; the middle goes, since names differ at both ends."""
    text = " ".join(text.split())
    if columns(text) <= width:
        return text
    head, tail = "", ""
    letters = list(text)
    while letters:
        from_tail = columns(tail) < columns(head)
        letter = letters.pop() if from_tail else letters.pop(0)
        if columns(head) + columns(tail) + columns(letter) + 1 > width:
            break
        head, tail = (head, letter + tail) if from_tail else (head + letter, tail)
    return head + ELLIPSIS + tail
