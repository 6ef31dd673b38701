"""`cuesync contacts`."""

from __future__ import annotations

import os
import shutil
import sys
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from cuesync.cli.common import (
    PathArgument,
    json_option,
    ms,
    network_options,
    print_json,
    say,
    sound_input_option,
)
from cuesync.ending import END_SIGNALS, on_signals
from cuesync.errors import DeviceError, InputError

if TYPE_CHECKING:
    from cuesync.devices.opening import NeededSource
    from cuesync.devices.ports import Clock, ContactEdge
    from cuesync.measuring.contacts import ContactHistory, PathDifference
    from cuesync.plan.plan import Plan

_LOOK_EVERY_S = 0.05
_ALIVE_EVERY_S = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Wanted:
    """A contact to try. `uses`: in words; `debounce_ms`: the shortest that a scene gives it, if any does.

    `wire_seen`: False where its path hides bounce and release; `microphone`: it hears bangs.
    """

    contact: str
    uses: tuple[str, ...]
    debounce_ms: float | None
    wire_seen: bool
    microphone: bool = False

    @property
    def key(self) -> bool:
        """A key of the terminal."""
        return not (self.wire_seen or self.microphone)


@click.command("contacts")
@click.argument("scenes", nargs=-1, required=True, type=PathArgument, metavar="SCENE…")
@click.option(
    "--against",
    metavar="CONTACT",
    help='A second contact on the same button, as "midi:60": shows the jitter between the two paths.',
)
@click.option("--midi-in", metavar="PORT", help="MIDI port of the contacts (a part of its name is enough).")
@click.option(
    "--seconds", "length_s", type=click.FloatRange(min=1.0), metavar="N", help="End after N seconds."
)
@network_options
@sound_input_option
@json_option
def command(
    scenes: tuple[Path, ...],
    against: str | None,
    midi_in: str | None,
    length_s: float | None,
    as_json: bool,
    **network: Any,
) -> None:
    """Watch the contacts of scenes while you press them: is it wired, does it bounce, how much debounce?

    Knock on the prop to try a microphone that listens for its pop.

    Press and hold each for half a second, ten times or more, then Ctrl-C. Nothing is played, and no output
    moves. Exit code 1: a contact never changed, or bounced for longer than its scene's debounce.

    --against compares the trigger with a second contact on the same button. Which of the two is late can't be
    known from that; how much their difference scatters is the jitter of both together.
    """
    from cuesync.devices.opening import PortSettings, contact_sources
    from cuesync.devices.ports import HostClock, counts_in_words
    from cuesync.measuring.contacts import ContactHistory, path_difference
    from cuesync.plan.resolve import resolve
    from cuesync.scene.load import read_scene

    wanted = _wanted([resolve(read_scene(path)) for path in scenes])
    compared = None if against is None else _compared(wanted, against)
    if compared is not None:
        wanted = (*wanted, compared[1])
    clock = HostClock()
    sources = contact_sources(
        [each.contact for each in wanted], PortSettings(midi_in=midi_in, **network), clock
    )
    histories = {
        each.contact: ContactHistory(window_s=0.0) if each.key else ContactHistory() for each in wanted
    }

    say(
        "Nothing is played and no output moves. But a button that is wired to the prop fires it: fingers out."
    )
    rows = _Rows(wanted, histories, to_stderr=as_json)
    keys = any(each.key for each in wanted)
    gone = _watch(sources, histories, clock, length_s, rows.show, keys=keys)
    rows.clear()

    difference = None
    if compared is not None:
        first, second = (histories[each.contact].presses_s for each in compared)
        difference = path_difference(first, second)
    problems = [_problems(each, histories[each.contact]) for each in wanted]
    discarded = {each.name: dict(each.source.discarded) for each in sources if each.source.discarded}
    if as_json:
        reports = [
            {**_as_json(each, histories[each.contact]), "problems": found}
            for each, found in zip(wanted, problems, strict=True)
        ]
        print_json({"contacts": reports, "against": _difference_as_json(difference), "discarded": discarded})
    else:
        for each, found in zip(wanted, problems, strict=True):
            click.echo(_row(each, histories[each.contact]))
            for problem in found:
                click.echo(f"  problem: {problem}")
            for advice in _advice(each, histories[each.contact]):
                click.echo(f"  note: {advice}")
        if compared is not None and difference is not None:
            click.echo(_difference_in_words(compared[0].contact, compared[1].contact, difference))
        for name, counts in discarded.items():
            click.echo(f"{name}, taken for nothing: {counts_in_words(counts)}")
    if gone:
        raise DeviceError(f"the {gone} is gone, so this ended early. Plug it in and start again.")
    sys.exit(1 if any(problems) else 0)


