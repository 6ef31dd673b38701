"""The prop profile: what has been measured of one prop, kept in a TOML file.

Sessions are only ever added; comments and anything else that the user wrote stay where they are.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from statistics import median
from typing import TYPE_CHECKING, Literal

from pydantic import Field, model_validator

from cuesync.counted import counted
from cuesync.errors import InputError
from cuesync.measuring.groups import Split, split_between
from cuesync.measuring.summary import Summary, summarise
from cuesync.measuring.trial import Conditions, Measurement, ThroughChain, Trial, Way
from cuesync.storage import refuse_missing_folder, whole_file
from cuesync.tomlfile import Table, TomlFile, check_toml, raw_toml, read_toml

if TYPE_CHECKING:
    import tomlkit.items

FORMAT = 1
SAME_TRIGGER_S = 0.1
"""Two ways of finding one trigger agree within this."""
AlignedTo = Literal["release", "impact"]


class TrialEntry(Table):
    """One trial as kept: times in the recording and from the trigger."""

    trigger_s: float
    delay_ms: float | None = Field(None, description="trigger to release")
    impact_ms: float | None = Field(None, description="trigger to the loudest impact")
    reset_s: float | None = Field(None, gt=0, description="trigger until the prop was still again")
    error_ms: float | None = Field(None, ge=0, description="standard error of delay_ms")
    misfire: Literal[True] | None = Field(None, description="true where no pop answered")

    @model_validator(mode="after")
    def pop_or_misfire(self) -> TrialEntry:
        if (self.delay_ms is None) == (self.misfire is None):
            raise ValueError(
                "a trial has either delay_ms or misfire = true. Remove this trial, or complete it."
            )
        return self


class Session(Table):
    """The trials of one recording, with the conditions that they were made under."""

    date: datetime
    way: Way = Field(description="how the trigger was marked")
    recording: str
    supply_v: float | None = Field(None, gt=0, le=1000)
    temperature_c: float | None = Field(None, ge=-60, le=70)
    note: str = ""
    path_ms: float | None = Field(
        None, ge=0, le=5000, description="way of the sound from laptop to guest, inside the delays of a chirp"
    )
    sound_device: str = Field("", description="sound device that the chirp was played through")
    trials: list[TrialEntry] = Field(min_length=1)

    @property
    def through_chain(self) -> bool:
        return self.way in ThroughChain

    @property
    def pops_ms(self) -> list[float]:
        """Delays from trigger to pop; to those after a chirp the sound's own path is added, if known."""
        path_ms = self.path_ms or 0.0
        return [trial.delay_ms + path_ms for trial in self.trials if trial.delay_ms is not None]


class ProfileContent(Table):
    """A whole profile file."""

    format: Literal[1] = Field(description="version of this layout")
    prop: str = Field(min_length=1, description="name of the prop")
    aligned_to: AlignedTo = Field("release", description="which of the two the sound should meet")
    session: list[Session] = Field(min_length=1)


