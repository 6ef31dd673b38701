"""The pop after each trigger: found on plain energy, timed on a whitened view, checked against its siblings.

Bangs are proposed trial by trial (`bangs`), all are moved to the stroke that the trials share (`strokes`),
one is chosen in each and held against its siblings' (`siblings`), and its release is timed. Where the delay,
the shape of the bang and the ticks before it agree, trials vouch for each other; where they don't, the
finding says so.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from cuesync.hearing import picker
from cuesync.hearing.bangs import (
    FINE_S,
    IMPACT_S,
    Agreement,
    Event,
    Look,
    agree,
    in_other_view,
    look,
    loudest_places,
    stands_out_db,
    time_event,
    whiten_alike,
)
from cuesync.hearing.scan import Coarse
from cuesync.hearing.siblings import (
    LEAD_S,
    SCATTER,
    align,
    common_lead,
    lay_together,
    most_alike,
    shared_leads,
    shared_start,
    snippet,
    typical,
)
from cuesync.hearing.strokes import to_common_stroke
from cuesync.hearing.triggers import Window

TOGETHER = 64
"""So many trials are compared with each other at once; it bounds the memory."""

LEAST_RISE_DB = 9.0
"""A bang that stands out less from the sound before it is none."""

SAME_BANG_S = 0.03
"""Starts that are this close are of one bang: bangs are looked for this far apart."""

UNVOUCHED = 1.0
"""How much clearer an event further ahead than that must speak for being the release, without siblings."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PopFinding:
    """One pop; frames count from the start of the recording.

    `release_frame` is the first sound of the transient that leads into the loudest impact, `impact_frame`
    that impact. `level_db` is the impact's energy in 10 ms relative to full scale, `rise_db` how far the
    whitened sound rises. `likeness` (0 … 1) compares the bang with its siblings', None for a lonely one.
    """

    release_frame: float
    impact_frame: float
    error_frames: float
    level_db: float
    rise_db: float
    confidence: float
    rival_frame: float | None
    likeness: float | None
    reason: str
    clipped: bool


def find_pops(
    coarse: Coarse,
    channel: int,
    window: Window,
    triggers: Sequence[float],
    stops: Sequence[float],
    deaf_s: float,
) -> list[PopFinding | None]:
    """The pop of each trial (trigger to stop, in frames), None for a misfire.

    Nothing is looked for within `deaf_s` after a trigger, where the mark itself is still heard.
    """
    rate = coarse.rate_hz
    firsts = [trigger + deaf_s * rate for trigger in triggers]
    places = [
        loudest_places(coarse, channel, first, stop - 0.02 * rate)
        for first, stop in zip(firsts, stops, strict=True)
    ]
    size = coarse.block_frames
    candidates = [
        [((block + 0.5) * size - trigger, energy) for block, energy in ones]
        for ones, trigger in zip(places, triggers, strict=True)
    ]
    agreement = agree(candidates, [stop - first for first, stop in zip(firsts, stops, strict=True)], rate)
    if agreement is None or not agreement.sure:
        return [None] * len(triggers)
    found: list[PopFinding | None] = []
    for begin in range(0, len(triggers), TOGETHER):
        part = slice(begin, begin + TOGETHER)
        looks = [
            _contenders(coarse, ones, delays, window, first, agreement, len(triggers))
            for ones, delays, first in zip(places[part], candidates[part], firsts[part], strict=True)
        ]
        found += _compare(looks, triggers[part], agreement, len(triggers), rate)
    return found


def _contenders(
    coarse: Coarse,
    places: list[tuple[int, float]],
    candidates: list[tuple[float, float]],
    window: Window,
    first_frame: float,
    agreement: Agreement,
    trials: int,
) -> list[Look]:
    """The bangs of one trial that could be its pop: loud, and not far from where the others pop."""
    worths_db = []
    for delay, energy in candidates:
        worth_db = float(10.0 * np.log10(max(energy, 1e-30)))
        if trials >= 3:
            worth_db -= min(12.0, 3.0 * ((delay - agreement.middle) / agreement.reach) ** 2)
        worths_db.append(worth_db)
    looks: list[Look] = []
    for index in sorted(range(len(places)), key=lambda index: -worths_db[index]):
        if looks and worths_db[index] < looks[0].worth_db - 6.0:
            break
        one = look(coarse, places[index][0], window, first_frame)
        if one is not None:
            one.worth_db = worths_db[index]
            looks.append(one)
    return looks