def _wanted(plans: Sequence[Plan]) -> tuple[_Wanted, ...]:
    """Every contact of the plans once, in their order."""
    from cuesync.devices.contact_addresses import is_microphone

    uses: dict[str, list[str]] = {}
    debounces_ms: dict[str, float] = {}
    for plan in plans:
        for contact, role in plan.contacts:
            uses.setdefault(contact, []).append(f"{plan.title}: {role}")
        debounce_ms = plan.debounce_s * 1000.0
        debounces_ms[plan.contact] = min(debounce_ms, debounces_ms.get(plan.contact, debounce_ms))
    return tuple(
        _Wanted(
            contact=contact,
            uses=tuple(roles),
            debounce_ms=debounces_ms.get(contact),
            wire_seen=_wire_seen(contact),
            microphone=is_microphone(contact),
        )
        for contact, roles in uses.items()
    )


def _wire_seen(contact: str) -> bool:
    from cuesync.devices.contact_addresses import KeyContact, MicrophoneContact, parse_contact

    return not isinstance(parse_contact(contact), KeyContact | MicrophoneContact)


def _compared(wanted: Sequence[_Wanted], against: str) -> tuple[_Wanted, _Wanted]:
    """The trigger and the contact beside it. InputError where there isn't one of each."""
    from cuesync.devices.contact_addresses import overlap, parse_switch

    parse_switch(against)
    triggers = [each for each in wanted if each.debounce_ms is not None]
    if len(triggers) != 1:
        named = ", ".join(each.contact for each in triggers)
        raise InputError(
            f"--against compares one trigger with a second contact, but these scenes have {named}. "
            "Name one scene."
        )
    for each in wanted:
        if overlap(each.contact, against):
            raise InputError(
                f"--against {against} is {each.contact} of the scene itself. "
                "Name a second contact that is wired to the same button."
            )
    (trigger,) = triggers
    beside = _Wanted(
        contact=against,
        uses=(f"beside {trigger.contact}",),
        debounce_ms=None,
        wire_seen=_wire_seen(against),
    )
    return trigger, beside


def _watch(
    sources: Sequence[NeededSource],
    histories: dict[str, ContactHistory],
    clock: Clock,
    length_s: float | None,
    show: Callable[[], None],
    *,
    keys: bool,
) -> str:
    """Take edges until the time is over or Ctrl-C; the name of a device that went away, or nothing.

    `keys`: some of the contacts are keys, and people should know how to press those.
    """
    from cuesync.devices.contact_addresses import is_microphone
    from cuesync.devices.keyboard import RELEASED_AFTER_S
    from cuesync.measuring.bangs import BangWatch

    edges: deque[ContactEdge] = deque()
    opened: list[NeededSource] = []
    bangs = [
        BangWatch(contact, needed.microphones, edges.append)
        for needed in sources
        for contact in needed.contacts
        if needed.microphones is not None and is_microphone(contact)
    ]
    gone = ""
    try:
        for needed in sources:
            opened.append(needed)
            needed.source.open(needed.contacts, edges.append)
        say("Press and hold each contact for half a second, ten times or more. Ctrl-C ends it.")
        if keys:
            say(
                f"A key counts as held until it has been silent for {RELEASED_AFTER_S:g} s, so press it no "
                "sooner than a second apart."
            )
        if bangs:
            say("Knock on the prop a few times to try its microphone.")
        start_s = looked_s = clock.now_s()
        # an event's lock would be waited for by a second signal, for ever
        ended: deque[bool] = deque(maxlen=1)
        with on_signals(("SIGINT", *END_SIGNALS), lambda: ended.append(True)):  # no row is left half painted
            while not (gone or ended) and (length_s is None or clock.now_s() - start_s < length_s):
                clock.sleep_s(_LOOK_EVERY_S)
                for bang in bangs:
                    bang.look(clock.now_s())
                _take(edges, histories)
                now_s = clock.now_s()
                for history in histories.values():
                    history.rest(now_s - _LOOK_EVERY_S)  # an edge of just now may still be on its way
                show()
                if now_s - looked_s >= _ALIVE_EVERY_S:
                    looked_s = now_s
                    gone = next((each.name for each in sources if not each.source.alive()), "")
    finally:
        for needed in opened:
            needed.source.close()
    _take(edges, histories)
    for history in histories.values():
        history.rest(clock.now_s())
    return gone