ProfileFile = TomlFile[ProfileContent]


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionSplit:
    """Sessions of one kind whose pops fall into two groups that stand further apart than either scatters."""

    split: Split
    low: tuple[Session, ...]
    high: tuple[Session, ...]

    @property
    def text(self) -> str:
        """What was found, and what to do."""
        groups = (
            f"{each_ms:.0f} ms ({counted(sum(len(session.pops_ms) for session in sessions), 'pop')}: "
            f"{', '.join(session.recording for session in sessions)})"
            for each_ms, sessions in ((self.split.low_ms, self.low), (self.split.high_ms, self.high))
        )
        what = (
            "another prop, or very different conditions?"
            if self.split.another_prop
            else "a tired battery or cold does that, or another prop."
        )
        return (
            f"its sessions fall into two groups, {' and '.join(groups)}: {what} The delay is the median of "
            "them all; move the sessions that are not like tonight into a profile of their own"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class PropNumbers:
    """What a plan takes from a profile.

    `delays_s` are the delays of all trials in use, None for a misfire. `through_chain` says that they are
    what was heard of pop minus chirp, so shorter than contact to pop by the sound's own path: `path_s` where
    that is known, `sound_device` the card that it belongs to. `left_out` counts the trials of the other
    kind. `split`: the sessions in use don't agree.
    """

    prop: str
    aligned_to: AlignedTo
    through_chain: bool
    delays_s: tuple[float | None, ...]
    resets_s: tuple[float | None, ...]
    left_out: int
    path_s: float | None = None
    sound_device: str = ""
    split: SessionSplit | None = None

    @property
    def summary(self) -> Summary:
        return summarise(self.delays_s, self.resets_s)

    @property
    def pops_s(self) -> tuple[float, ...]:
        return tuple(delay_s for delay_s in self.delays_s if delay_s is not None)


def read_profile(path: Path) -> ProfileFile:
    """Read and check a profile.

    Raises:
        InputError: the file can't be read.
        FaultyFileError: everything that is wrong in it, with lines and keys.
    """
    return read_toml(path, ProfileContent, "prop profile", looks_like_profile)


def looks_like_profile(path: Path) -> bool:
    """Whether the file is meant as a profile, right or wrong; False where it can't be read as TOML."""
    raw = raw_toml(path)
    return "session" in raw and isinstance(raw.get("prop"), str)


def prop_numbers(content: ProfileContent) -> PropNumbers:
    """Delays and resets to plan with.

    Delays from the contact and offsets heard through the whole chain are different quantities, so only
    the kind of the newest session is used.
    """
    newest = max(content.session, key=lambda session: session.date.timestamp())
    used = [session for session in content.session if session.through_chain == newest.through_chain]
    trials = [trial for session in used for trial in session.trials]
    total = sum(len(session.trials) for session in content.session)

    def delay_s(trial: TrialEntry) -> float | None:
        value_ms = trial.delay_ms
        if content.aligned_to == "impact" and trial.impact_ms is not None:
            value_ms = trial.impact_ms
        return None if value_ms is None else value_ms / 1000.0

    return PropNumbers(
        prop=content.prop,
        aligned_to=content.aligned_to,
        through_chain=newest.through_chain,
        delays_s=tuple(delay_s(trial) for trial in trials),
        resets_s=tuple(trial.reset_s for trial in trials),
        left_out=total - len(trials),
        path_s=None if newest.path_ms is None else newest.path_ms / 1000.0,
        sound_device=newest.sound_device,
        split=_split(used),
    )


def _split(sessions: list[Session]) -> SessionSplit | None:
    """The widest split between sessions in the order of their delays."""
    popped = sorted(
        (session for session in sessions if session.pops_ms), key=lambda session: median(session.pops_ms)
    )
    splits = []
    for place in range(1, len(popped)):
        low, high = popped[:place], popped[place:]
        split = split_between(_pops_ms(low), _pops_ms(high))
        if split is not None:
            splits.append(SessionSplit(split=split, low=tuple(low), high=tuple(high)))
    return max(splits, key=lambda each: each.split.high_ms - each.split.low_ms, default=None)


def _pops_ms(sessions: Sequence[Session]) -> list[float]:
    return [pop_ms for session in sessions for pop_ms in session.pops_ms]


def _entry(trial: Trial) -> tomlkit.items.InlineTable:
    import tomlkit

    entry = tomlkit.inline_table()
    entry["trigger_s"] = round(trial.trigger_s, 6)
    if trial.delay_ms is None:
        entry["misfire"] = True
    else:
        entry["delay_ms"] = round(trial.delay_ms, 3)
    if trial.impact_s is not None:
        entry["impact_ms"] = round((trial.impact_s - trial.trigger_s) * 1000.0, 3)
    if trial.reset_s is not None:
        entry["reset_s"] = round(trial.reset_s, 3)
    if trial.error_s is not None:
        entry["error_ms"] = round(trial.error_s * 1000.0, 3)
    return entry


def _session(measurement: Measurement, conditions: Conditions, date: datetime) -> tomlkit.items.Table:
    import tomlkit

    table = tomlkit.table()
    table["date"] = date.replace(microsecond=0)
    table["way"] = measurement.way
    table["recording"] = _file_name(measurement)
    for key in ("supply_v", "temperature_c"):
        value = getattr(conditions, key)
        if value is not None:
            table[key] = float(value)
    if conditions.note:
        table["note"] = conditions.note
    if measurement.path_s is not None:
        table["path_ms"] = round(measurement.path_s * 1000.0, 3)
    if measurement.sound_device:
        table["sound_device"] = measurement.sound_device
    trials = tomlkit.array()
    trials.multiline(True)
    for trial in measurement.trials:
        trials.append(_entry(trial))
    table["trials"] = trials
    return table


def _file_name(measurement: Measurement) -> str:
    """The recording without its folder, so that a profile reads the same wherever it lies."""
    return Path(measurement.recording).name


def _already_there(content: ProfileContent, measurement: Measurement) -> bool:
    """Whether a session of the same recording has most of these triggers, however they were found."""

    def known(session: Session, trial: Trial) -> bool:
        return any(abs(entry.trigger_s - trial.trigger_s) < SAME_TRIGGER_S for entry in session.trials)

    return any(
        session.recording == _file_name(measurement)
        and sum(known(session, trial) for trial in measurement.trials) > len(measurement.trials) / 2
        for session in content.session
    )


def _going_on(content: ProfileContent, measurement: Measurement, date: datetime) -> bool:
    last = content.session[-1]
    return last.recording == _file_name(measurement) and last.date == date.replace(microsecond=0)


def _refuse_another_prop(path: Path, content: ProfileContent, measurement: Measurement) -> None:
    """InputError where these pops are too far from all of the profile's to be the same prop's.

    A session that is among those of the profile already has been asked about with its first pop.
    """
    path_ms = (measurement.path_s or 0.0) * 1000.0
    new_ms = [trial.delay_ms + path_ms for trial in measurement.trials if trial.delay_ms is not None]
    through_chain = measurement.way in ThroughChain
    alike = [each for each in content.session if each.through_chain == through_chain and each.pops_ms]
    groups_ms = [_pops_ms(alike), *(session.pops_ms for session in alike)]
    splits = [split_between(group_ms, new_ms) for group_ms in groups_ms]
    if not all(split is not None and split.another_prop for split in splits) or not alike:
        return
    old_ms = groups_ms[0]
    raise InputError(
        f"{path} says {median(old_ms):.0f} ms from trigger to pop ({counted(len(old_ms), 'pop')}), "
        f"these say {median(new_ms):.0f} ms ({counted(len(new_ms), 'pop')}): another prop, or very different "
        "conditions? Nothing was added. Save to another file; or add --same-prop if it is this prop all the "
        "same."
    )


def profile_to_extend(path: Path, prop: str | None, *, replace_profile: bool) -> ProfileFile | None:
    """The profile at `path` that trials of `prop` would be added to; None where a new one would be written.

    Raises:
        InputError: a new profile without a name, another prop's profile, or a scene.
        FaultyFileError: the profile that is there can't be understood.
        StorageError: there is no such folder.
    """
    if isinstance(raw_toml(path).get("prop"), dict):
        raise InputError(f"{path} is a scene, not a prop profile, and stays as it is. Save to another file.")
    refuse_missing_folder(path)
    if replace_profile or not path.exists():
        if prop is None:
            raise InputError(f"{path} will be a new profile: give the prop's name with --prop NAME.")
        return None
    old = read_profile(path)
    if prop is not None and prop != old.content.prop:
        raise InputError(
            f"{path} is the profile of {old.content.prop!r}, not of {prop!r}. "
            "Save to another file, or add --new-profile to drop what is in it."
        )
    return old


def save_session(
    path: Path,
    prop: str | None,
    measurement: Measurement,
    conditions: Conditions,
    date: datetime,
    *,
    replace_profile: bool = False,
    same_prop: bool = False,
) -> bool:
    """Write a new profile at `path`, or add a session to the one that is there; True if it was new.

    `prop` may be None where the profile exists. With `replace_profile` the old one is dropped. A session
    that has the same date and recording is one still going on (live measuring): its trials are renewed.
    `same_prop`: trials that look like another prop's are added all the same.

    Raises:
        InputError: no name for a new profile, another prop's profile or trials that look like another prop's,
            trials already in it, or no trials.
        FaultyFileError: the profile that is there can't be understood.
        StorageError: the file can't be written.
    """
    import tomlkit

    if not measurement.trials:
        raise InputError("there are no trials to save; nothing was written")
    old = profile_to_extend(path, prop, replace_profile=replace_profile)
    if old is None:
        document = tomlkit.document()
        document.add(tomlkit.comment("What cuesync has measured of one prop. Comments that you add stay."))
        document["format"] = FORMAT
        document["prop"] = prop
        document["session"] = tomlkit.aot()
    else:
        going_on = _going_on(old.content, measurement, date)
        if not going_on and _already_there(old.content, measurement):
            raise InputError(
                f"{path} already holds these trials of {_file_name(measurement)}; nothing was added. "
                "Counting them twice would make the delay look surer than it is."
            )
        if not same_prop and not (going_on and old.content.session[-1].pops_ms):
            _refuse_another_prop(path, old.content, measurement)
        document = tomlkit.parse(old.text)
    sessions = document["session"]
    assert isinstance(sessions, tomlkit.items.AoT)
    session = _session(measurement, conditions, date)
    if old is not None and _going_on(old.content, measurement, date):
        sessions[-1]["trials"] = session["trials"]
    else:
        sessions.append(session)
    text = tomlkit.dumps(document)
    check_toml(path, text, ProfileContent)  # never write what could not be read again
    with whole_file(path, replace=True) as temporary:
        temporary.write_text(text, encoding="utf-8")
    return old is None
