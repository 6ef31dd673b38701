"""The one place for the meaning and sign of every time in cuesync.

* The trigger (the contact's first edge) is time zero; times count up from it.
* `delay` is trigger to pop. `bias` moves the sound against the pop: **positive is late**, which is the
  harmless side (people forgive late sound far more than early sound).
* Where cuesync itself starts the prop, a profile's `delay` counts from the moment the prop gets its power.
  A plan's `delay` is trigger to pop all the same: `hold-back + output delay + delay`, the hold-back being the
  time from the trigger to the command. All else that happens moves with the pop, and never the trigger.
* `at` of a scene's flash or sound is counted from the pop: negative is before it.
* An `audio offset` is the broadcasters' measure and has the opposite sign of a bias:
  **positive means the sound comes before the picture** (ITU-R BT.1359-1).
* `path` is how late a command arrives at the guest; commands are sent that much earlier.
* `hit` is counted from the first sample of the clip as it lies in the file.

A name that holds a time ends in its unit: `_s`, `_ms` or `_frames`; levels end in `_db`, `_dba`, `_lufs`.
"""

from __future__ import annotations


def audio_offset_s(sound_s: float, pop_s: float) -> float:
    """Offset in the sign of ITU-R BT.1359-1 from two times on one clock; positive = sound first."""
    return pop_s - sound_s


def sound_start_s(delay_s: float, at_s: float, bias_s: float, hit_s: float, path_s: float) -> float:
    """When to start a clip, in seconds from the trigger, so that its hit reaches the guest with the pop.

    Negative when the clip's lead-in is longer than the delay: then its head must be cut.
    """
    return delay_s + at_s + bias_s - hit_s - path_s


def light_send_s(delay_s: float, at_s: float, path_s: float) -> float:
    """When to send a light command, in seconds from the trigger, so that the light is there at `at_s`."""
    return delay_s + at_s - path_s