def _take(edges: deque[ContactEdge], histories: dict[str, ContactHistory]) -> None:
    while edges:
        edge = edges.popleft()
        histories[edge.contact].take(edge)


class _Rows:
    """A row a contact that stays in its place on a terminal; elsewhere a line whenever one came to rest."""

    def __init__(
        self, wanted: Sequence[_Wanted], histories: dict[str, ContactHistory], *, to_stderr: bool
    ) -> None:
        self._wanted = wanted
        self._histories = histories
        self._to_stderr = to_stderr
        stream = sys.stderr if to_stderr else sys.stdout
        self._repaint = stream.isatty() and os.environ.get("TERM") != "dumb"
        self._shown: list[str] = []
        self._said_edges = {each.contact: 0 for each in wanted}

    def show(self) -> None:
        if self._repaint:
            self._paint()
            return
        for each in self._wanted:
            history = self._histories[each.contact]
            edges = history.report().edges
            if not history.moving and edges != self._said_edges[each.contact]:
                self._said_edges[each.contact] = edges
                self._print(f"{datetime.now():%H:%M:%S}  {_row(each, history)}")

    def clear(self) -> None:
        """Make room where rows stand."""
        from cuesync.cli.screen import UP_AND_CLEAR

        if self._shown:
            self._print(UP_AND_CLEAR.format(lines=len(self._shown)), newline=False)
            self._shown = []

    def _paint(self) -> None:
        width = shutil.get_terminal_size().columns - 1
        rows = [_row(each, self._histories[each.contact])[:width] for each in self._wanted]
        if rows == self._shown:
            return
        self.clear()
        for row in rows:
            self._print(row)
        self._shown = rows

    def _print(self, text: str, *, newline: bool = True) -> None:
        click.echo(text, nl=newline, err=self._to_stderr, color=self._repaint)


def _row(wanted: _Wanted, history: ContactHistory) -> str:
    """The contact in words, the most important first; it needs no colour."""
    told = history.report()
    uses = f"({', '.join(wanted.uses)})"
    stands = "unseen" if told.closed is None else "CLOSED" if told.closed else "open"
    if wanted.microphone:
        heard = _count(told.presses, "bang", "bangs")
        return "  ".join([f"{'HEARD' if told.closed else 'quiet':6}  {wanted.contact}", heard, uses])
    parts = [f"{stands:6}  {wanted.contact}", _count(told.presses, "press", "presses")]
    if wanted.wire_seen and told.longest_bounce_s is not None:
        longest_ms, suggested = told.longest_bounce_s * 1000.0, told.suggested_debounce_ms or 0
        parts.append(f"bounce {longest_ms:.1f} ms")
        if wanted.debounce_ms is None:
            parts.append(f"wants {suggested} ms debounce")
        elif longest_ms > wanted.debounce_ms:
            parts.append(f"debounce {wanted.debounce_ms:g} ms: TOO SHORT, take {suggested} ms")
        elif suggested > wanted.debounce_ms:
            parts.append(f"debounce {wanted.debounce_ms:g} ms: tight, better {suggested} ms")
        else:
            parts.append(f"debounce {wanted.debounce_ms:g} ms: enough")
    parts.append(_count(told.edges, "edge", "edges"))
    if wanted.wire_seen and told.shortest_gap_s is not None:
        parts.append(f"gap {told.shortest_gap_s * 1000.0:.0f} ms")
    parts.append(uses)
    return "  ".join(parts)


def _count(number: int, one: str, many: str) -> str:
    return f"{number} {one if number == 1 else many}"


