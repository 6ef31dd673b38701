"""How loud a scene is for those who hear it once and for those who hear it all night."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, inf, isfinite, log10

from cuesync.care.dose import (
    MEAN_LIMIT_DB,
    MEAN_OVER_S,
    NIOSH,
    OSHA,
    PEAK_LIMIT_DB,
    Exposure,
    level_at_db,
    mean_level_db,
)
from cuesync.clip import Clip
from cuesync.hearing.loudness import a_weighted_level_db, true_peak_db
from cuesync.plan.plan import Plan

HALF_DOSE_PERCENT = 50.0
FULL_DOSE_PERCENT = 100.0

LIMITED_PEAK = 2.65
"""Highest peak that can leave an output. The mixer keeps every sample within full scale, 1, but between them
there can be more: 8.5 dB where signs fall as badly as they can for the taps of `true_peak_db`."""
MEET_WITHIN_S = 0.1
"""Sounds that are over for this long can still meet the next: they may have 34 m further to go."""

HOW_TO_MEASURE = (
    "how loud it is can't be told from files. Hold a sound level meter (A-weighted, LAeq or slow) where a "
    "guest's ear is while the clip plays, and write level_dba and level_distance_m under [care]"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Listener:
    """One person's share: doses of `scares` scares and of the background in between, at `distance_m`.

    `level_dba`: mean level of the loudest clip there. `mean_15min_db`: None except for guests.
    """

    who: str
    distance_m: float
    scares: float
    level_dba: float
    niosh_percent: float
    osha_percent: float
    peak_db: float
    mean_15min_db: float | None = None

    @property
    def too_much(self) -> bool:
        return (
            max(self.niosh_percent, self.osha_percent) > FULL_DOSE_PERCENT
            or self.peak_db > PEAK_LIMIT_DB
            or (self.mean_15min_db is not None and self.mean_15min_db > MEAN_LIMIT_DB)
        )

    @property
    def text(self) -> str:
        """What was found, in one or two sentences."""
        scares = "one scare" if self.scares == 1 else f"{self.scares:.0f} scares"
        mean = "" if self.mean_15min_db is None else f", {self.mean_15min_db:.0f} dB LAeq in 15 minutes"
        return (
            f"noise for the {self.who} ({scares} at {self.distance_m:g} m, {self.level_dba:.0f} dBA): "
            f"{dose_words(self.niosh_percent, self.osha_percent)}{mean}, peaks to {self.peak_db:.0f} dB."
            f"{self._advice}"
        )

    @property
    def _advice(self) -> str:
        said = ""
        ways = [
            f"{aim:.0f} % takes {_up(over_db, 1)} dB less, or {_up(self._further_m(over_db), 2)} m"
            for aim in (FULL_DOSE_PERCENT, HALF_DOSE_PERCENT)
            if (over_db := too_loud_db(self.niosh_percent, self.osha_percent, aim)) > 0
        ]
        if ways:
            said += f" A dose of {'; '.join(ways)}."
        if self.mean_15min_db is not None and self.mean_15min_db > MEAN_LIMIT_DB:
            said += _over(self.mean_15min_db - MEAN_LIMIT_DB, f"{MEAN_LIMIT_DB:.0f} dB LAeq,15min (WHO)")
        if self.peak_db > PEAK_LIMIT_DB:
            said += _over(self.peak_db - PEAK_LIMIT_DB, f"{PEAK_LIMIT_DB:.0f} dB peak (41 CFR 50-204.10)")
        return said

    def _further_m(self, less_db: float) -> float:
        """How far from the loudspeaker it is quieter by this, in the open."""
        return float(self.distance_m * 10.0 ** (less_db / 20.0))


def _over(over_db: float, limit: str) -> str:
    return f" That is {over_db:.1f} dB over the limit of {limit}."


def _up(value: float, digits: int) -> str:
    """Rounded up, so that the advice is enough."""
    return f"{ceil(value * 10**digits - 1e-6) / 10**digits:.{digits}f}"


def too_loud_db(niosh_percent: float, osha_percent: float, aim_percent: float) -> float:
    """By how much the level must fall until both doses are at the aim or below it."""
    return max(NIOSH.too_loud_db(niosh_percent, aim_percent), OSHA.too_loud_db(osha_percent, aim_percent))


def dose_words(niosh_percent: float, osha_percent: float) -> str:
    """Both doses with their time-weighted averages."""
    return ", ".join(
        f"{rule.name} dose {_percent(percent)} (TWA {rule.twa_dba(percent):.0f} dBA)"
        for rule, percent in ((NIOSH, niosh_percent), (OSHA, osha_percent))
    )


def _percent(value: float) -> str:
    """Three digits, and never a power of ten."""
    if value < 0.001:
        return "below 0.001 %"
    return f"{value:.0f} %" if value >= 100 else f"{value:.3g} %"


@dataclass(frozen=True, slots=True, kw_only=True)
class SceneNoise:
    """What is known of one scene's noise; `unknown` says what isn't, and what would tell it."""

    listeners: tuple[Listener, ...] = ()
    unknown: tuple[str, ...] = ()

    @property
    def cautions(self) -> tuple[str, ...]:
        return tuple(listener.text for listener in self.listeners if listener.too_much)

    @property
    def notes(self) -> tuple[str, ...]:
        return (*(each.text for each in self.listeners if not each.too_much), *self.unknown)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Heard:
    """A clip as it is played: A-weighted mean in dB of full scale, and true peak, full scale = 1.

    `from_s`: from the trigger until it is heard; minus infinity for what runs all the time.
    """

    level_db: float
    peak: float
    length_s: float
    from_s: float
    outputs: tuple[int, ...]


def _heard(
    clip: Clip, gain: float, outputs: tuple[int, ...], *, cut_s: float = 0.0, from_s: float = -inf
) -> _Heard | None:
    """None for one that is silent, or not played at all."""
    samples = clip.samples[round(cut_s * clip.rate_hz) :]
    if not len(samples) or gain <= 0:
        return None
    gain_db = 20.0 * log10(gain)
    level_db = a_weighted_level_db(samples, clip.rate_hz) + gain_db
    if not isfinite(level_db):
        return None
    return _Heard(
        level_db=level_db,
        peak=10.0 ** ((true_peak_db(samples, clip.rate_hz) + gain_db) / 20.0),
        length_s=len(samples) / clip.rate_hz,
        from_s=from_s,
        outputs=outputs,
    )


def _highest_peak(cue: Sequence[_Heard], loop: Sequence[_Heard], limit: float) -> float:
    """Where the peaks of all that sound at one time fall together; `limit` is what an output lets through."""
    at_once = [
        [each for each in cue if each.from_s <= latest.from_s <= each.from_s + each.length_s + MEET_WITHIN_S]
        for latest in cue
    ]
    return max(_added([*together, *loop], limit) for together in at_once or [[]])


def _added(together: Sequence[_Heard], limit: float) -> float:
    """Peaks added up, no output over its limit; one of several outputs has its share of a sound."""
    by_output: dict[int, list[_Heard]] = defaultdict(list)
    for each in together:
        for output in each.outputs:
            by_output[output].append(each)
    limited = sum(
        min(sum(each.peak for each in heard), limit) / min(len(each.outputs) for each in heard)
        for heard in by_output.values()
    )
    return min(sum(each.peak for each in together), limited)


def scene_noise(plan: Plan) -> SceneNoise:
    """Doses of everybody whose place and night are given under [care].

    The level that was measured is taken as the mean level of the clip with the highest one. Peaks of all that
    sound at one time are added, whatever its outputs, as if they fell together. That, and leaving aside the
    background's dips and the walls, errs to the careful side near the loudspeaker; the walls err to the other
    side further away than the meter was.
    """
    if not plan.sounds and not plan.backgrounds:
        return SceneNoise()
    care = plan.care
    if care.level_dba is None or care.level_distance_m is None:
        return SceneNoise(unknown=(HOW_TO_MEASURE,))
    cues = [
        _heard(
            sound.clip,
            sound.gain,
            sound.outputs,
            cut_s=sound.cut_s,
            from_s=sound.start_s + sound.path_s,
        )
        for sound in plan.sounds
    ]
    loops = [_heard(each.clip, each.gain, each.outputs) for each in plan.backgrounds]
    cue, loop = ([each for each in heard if each is not None] for heard in (cues, loops))
    loudest = max(cue or loop, key=lambda each: each.level_db, default=None)
    if loudest is None:
        return SceneNoise(unknown=("all its clips are silent",))
    loudest_db = loudest.level_db
    full_scale_dba = care.level_dba - loudest_db
    # a clip over full scale was turned down when it was measured, so full scale is louder than reckoned
    peak_db = 20.0 * log10(_highest_peak(cue, loop, LIMITED_PEAK * max(1.0, loudest.peak)))

    def listener(who: str, distance_m: float, scares: float, stay_s: float, near_scares: float) -> Listener:
        """`stay_s`: how long the background is heard; `near_scares`: scares in 15 minutes."""
        here_db = level_at_db(full_scale_dba, care.level_distance_m or 1.0, distance_m)

        def exposures(scares: float, stay_s: float) -> list[Exposure]:
            heard = [(here_db + each.level_db, scares * each.length_s / 3600.0) for each in cue]
            return heard + [(here_db + each.level_db, stay_s / 3600.0) for each in loop]

        whole = exposures(scares, stay_s)
        return Listener(
            who=who,
            distance_m=distance_m,
            scares=scares,
            level_dba=here_db + loudest_db,
            niosh_percent=NIOSH.dose_percent(whole),
            osha_percent=OSHA.dose_percent(whole),
            peak_db=here_db + peak_db,
            mean_15min_db=mean_level_db(exposures(near_scares, MEAN_OVER_S)) if who == "guest" else None,
        )

    listeners: list[Listener] = []
    unknown: list[str] = []
    in_15min = max(1.0, (care.scares_per_hour or 0.0) * MEAN_OVER_S / 3600.0)
    if care.guest_distance_m is None:
        unknown.append("for the guest's noise add guest_distance_m under [care]")
    else:
        listeners.append(listener("guest", care.guest_distance_m, 1.0, plan.cue_length_s, in_15min))
    for who, distance_m in (("operator", care.operator_distance_m), ("actor", care.actor_distance_m)):
        if distance_m is not None and care.scares_per_hour is not None and care.hours is not None:
            scares = care.scares_per_hour * care.hours
            listeners.append(listener(who, distance_m, scares, care.hours * 3600.0, in_15min))
        elif who == "operator" or distance_m is not None:
            keys = {
                f"{who}_distance_m": distance_m,
                "scares_per_hour": care.scares_per_hour,
                "hours": care.hours,
            }
            missing = ", ".join(key for key, value in keys.items() if value is None)
            unknown.append(f"for the {who}'s noise add {missing} under [care]")
    if any(each.distance_m > care.level_distance_m for each in listeners):
        unknown.append(
            "levels further away than the meter was are reckoned as in the open, 6 dB less at twice the "
            "distance; in a room they fall less, so measure where people stand"
        )
    return SceneNoise(listeners=tuple(listeners), unknown=tuple(unknown))


@dataclass(frozen=True, slots=True, kw_only=True)
class NightDose:
    """Doses of one person who hears several scenes, added up."""

    who: str
    scenes: int
    niosh_percent: float
    osha_percent: float

    @property
    def too_much(self) -> bool:
        return max(self.niosh_percent, self.osha_percent) > FULL_DOSE_PERCENT

    @property
    def text(self) -> str:
        over_db = too_loud_db(self.niosh_percent, self.osha_percent, FULL_DOSE_PERCENT)
        advice = f" {_up(over_db, 1)} dB less in all of them brings it to 100 %." if over_db > 0 else ""
        return (
            f"noise for one {self.who} of all {self.scenes} scenes together: "
            f"{dose_words(self.niosh_percent, self.osha_percent)}.{advice}"
        )


def night_doses(scenes: Sequence[SceneNoise]) -> tuple[NightDose, ...]:
    """For a guest and an operator who hear more than one of these scenes."""
    doses = []
    for who in ("guest", "operator"):
        shares = [each for scene in scenes for each in scene.listeners if each.who == who]
        if len(shares) > 1:
            doses.append(
                NightDose(
                    who=who,
                    scenes=len(shares),
                    niosh_percent=sum(each.niosh_percent for each in shares),
                    osha_percent=sum(each.osha_percent for each in shares),
                )
            )
    return tuple(doses)