def _compare(
    looks: list[list[Look]],
    triggers: Sequence[float],
    agreement: Agreement,
    trials: int,
    rate_hz: int,
) -> list[PopFinding | None]:
    """Hold the bangs of all trials against each other, choose one in each, and time every release."""
    if not any(looks):
        return [None] * len(looks)
    looks = to_common_stroke(looks, triggers, rate_hz)
    whiten_alike(looks, rate_hz)
    chosen = [max(ones, key=_promise, default=None) for ones in looks]
    model = typical([one for one in chosen if one is not None], rate_hz)
    if model is not None:
        for one in (one for ones in looks for one in ones):
            align(one, model, rate_hz)
        chosen = [max(ones, key=_promise, default=None) for ones in looks]
    stand_db = [0.0 if one is None else stands_out_db(one, rate_hz) for one in chosen]
    clear = [the.level_db for the, db in zip(chosen, stand_db, strict=True) if the and db >= LEAST_RISE_DB]
    if not clear:
        return [None] * len(looks)
    level_db = float(picker.median(clear))
    popped: list[Look | None] = []
    for best, db, trigger in zip(chosen, stand_db, triggers, strict=True):
        if best is None:
            popped.append(None)
            continue
        least_db, weakest_db = LEAST_RISE_DB, level_db - 14.0
        if trials >= 3:
            away = abs(best.begin + best.loudest - trigger - agreement.middle) / agreement.reach
            like = best.likeness or 0.0
            if away <= 1.0 and best.level_db > level_db - 6.0 and (like >= 0.3 or db > 7.0):
                # where and as loud as the others pop, so less contrast will do
                least_db = 5.0
            elif away > 2.0:
                # far from where they pop, so it must be as loud and sound the same
                weakest_db = level_db - 6.0
                least_db = LEAST_RISE_DB if like >= 0.25 else np.inf
        popped.append(best if db >= least_db and best.level_db >= weakest_db else None)
    members = [one for one in popped if one is not None]
    lay_together(members, rate_hz)
    family = _Family.of(members, rate_hz)
    return [
        None if one is None else family.settle(one, _rival(one, ones))
        for one, ones in zip(popped, looks, strict=True)
    ]


def _promise(one: Look) -> float:
    """How much a bang promises to be its trial's pop, in dB: loud, clear, and like its siblings."""
    return one.worth_db + 0.3 * min(one.rise_db, 30.0) + 15.0 * (one.likeness or 0.0)


def _rival(one: Look, others: list[Look]) -> Look | None:
    """Another bang of the trial that promises nearly as much."""
    rest = [other for other in others if other is not one and _promise(other) > _promise(one) - 4.0]
    return max(rest, key=_promise, default=None)