def _problems(wanted: _Wanted, history: ContactHistory) -> list[str]:
    """What keeps this contact from being trusted."""
    told = history.report()
    if not told.edges and wanted.microphone:
        return [
            f"{wanted.contact} heard no bang. Was there one? If so, put it nearer to the prop, turn up its "
            "input, and look at --microphone and at its address in the scene."
        ]
    if not told.edges:
        return [
            f"{wanted.contact} was never seen to change. Was it pressed? If so, look at its wiring, its "
            "address in the scene, and the port."
        ]
    longest_s, debounce_ms = told.longest_bounce_s, wanted.debounce_ms
    if longest_s is not None and debounce_ms is not None and longest_s * 1000.0 > debounce_ms:
        return [
            f"{wanted.contact} bounced for {longest_s * 1000.0:.1f} ms, longer than debounce_ms = "
            f"{debounce_ms:g}. Write debounce_ms = {told.suggested_debounce_ms} under [trigger], "
            "or take a better switch."
        ]
    return []


def _advice(wanted: _Wanted, history: ContactHistory) -> list[str]:
    """What is worth knowing of this contact, without being a problem."""
    told = history.report()
    if wanted.microphone:
        return ["every sudden sound counted here; the show listens only when the pop is due"]
    if not wanted.wire_seen:
        from cuesync.devices.keyboard import RELEASED_AFTER_S

        return [
            "a terminal hides a key's bounce, and tells of its release only by silence, "
            f"{RELEASED_AFTER_S:g} s late"
        ]
    said = []
    suggested, debounce_ms = told.suggested_debounce_ms, wanted.debounce_ms
    if told.longest_bounce_s is not None and told.typical_bounce_s is not None:
        said.append(
            f"{_count(told.bounces, 'closing or opening', 'closings and openings')} measured: bounce "
            f"{told.typical_bounce_s * 1000.0:.1f} ms in the median, {told.longest_bounce_s * 1000.0:.1f} ms "
            "at most"
        )
        if suggested and debounce_ms and told.longest_bounce_s * 1000.0 <= debounce_ms < suggested:
            said.append(
                f"debounce_ms = {debounce_ms:g} covers what was seen, but not twice that; "
                f"{suggested} is safer"
            )
    if told.short_presses:
        said.append(
            f"{_count(told.short_presses, 'press was', 'presses were')} over within 0.2 s, and nothing could "
            "be measured of the bounce: taps, or spikes on the wire"
        )
    if told.short_openings:
        said.append(
            f"{_count(told.short_openings, 'time', 'times')} it opened for less than 0.2 s while held: the "
            "finger slipped, or a wire is loose"
        )
    return said


def _as_json(wanted: _Wanted, history: ContactHistory) -> dict[str, object]:
    told = history.report()
    seen = wanted.wire_seen
    return {
        "contact": wanted.contact,
        "uses": list(wanted.uses),
        "closed": told.closed,
        "presses": told.presses,
        "edges": told.edges,
        "short_presses": told.short_presses,
        "short_openings": told.short_openings,
        "bounces_measured": told.bounces if seen else 0,
        "typical_bounce_ms": _ms_or_none(told.typical_bounce_s if seen else None),
        "longest_bounce_ms": _ms_or_none(told.longest_bounce_s if seen else None),
        "suggested_debounce_ms": told.suggested_debounce_ms if seen else None,
        "debounce_ms": wanted.debounce_ms,
        "shortest_gap_ms": _ms_or_none(told.shortest_gap_s if seen else None),
    }


def _difference_as_json(difference: PathDifference | None) -> dict[str, object] | None:
    if difference is None:
        return None
    return {
        "presses": difference.presses,
        "only_trigger": difference.only_first,
        "only_against": difference.only_second,
        "median_ms": _ms_or_none(difference.median_s),
        "spread_ms": _ms_or_none(difference.spread_s),
        "sd_ms": _ms_or_none(difference.sd_s),
    }


def _ms_or_none(time_s: float | None) -> float | None:
    return None if time_s is None else ms(time_s)


def _difference_in_words(first: str, second: str, difference: PathDifference) -> str:
    missed = (
        f"presses that came only by {first}: {difference.only_first}, "
        f"only by {second}: {difference.only_second}"
    )
    median_s, spread_s = difference.median_s, difference.spread_s
    if median_s is None or spread_s is None:
        return f"{second} against {first}: no press came by both; {missed}"
    scatter = "" if difference.sd_s is None else f", standard deviation {difference.sd_s * 1000.0:.2f} ms"
    return (
        f"{second} comes {abs(median_s) * 1000.0:.2f} ms {'after' if median_s >= 0 else 'before'} {first} in "
        f"the median of {_count(difference.presses, 'press', 'presses')}; the difference spreads over "
        f"{spread_s * 1000.0:.2f} ms{scatter}; {missed}"
    )
