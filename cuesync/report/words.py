"""Times and names in words, the same in tables, pictures and pages."""

from __future__ import annotations

import unicodedata

from cuesync.plan.plan import Plan, PlannedSound
from cuesync.plan.windows import ACCEPTABLE
from cuesync.signs import audio_offset_s

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
    """From the trigger until the last sound or light is over at the guest."""
    ends_s = [sound.start_s + sound.path_s + sound.clip.length_s - sound.cut_s for sound in plan.sounds]
    ends_s += [light.lands_s + light.length_s for light in plan.lights]
    return max(ends_s, default=0.0)


def columns(text: str) -> int:
    """Columns that `text` takes in a terminal: East Asian wide letters take two, combining marks none."""
    return sum(
        0 if unicodedata.combining(letter) else 2 if unicodedata.east_asian_width(letter) in "WF" else 1
        for letter in text
    )


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
