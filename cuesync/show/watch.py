"""Looks after the devices while the show runs: notices what is gone, opens it again, counts lost sound.

Drivers say little when something is unplugged, so this looks for itself. Opening may take long; in a live
run each device has a watch with a thread of its own (see `threads`). Whatever a driver raises as it is opened
or closed, a watch looks at all its devices: one of them may hold the stop contact.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

from cuesync.devices.contact_addresses import in_words, normally_closed
from cuesync.devices.lights_together import LightsPart
from cuesync.devices.ports import (
    Clock,
    ContactEdge,
    ContactSource,
    Counts,
    EdgeSink,
    PropOutput,
    RepeatingOutput,
    Trouble,
)
from cuesync.show.engine import Show
from cuesync.show.events import Discarded, Fault, Recovered, ShowEvent
from cuesync.show.sound import SoundCounts, SoundDesk
from cuesync.show.starter import Starter

_LOOK_EVERY_S = 0.25
_COUNT_EVERY_S = 5.0
_DISCARDED_EVERY_S = 300.0
_TRY_SOUND_EVERY_S = 0.7
_TRY_STARTER_EVERY_S = 2.0
_HANGS_AFTER_S = 1.0
# What a fault is about; a lasting one and its recovery name the same.
_SOUND_CARD = "sound card"
_LIGHTS = "lights: {name}"
_CONTACTS = "contacts: {name}"


@dataclass(slots=True, kw_only=True)
class _Call:
    """What was under way in an output when it was looked at; `told`: that it does not come back."""

    number: int
    since_s: float
    told: bool = False


@dataclass(slots=True, kw_only=True, eq=False)
class WatchedStarter:
    """What starts the prop of a scene, and how to open its output anew."""

    starter: Starter
    open: Callable[[], PropOutput]
    gone: bool = False
    try_s: float = -math.inf


@dataclass(slots=True, kw_only=True, eq=False)
class WatchedSource:
    """A contact source with the contacts it was opened for."""

    source: ContactSource
    contacts: tuple[str, ...]
    name: str
    gone: bool = False
    told: Counts = field(default_factory=dict)
    told_s: float = -math.inf


class Watch:
    """A worker. Each device is told of once when it goes and once when it is back."""

    def __init__(
        self,
        show: Show,
        clock: Clock,
        report: Callable[[ShowEvent], None],
        *,
        sound: SoundDesk | None,
        sources: Sequence[WatchedSource],
        sink: EdgeSink,
        lights: Sequence[LightsPart],
        stops: Sequence[str] = (),
        starters: Sequence[WatchedStarter] = (),
    ) -> None:
        """`stops`: contacts that stop the whole show; one that is normally closed does so when it is lost."""
        self._show = show
        self._clock = clock
        self._report = report
        self._sound = sound
        self._sound_gone = False
        self._try_sound_s = -math.inf
        self._sources = tuple(sources)
        self._sink = sink
        self._lights = tuple(lights)
        self._troubles: dict[str, Trouble] = {}
        self._calls: dict[str, _Call] = {}
        self._stops = tuple(stops)
        self._starters = tuple(starters)
        self._looked_s = clock.now_s()
        self._counted_s = clock.now_s()
        self._counts = SoundCounts()

    def next_s(self) -> float:
        return self._looked_s + _LOOK_EVERY_S

    def work(self, now_s: float) -> None:
        for starter in self._starters:
            self._look_at_starter(starter, now_s)
        self._look_at_sound(now_s)
        for part in self._lights:
            self._look_at_lights(part, now_s)
        for watched in self._sources:
            self._look_at_source(watched, now_s)
        if now_s - self._counted_s >= _COUNT_EVERY_S:
            self.count(now_s)
        self._looked_s = self._clock.now_s()

    def count(self, now_s: float, *, last: bool = False) -> None:
        """Tell what has gone wrong with the sound since the last count, and what contacts discarded.

        The latter once when it begins and now and then while it goes on; in full at the `last` count.
        """
        self._counted_s = now_s
        if self._sound is not None:
            self._count_sound(self._sound, now_s)
        for watched in self._sources:
            discarded = watched.source.discarded
            news = discarded != watched.told and now_s - watched.told_s >= _DISCARDED_EVERY_S
            if discarded and (news or last):
                watched.told, watched.told_s = discarded, now_s
                self._report(Discarded(at_s=now_s, source=watched.name, counts=discarded))

    def _count_sound(self, sound: SoundDesk, now_s: float) -> None:
        before, counts = self._counts, sound.counts
        self._counts = counts
        dropouts = counts.dropouts - before.dropouts
        lost_ms = max(0, counts.skipped_frames - before.skipped_frames) / sound.rate_hz * 1000.0
        if dropouts or lost_ms:
            self._report(
                Fault(
                    at_s=now_s,
                    what=f"the sound dropped out {max(dropouts, 1)} times ({lost_ms:.0f} ms lost).",
                    todo="Close other programs, or set longer blocks in the sound server or card driver.",
                    about="lost sound",
                )
            )
        if failures := counts.failures - before.failures:
            what = f"{failures} blocks of sound failed inside cuesync."
            self._report(Fault(at_s=now_s, what=what, about="failed sound"))
        if limited := counts.limited_blocks - before.limited_blocks:
            self._report(
                Fault(
                    at_s=now_s,
                    what=f"the sum of the sounds was too loud in {limited} blocks and was turned down.",
                    todo="Lower level_db of what plays together.",
                    about="loud sound",
                )
            )

    def _look_at_sound(self, now_s: float) -> None:
        sound = self._sound
        if sound is None or (sound.alive() and not self._sound_gone) or now_s < self._try_sound_s:
            return
        if not self._sound_gone:
            self._sound_gone = True
            self._report(
                Fault(
                    at_s=now_s,
                    what=f'the sound card "{sound.name}" is gone; the lights go on.',
                    todo="Plug it in again: it is opened as soon as it is there.",
                    about=_SOUND_CARD,
                    lasting=True,
                )
            )
        try:
            sound.restart()
        except Exception:
            self._try_sound_s = self._clock.now_s() + _TRY_SOUND_EVERY_S
            return
        self._sound_gone = False
        what = f'the sound card "{sound.name}" is back'
        self._report(Recovered(at_s=self._clock.now_s(), what=what, about=_SOUND_CARD))

    def _look_at_lights(self, part: LightsPart, now_s: float) -> None:
        gone = part.output
        if gone is not None:
            if gone.alive():
                self._look_at_call(part, now_s)
                if isinstance(gone, RepeatingOutput):
                    self._look_at_trouble(part.name, gone.trouble, now_s)
                return
            part.use(None)
            self._troubles.pop(part.name, None)
            self._calls.pop(part.name, None)
            self._report(
                Fault(
                    at_s=now_s,
                    what=f"the {part.name} for {part.uses} is gone; everything else goes on.",
                    todo="Plug it in again: it is opened as soon as it is there.",
                    about=_LIGHTS.format(name=part.name),
                    lasting=True,
                )
            )
            self._quietly(gone.close)
        try:
            back = part.open()
        except Exception:
            return
        part.use(back)
        try:
            self._show.lights.renew(part.name)
        except Exception:
            part.use(None)
            self._quietly(back.close)
            return
        what, about = f"the {part.name} for {part.uses} is back", _LIGHTS.format(name=part.name)
        self._report(Recovered(at_s=self._clock.now_s(), what=what, about=about))

    def _look_at_call(self, part: LightsPart, now_s: float) -> None:
        """Tell once where a call does not come back from the driver, and once when it does after all."""
        call = self._calls.get(part.name)
        if call is None or call.number != part.calls or not part.lock.locked():
            self._calls[part.name] = _Call(number=part.calls, since_s=now_s)
            if call is not None and call.told:
                what, about = f"the {part.name} for {part.uses} answers again", _LIGHTS.format(name=part.name)
                self._report(Recovered(at_s=now_s, what=what, about=about))
        elif now_s - call.since_s >= _HANGS_AFTER_S and not call.told:
            call.told = True
            self._report(
                Fault(
                    at_s=now_s,
                    what=f"the {part.name} for {part.uses} does not answer; everything else goes on.",
                    todo="Look at it, or plug it in again.",
                    about=_LIGHTS.format(name=part.name),
                    lasting=True,
                )
            )

    def _look_at_trouble(self, name: str, trouble: Trouble, now_s: float) -> None:
        """Tell once that an output which is there can't send, and once that it can again, with the count."""
        before = self._troubles.get(name, Trouble())
        if trouble.now and before.now:
            return
        failed = trouble.failures - before.failures
        # while it lasts, the count from before it is kept
        self._troubles[name] = replace(trouble, failures=before.failures) if trouble.now else trouble
        about = _LIGHTS.format(name=name)
        if trouble.now:
            todo = "Check the network; it is tried again and again."
            self._report(Fault(at_s=now_s, what=f"{trouble.what}.", todo=todo, about=about, lasting=True))
        elif before.now:
            what = f"{name} is sent again; packets lost: {failed}"
            self._report(Recovered(at_s=now_s, what=what, about=about))
        elif failed:
            what = f"{trouble.what}, but it is sent again; packets lost: {failed}."
            self._report(Fault(at_s=now_s, what=what, about=about))

    def _look_at_source(self, watched: WatchedSource, now_s: float) -> None:
        if watched.source.alive() and not watched.gone:
            return
        if not watched.gone:
            watched.gone = True
            self._report(
                Fault(
                    at_s=now_s,
                    what=f"the {watched.name} for {', '.join(watched.contacts)} is gone."
                    + self._lost_stops(watched.contacts),
                    todo="Plug it in again: it is opened as soon as it is there.",
                    about=_CONTACTS.format(name=watched.name),
                    lasting=True,
                )
            )
            # A contact that can't be seen counts as open; it must close anew to be a press. Only a stop
            # contact that is normally closed counts as pressed: its wire is as good as broken.
            for contact in watched.contacts:
                closed = contact in self._stops and normally_closed(contact)
                self._sink(ContactEdge(contact=contact, closed=closed, at_s=now_s, found=True))
        self._quietly(watched.source.close)
        try:
            watched.source.open(watched.contacts, self._sink)
        except Exception:
            return
        watched.gone = False
        what, about = f"the {watched.name} is back", _CONTACTS.format(name=watched.name)
        self._report(Recovered(at_s=self._clock.now_s(), what=what, about=about))

    def _look_at_starter(self, watched: WatchedStarter, now_s: float) -> None:
        """One that is gone holds its scene; when it is back it is off, and waits to be armed."""
        starter = watched.starter
        if not watched.gone:
            if starter.guard.alive():
                return
            watched.gone = True
            starter.guard.use(None)
            self._report(
                Fault(
                    at_s=now_s,
                    scene=starter.scene,
                    what=f"{starter.output}, which starts the prop, is gone. The scene is held.",
                    todo="Plug it in again, then arm the scene.",
                    about=starter.output,
                    lasting=True,
                )
            )
            self._show.put(lambda: self._show.hold(starter.scene))
        if now_s < watched.try_s:
            return
        try:
            output = watched.open()
        except Exception:
            watched.try_s = self._clock.now_s() + _TRY_STARTER_EVERY_S
            return
        starter.guard.use(output)
        watched.gone = False
        what = f"{starter.output}, which starts the prop, is back, and off"
        self._report(
            Recovered(at_s=self._clock.now_s(), scene=starter.scene, what=what, about=starter.output)
        )

    def _lost_stops(self, contacts: Sequence[str]) -> str:
        """What it means for stopping that these contacts are gone."""
        said = ""
        for contact in contacts:
            if contact in self._stops:
                means = "All is stopped, because" if normally_closed(contact) else "Nothing is stopped by"
                rest = " is a stop contact on it." if normally_closed(contact) else " until it is back."
                said += f" {means} {in_words(contact)}{rest}"
        return said

    def _quietly(self, close: Callable[[], None]) -> None:
        """Closing what is gone may fail, and that is no news."""
        try:
            close()
        except Exception:
            return