def _lead_scores(one: Look, rate_hz: int) -> list[tuple[Event, float]]:
    """Events up to `LEAD_S` before the impact, each with how much it speaks for being part of the pop.

    For it: louder than the clicks before, or the sound between it and the impact never falls back.
    Against it: no louder than they, shaped like them, on their beat. Positive: part of the pop.
    """
    size = max(1, round(FINE_S * rate_hz))
    lead = round(LEAD_S / FINE_S)
    impact = next((event for event in one.events if event.at == one.impact), None)
    top_db = impact.level_db if impact is not None else 0.0
    near = [e for e in one.events if one.impact - lead <= e.at < one.impact and e.level_db > top_db - 26.0]
    clicks = [e for e in one.events if e.at < one.impact - lead]
    usual_db = float(picker.quantile([e.level_db for e in clicks], 0.9)) if len(clicks) >= 2 else 0.0
    before, after, slack = round(0.0005 * rate_hz), round(0.0035 * rate_hz), round(0.00075 * rate_hz)
    scored = []
    for event in near:
        score = 1.5
        if len(clicks) >= 2:
            score = min(max((event.level_db - usual_db) / 3.0, -1.5), 3.5)
        peers = [e for e in clicks if e.level_db > event.level_db - 8.0]
        if score <= -0.5:
            continue
        if peers:
            wide = snippet(one, event.at * size, before + slack, after + slack)
            alike = most_alike(wide, [snippet(one, e.at * size, before, after) for e in peers[-8:]])
            score -= min(max((alike - 0.4) * 8.0, -0.5), 3.0)
        gaps = np.diff([e.at for e in peers])
        if len(gaps) >= 2:
            beat = float(picker.median(gaps))
            if float(picker.median(np.abs(gaps - beat))) < 0.12 * beat:
                phase = (event.at - peers[-1].at) / beat
                score += 1.0 if abs(phase - round(phase)) > 0.25 else -0.5
        ahead = float(np.mean(one.steps[max(0, event.at - 12) : event.at])) if event.at else 0.0
        smooth = picker.moving_mean(one.steps[event.at : one.impact], 12)
        rest_db = 10.0 * np.log10(float(smooth.min()) / max(ahead, one.floor))
        score += min(max(rest_db / 3.0, -0.5), 1.5)
        if one.impact - event.at < 0.012 / FINE_S:
            score += 1.0
        scored.append((event, score))
    return scored


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Family:
    """What the trials of one recording share about the time between release and impact.

    `scores` and `vouched` weigh each look's events; `lead` is the time from release to impact in fine steps
    that all laid on top of each other show (0: the impact itself is the first sound, None: too few to say),
    `common` the one that most of them find each by itself; `offset` and `spread` are, in frames, where
    releases lie relative to the moment that was aligned: fitted to all trials `together`, or the median of
    what each finds.
    """

    rate_hz: int
    scores: dict[int, list[tuple[Event, float]]]
    vouched: dict[int, dict[int, float]]
    lead: float | None
    offset: float | None
    spread: float
    common: float | None = None
    together: bool = False

    @classmethod
    def of(cls, members: list[Look], rate_hz: int) -> _Family:
        scores = {id(one): _lead_scores(one, rate_hz) for one in members}
        vouched = shared_leads(members, scores) if len(members) >= 3 else {}
        aligned = [one for one in members if one.aligned is not None]
        lead = common_lead(aligned, rate_hz) if len(aligned) >= 3 else None
        first = cls(rate_hz=rate_hz, scores=scores, vouched=vouched, lead=lead, offset=None, spread=0.0)
        first = replace(first, common=first._majority(aligned))
        alike = [one for one in aligned if one.by_shape]
        offsets = [first.release(one)[0] - one.aligned for one in alike if one.aligned is not None]
        if len(offsets) < 3:
            return first
        start = shared_start(alike, np.array(offsets), rate_hz)
        if start is not None:
            return replace(first, offset=start, spread=0.5, together=True)
        offset = float(picker.median(offsets))
        spread = 1.4826 * float(picker.median(np.abs(np.array(offsets) - offset)))
        return replace(first, offset=offset, spread=max(spread, 0.5))

    @property
    def size(self) -> int:
        return max(1, round(FINE_S * self.rate_hz))

    def _majority(self, aligned: list[Look]) -> float | None:
        """The lead that more than half of the trials find by themselves."""
        leads = np.array(
            [one.aligned / self.size - self._own_target(one) for one in aligned if one.aligned is not None]
        )
        if len(leads) < 4:
            return None
        near = np.abs(leads[:, np.newaxis] - leads) <= 0.002 / FINE_S
        best = int(np.argmax(near.sum(axis=1)))
        return float(picker.median(leads[near[best]])) if 2 * int(near[best].sum()) > len(leads) else None

    def _vouched(self, one: Look, event: Event) -> float:
        return self.vouched.get(id(one), {}).get(one.impact - event.at, 0.0)

    def target(self, one: Look) -> int:
        """Fine step of the release: where most trials have it, else where this trial has it."""
        if self.common is None or one.aligned is None:
            return self._own_target(one)
        return self._nearest(one, one.aligned / self.size, self.common)

    def _nearest(self, one: Look, impact: float, lead: float) -> int:
        """The event at a lead before a place, or the place there itself where the event is masked."""
        place = impact - lead
        slack = 2.0 + 2.0 * SCATTER * lead  # half a millisecond at least
        near = [event for event in one.events if abs(event.at - place) <= slack]
        best = max(near, key=lambda event: event.level_db - 6.0 * abs(event.at - place) / slack, default=None)
        return round(place) if best is None else best.at

    def _own_target(self, one: Look) -> int:
        """Fine step of the release for all that the shared lead and this trial say."""
        if self.lead and one.aligned is not None:
            return self._nearest(one, one.aligned / self.size, self.lead)
        weighed = []
        for event, score in self.scores[id(one)]:
            # a ratchet may keep step with the release; siblings can't vouch for what is like its clicks
            vouched = self._vouched(one, event)
            weighed.append((event, score + (vouched if score >= 0.0 else min(vouched, 0.0))))
        if self.lead is None:
            # a ratchet's click is as likely there, and there is nobody to tell
            near = SAME_BANG_S / FINE_S
            weighed = [
                (event, score if one.impact - event.at < near else score - UNVOUCHED)
                for event, score in weighed
            ]
        else:
            # what no sibling has about there must speak very clearly for itself
            weighed = [
                (event, score if self._vouched(one, event) >= 0.5 else score - 2.0)
                for event, score in weighed
            ]
        least = max([1.0, *(score - 4.0 for _, score in weighed)])
        return next((event.at for event, score in weighed if score >= least), one.impact)

    def release(self, one: Look) -> tuple[float, float]:
        """Frame (in the look) of the release, and its standard error in frames."""
        at = self.target(one)
        return time_event(one, at, self.size) or (float(at * self.size), 0.002 * self.rate_hz)

    def _earlier_in_other_view(self, one: Look, frame: float) -> tuple[float, float] | None:
        """Where the bang starts in the other view and its standard error, if that is before `frame`.

        Nothing appears in any view before it is there, but a start may be masked in one of them: so the
        earlier is believed. That is for trials with too few siblings, which would know better.
        """
        other = in_other_view(one, self.rate_hz) if self.lead is None else None
        if other is None:
            return None
        start, error = _Family.of([other], self.rate_hz).release(other)
        return (start, error) if 0.0 < frame - start < SAME_BANG_S * self.rate_hz else None

    def settle(self, one: Look, rival: Look | None) -> PopFinding:
        """The finding for one trial."""
        frame, error = self.release(one)
        impact = time_event(one, one.impact, self.size)
        ms = 1000.0 / self.rate_hz
        reason = f"loudest bang of the cycle, {one.rise_db:.0f} dB above the sound before it"
        confidence = float(np.clip((one.rise_db - LEAST_RISE_DB + 4.0) / 16.0, 0.1, 1.0))
        if self.offset is not None and one.aligned is not None and one.by_shape:
            usual = one.aligned + self.offset
            doubt = float(np.hypot(self.spread, 0.00002 * self.rate_hz / max(one.likeness or 0.0, 0.1)))
            if abs(frame - usual) > max(4.0 * doubt, 0.0003 * self.rate_hz) and (
                self.together or error > 0.3 * doubt
            ):
                reason += (
                    f"; its start is masked and taken from its siblings ({(usual - frame) * ms:+.1f} ms)"
                )
                frame, error = usual, doubt
                confidence *= 0.8
        earlier = self._earlier_in_other_view(one, frame)
        if earlier is not None:
            part = "its low part" if one.every == 1 else "the full sound"
            reason += f"; heard {(frame - earlier[0]) * ms:.1f} ms earlier in {part}"
            frame, error = earlier
        impact_frame = frame if impact is None else max(frame, impact[0])
        if impact_frame - frame > 0.002 * self.rate_hz:
            reason += f"; let go {(impact_frame - frame) * ms:.1f} ms before it"
        rival_frame = None
        if rival is not None:
            rival_frame = float(rival.begin + rival.impact * self.size)
            away_s = (rival_frame - one.begin - frame) / self.rate_hz
            reason += f"; a bang {away_s:+.3f} s from it is nearly as good"
            confidence *= 0.5
        crest = np.abs(one.sound[one.loudest : one.loudest + round(IMPACT_S * self.rate_hz)])
        return PopFinding(
            release_frame=float(one.begin + frame),
            impact_frame=float(one.begin + impact_frame),
            error_frames=error,
            level_db=one.level_db,
            rise_db=one.rise_db,
            confidence=confidence,
            rival_frame=rival_frame,
            likeness=one.likeness,
            reason=reason,
            clipped=int(np.sum(crest >= crest.max() * (1.0 - 1e-6))) >= 4,
        )
