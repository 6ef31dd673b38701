"""The show: contacts in, sound and light out, one state for each scene.

`Show` has no thread and no clock of its own. A live run (`live`) gives it threads and real ports, a
rehearsal (`rehearsal`) the simulated clock and its twins; what happens in between is the same.

    edge ─► put ─► work ─► state: taken? ─► sounds at host times ─► sound desk ─► frames, sound card
                                       └──► flashes at host times ─► light desk ─► light output
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import TypeVar

from cuesync.devices.guard import Switched
from cuesync.devices.orders import Failed
from cuesync.devices.ports import Clock, ContactEdge, LightOutput, MessageOutput, PropOutput
from cuesync.errors import CuesyncError
from cuesync.hearing.awaited import Finding
from cuesync.plan.plan import Plan, PlannedSound
from cuesync.show.events import (
    ContactStuck,
    Drifted,
    Fault,
    Note,
    PressRefused,
    ShowEvent,
    StateChanged,
    Triggered,
)
from cuesync.show.light_desks import LightDesks
from cuesync.show.lights import LightDesk, LightResult
from cuesync.show.listening import ANSWER_WITHIN_S, Listener, Listening
from cuesync.show.messages import MessageDesk, MessageResult
from cuesync.show.prepared import PreparedSound
from cuesync.show.scare import Scare
from cuesync.show.sound import Play, SoundDesk
from cuesync.show.staging import Staged, missing, staged
from cuesync.show.starter import Starter
from cuesync.show.states import Change, State, Step

_T = TypeVar("_T")
_Item = ContactEdge | LightResult | MessageResult | Callable[[], None]

_LOOK_AGAIN_S = 0.02
_LET_GO = "the dead-man contact was let go"


def _held(edge: ContactEdge) -> bool:
    """Of a dead-man contact. Found closed it may be taped down: it must be taken in hand anew."""
    return edge.closed and not edge.found


class Show:
    """Several scenes at once. Call everything but `put` from one thread.

    `report` is called on that thread too and must not block. `wake` is called whenever there is work
    sooner than `next_s` said before.
    """

    def __init__(
        self,
        plans: Sequence[Plan],
        *,
        clock: Clock,
        sound: SoundDesk | None,
        lights: LightOutput | None,
        report: Callable[[ShowEvent], None],
        messages: MessageOutput | None = None,
        house_lights: Sequence[str] = (),
        ways_back: Mapping[State, str] | None = None,
        listener: Listener | None = None,
        outputs: Mapping[str, PropOutput] | None = None,
    ) -> None:
        """Prepares every sound for this sound card; DeviceError where a scene needs more than there is.

        `sound` may be None where no plan has a sound, `lights` where none has a light, `messages` where
        nothing goes to other gear. `house_lights` go on, and fixtures to their safe level, when all is
        stopped, until the show is armed again. `ways_back`: what the operator does to get from a state to
        armed, one sentence each. `listener` serves the microphones that listen for pops; without it those
        pops are not watched for. `outputs` start the props that cuesync starts, each under its scene's title.
        """
        self._clock = clock
        self._report = report
        self._listener = listener
        self._sound = sound
        fixtures = [fixture for plan in plans for fixture in plan.fixtures]
        self._house_levels = {one.address: one.safe_level for one in fixtures if one.safe_level > 0.0}
        self._house_levels |= dict.fromkeys(house_lights, 1.0)
        self._house_lit = False
        self._ways_back = {} if ways_back is None else dict(ways_back)
        self.wake: Callable[[], None] = lambda: None
        addresses = [light for plan in plans for light in plan.light_addresses]
        self.lights = LightDesks(lights, [*addresses, *self._house_levels], clock, self.put)
        self.message_desk = MessageDesk(messages, clock, self.put)
        self._scenes: list[Staged] = []
        self._prepared: list[PreparedSound] = []
        for plan in plans:
            starter = self._starter(plan, outputs or {})
            self._scenes.append(staged(plan, sound, self._prepared, starter, hears=listener is not None))
        self._inbox: deque[_Item] = deque()
        self._worked_s = -math.inf
        self._next_s: float | None = None  # reckoned anew after each work
        self._scares = 0
        self._wants_arming = False

    @property
    def contacts(self) -> tuple[str, ...]:
        """The address of every contact that any scene listens to."""
        return tuple(dict.fromkeys(contact for scene in self._scenes for contact, _ in scene.plan.contacts))

    @property
    def starters(self) -> tuple[Starter, ...]:
        """Those of the scenes whose props cuesync starts; their guards are workers."""
        return tuple(scene.starter for scene in self._scenes if scene.starter is not None)

    @property
    def desks(self) -> tuple[LightDesk | MessageDesk, ...]:
        """Those that send to lights and other gear; each is a worker that may hang with its output."""
        return (*self.lights.desks, self.message_desk)

    def let_go(self, why: str) -> None:
        """Cut every output that starts a prop, at once; from any thread, whatever the show does meanwhile.

        Waits for none of them.
        """
        for starter in self.starters:
            starter.guard.let_go(why)

    @property
    def scares(self) -> int:
        return self._scares

    @property
    def refusals(self) -> int:
        return sum(scene.state.refusals for scene in self._scenes)

    def states(self) -> dict[str, State]:
        return {scene.plan.title: scene.state.state for scene in self._scenes}

    def put(self, item: _Item) -> None:
        """Hand in an edge, a desk's answer, or something the operator does (`show.arm`); from any thread.

        A limit switch that closes and a dead-man contact that is let go are told to the guard on this very
        thread: no show that hangs is waited for.
        """
        if isinstance(item, ContactEdge):
            for scene in self._scenes:
                if scene.starter is not None and scene.plan.limit_contact == item.contact:
                    scene.starter.limit_edge(item)
        self._inbox.append(item)
        self.wake()
        if isinstance(item, ContactEdge) and not _held(item):
            for scene in self._scenes:
                if scene.starter is not None and scene.plan.enable_contact == item.contact:
                    scene.starter.guard.let_go(_LET_GO)

    # -- what the operator does

    def start(self, last_triggers_s: Mapping[str, float] | None = None) -> None:
        """Start the sound and arm every scene as soon as the timeline holds.

        `last_triggers_s`: when (host time) a scene was last triggered, before this show began. Its lockout
        goes on, for nobody has waited for the prop.
        """
        now_s = self._clock.now_s()
        for scene in self._scenes:
            at_s = (last_triggers_s or {}).get(scene.plan.title, -math.inf)
            scene.state.was_triggered(at_s)
            if (left_s := scene.state.ready_s - now_s) > 0.0:
                said = f"was triggered {now_s - at_s:.0f} s before this start; its lockout goes on for"
                until = " or until its limit switch tells" if scene.plan.limit_contact else ""
                self._report(Note(at_s=now_s, scene=scene.plan.title, what=f"{said} {left_s:.0f} s{until}."))
        if self._sound is not None:
            self._sound.start(self._prepared)
        self._wants_arming = True
        self._next_s = None

    def stop_all(self, why: str, *, house_lights: bool = True) -> None:
        """Fade all sound, end all flashes, and stay stopped until `acknowledge` and then `arm`.

        The house lights go on, unless they are not wanted. Nothing here waits for a device: sound, lights and
        other gear are told by threads of their own.
        """
        self.let_go("all is stopped")
        now_s = self._clock.now_s()
        if self._sound is not None:
            self._sound.stop_all()
        self._wants_arming = False
        for scene in self._scenes:
            if scene.scare is not None:
                scene.scare.stopped = True
            self._tell(scene, scene.state.step(Step.STOP, now_s))
        self._report(Note(at_s=now_s, what=why))
        self._house_lit = False
        self.message_desk.stop(
            [message for scene in self._scenes for message in scene.plan.stop_messages],
            failed=self._failed("other gear could not be told of the stop"),
        )
        self.lights.all_off(failed=self._failed("the lights could not be switched off"))
        if house_lights:
            self._light_house(on=True)

    def acknowledge(self) -> None:
        """First step back after a stop."""
        self._step_all(Step.ACKNOWLEDGE, self._scenes)

    def arm(self) -> None:
        """Arm every scene that is off (second step back after a stop) or held.

        Of one that was off the background starts, and its fixtures go to what they show at rest. One whose
        prop nothing can start stays as it is.
        """
        scenes = [scene for scene in self._scenes if self._can_start(scene)]
        for scene in scenes:
            if scene.state.state is not State.OFF:
                continue
            if self._sound is not None:
                for _, place in scene.backgrounds:
                    self._sound.loop(place)
            self._light_rest(scene.plan)
        self._step_all(Step.ARM, scenes)
        if State.STOPPED not in self.states().values():
            self._light_house(on=False)

    def hold(self, title: str) -> None:
        """Set a scene aside until it is armed again."""
        for scene in self._scenes:
            if scene.plan.title == title:
                self._tell(scene, scene.state.step(Step.HOLD, self._clock.now_s()))

    @property
    def settled(self) -> bool:
        """True when no cue is under way, nothing sounds, and all that was ordered is under way at least."""
        quiet = self._sound is None or self._sound.quiet
        quiet = quiet and all(desk.idle for desk in self.desks)
        return quiet and all(scene.scare is None for scene in self._scenes)

    # -- the worker

    def next_s(self) -> float:
        if self._inbox:
            return -math.inf
        if self._next_s is None:
            next_s = self._worked_s + _LOOK_AGAIN_S if self._wants_arming else math.inf
            self._next_s = min([next_s, *(self._scene_next_s(scene) for scene in self._scenes)])
        return self._next_s

    def work(self, now_s: float) -> None:
        self._worked_s = now_s
        self._next_s = None
        while self._inbox:  # before any arming: how the contacts were found comes first
            item = self._inbox.popleft()
            if isinstance(item, ContactEdge):
                self._edge(item)
            elif isinstance(item, LightResult | MessageResult):
                self._answer(item)
            else:
                item()
        if self._wants_arming and self._ready_to_arm():
            self._wants_arming = False
            self._warn_of_late_starts(now_s)
            self.arm()
        for scene in self._scenes:
            self._guarded(scene, self._advance, now_s)

    def _warn_of_late_starts(self, now_s: float) -> None:
        """The card takes sound a block at a time: what starts within one may have to wait for the next."""
        if self._sound is None:
            return
        block_s = self._sound.block_frames / self._sound.rate_hz
        for scene in self._scenes:
            late_s = max((block_s - planned.start_s for planned, _ in scene.sounds), default=0.0)
            if late_s > 0.0:
                self._report(
                    Note(
                        at_s=now_s,
                        scene=scene.plan.title,
                        what="its first sound starts sooner after the trigger than the sound card takes "
                        f"a block ({block_s * 1000.0:.1f} ms), so it may begin up to "
                        f"{late_s * 1000.0:.1f} ms late. Give the card shorter blocks.",
                    )
                )

    def _ready_to_arm(self) -> bool:
        return self._sound is None or self._sound.locked

    def _scene_next_s(self, scene: Staged) -> float:
        next_s = scene.state.next_s()
        if scene.state.stuck and not scene.told_stuck:
            next_s = min(next_s, scene.state.ready_s)
        if scene.scare is not None:
            waiting = scene.scare.stopped or self._worked_s >= scene.scare.over_s
            next_s = min(next_s, self._worked_s + _LOOK_AGAIN_S if waiting else scene.scare.over_s)
        return next_s

    def _guarded(self, scene: Staged, action: Callable[[Staged, _T], None], value: _T) -> None:
        """An exception in one scene holds that scene and touches no other."""
        try:
            action(scene, value)
        except Exception as problem:
            now_s = self._clock.now_s()
            self._report(
                Fault(
                    at_s=now_s,
                    scene=scene.plan.title,
                    what=f"the scene failed inside cuesync: {type(problem).__name__}: {problem}.",
                    todo=f"It is held. {self._way_back(State.HELD)}".rstrip(),
                )
            )
            self._tell(scene, scene.state.step(Step.HOLD, now_s))

    def _edge(self, edge: ContactEdge) -> None:
        for scene in self._scenes:
            if scene.plan.contact == edge.contact:
                self._guarded(scene, self._scene_edge, edge)
            if scene.plan.pop_contact == edge.contact and edge.closed and not edge.found:
                self._guarded(scene, self._pop, edge.at_s)
            if scene.plan.enable_contact == edge.contact:
                scene.state.enabled = _held(edge)
                if not scene.state.enabled:
                    scene.state.cut(edge.at_s, _LET_GO)
                    self._follow(scene)
            if scene.plan.limit_contact == edge.contact:
                self._guarded(scene, self._limit_edge, edge)

    def _limit_edge(self, scene: Staged, edge: ContactEdge) -> None:
        self._advance(scene, edge.at_s)
        change = scene.state.limit_edge(edge.closed, edge.at_s, found=edge.found)
        if change is not None:
            self._tell_of_early_return(scene, change.at_s)
        self._tell(scene, change)

    def _scene_edge(self, scene: Staged, edge: ContactEdge) -> None:
        self._advance(scene, edge.at_s)
        if edge.found:
            self._tell(scene, scene.state.found(edge.closed, edge.at_s))
            return
        press = scene.state.edge(edge.closed, edge.at_s)
        if press is None:
            return
        if press.taken:
            self._go(scene, press.at_s)
            return
        self._report(
            PressRefused(
                at_s=press.at_s,
                scene=scene.plan.title,
                state=press.state,
                wait_s=press.wait_s,
                refusals=scene.state.refusals,
                todo=missing(scene.plan, press) or self._way_back(press.state),
            )
        )
        self._tell(scene, press.change)

    def _go(self, scene: Staged, trigger_s: float) -> None:
        """The cue, from the trigger's host time: first prop and sound, then the lights, then the talk."""
        if scene.starter is not None:
            scene.starter.go(scene.state, trigger_s)
        moved_s = 0.0 if scene.pops is None else scene.pops.correction_s
        plays: list[tuple[PlannedSound, Play]] = []
        if self._sound is not None:
            for planned, place in scene.sounds:
                plays.append(
                    (planned, self._sound.play(place, trigger_s + planned.start_s + moved_s, trigger_s))
                )
            for background, place in scene.backgrounds:
                from_s, to_s = (
                    at_s + trigger_s + moved_s for at_s in (background.dip_from_s, background.dip_to_s)
                )
                self._sound.dip(place, from_s, to_s, background.dip_gain)
        self._scares += 1
        scare = Scare(
            plan=scene.plan,
            number=self._scares,
            trigger_s=trigger_s,
            moved_s=moved_s,
            pop_by_s=None if scene.pops is None else scene.pops.window_s[1],
            plays=plays,
        )
        self._listen(scene, scare)
        if scene.scare is not None:
            self._finish(scene, scene.scare)
        scene.scare = scare
        scene.told_stuck = False
        for light in scene.plan.lights:
            self.lights.play((scene.plan.title, scare.number), light, trigger_s + moved_s)
        for message in scene.plan.messages:
            self.message_desk.play((scene.plan.title, scare.number), message, trigger_s + moved_s)
        self._report(Triggered(at_s=trigger_s, scene=scene.plan.title, number=scare.number))
        self._tell(
            scene, Change(at_s=trigger_s, before=State.ARMED, step=Step.TRIGGER, after=scene.state.state)
        )

    def _listen(self, scene: Staged, scare: Scare) -> None:
        """Where a microphone is to hear the pop, tell it when."""
        plan, pops, listener = scene.plan, scene.pops, self._listener
        if scene.ear is None or pops is None or listener is None or plan.pop_contact is None:
            return
        early_s, late_s = pops.listening_s
        listening = Listening(
            ear=scene.ear,
            contact=plan.pop_contact,
            trigger_s=scare.trigger_s,
            early_s=scare.trigger_s + early_s,
            late_s=scare.trigger_s + late_s,
            answer=lambda finding: self.put(
                lambda: self._guarded(scene, self._listened, (scare.number, finding))
            ),
        )
        scare.pop_by_s = listening.due_s - scare.trigger_s + ANSWER_WITHIN_S
        scare.pop_unsure = "the microphone's answer did not come in time"
        listener.listen(listening)

    def _listened(self, scene: Staged, answer: tuple[int, Finding]) -> None:
        number, finding = answer
        scare = scene.scare
        if scare is None or scare.number != number or not scare.waits_for_pop:
            return
        if finding.at_s is not None:
            self._popped(scene, scare, finding.at_s)
        else:
            scare.listened(finding)

    def _pop(self, scene: Staged, at_s: float) -> None:
        """The pop contact closed: this cue's pop, where it comes when a pop may come."""
        scare, pops = scene.scare, scene.pops
        if scare is None or pops is None or not scare.waits_for_pop:
            return
        early_s, late_s = pops.window_s
        if early_s <= at_s - scare.trigger_s <= late_s:
            self._popped(scene, scare, at_s)

    def _popped(self, scene: Staged, scare: Scare, at_s: float) -> None:
        pops = scene.pops
        assert pops is not None
        scare.pop_s = at_s - scare.trigger_s
        if pops.popped(scare.pop_s) and pops.drift is not None:
            self._report(
                Drifted(
                    at_s=at_s,
                    scene=scene.plan.title,
                    planned_delay_s=scene.plan.delay_s,
                    estimate_s=pops.drift.estimate_s,
                    corrected_s=pops.correction_s,
                )
            )

    def _answer(self, result: LightResult | MessageResult) -> None:
        for scene in self._scenes:
            scare = scene.scare
            if scare is None or result.tag != (scene.plan.title, scare.number):
                continue
            if isinstance(result, LightResult):
                scare.light_answered(result)
            else:
                scare.messages_answered(result)

    def _advance(self, scene: Staged, now_s: float) -> None:
        for change in scene.state.advance(now_s):
            self._tell(scene, change)
            if change.step is Step.HOLD:
                self._tell_of_jam(scene, change.at_s)
        if scene.state.stuck and now_s >= scene.state.ready_s and not scene.told_stuck:
            scene.told_stuck = True
            self._report(ContactStuck(at_s=now_s, scene=scene.plan.title, contact=scene.plan.contact))
        if scene.scare is not None and scene.scare.complete(now_s):
            self._finish(scene, scene.scare)

    def _tell_of_jam(self, scene: Staged, at_s: float) -> None:
        plan = scene.plan
        todo = f"Cut its power before you reach in. {self._way_back(State.HELD)}"
        self._report(
            Fault(
                at_s=at_s,
                scene=plan.title,
                what=f"the limit switch {plan.limit_contact} has not told within "
                f"{plan.reset_s + plan.limit_margin_s:g} s that the prop is back: it may be jammed, or "
                "did not move. The scene is held.",
                todo=todo.rstrip(),
            )
        )

    def _tell_of_early_return(self, scene: Staged, at_s: float) -> None:
        todo = (
            "Cut its power before you reach in. Nothing but the prop at rest may close the switch; if it was "
            f"back already, measure it again. {self._way_back(State.HELD)}"
        )
        self._report(
            Fault(
                at_s=at_s,
                scene=scene.plan.title,
                what=f"the limit switch {scene.plan.limit_contact} closed while the prop was driven, before "
                "its pop was due. The prop is cut, and the scene held.",
                todo=todo.rstrip(),
            )
        )

    def _starter(self, plan: Plan, outputs: Mapping[str, PropOutput]) -> Starter | None:
        if plan.drive is None:
            return None
        return Starter(
            plan.title,
            plan.drive,
            outputs.get(plan.title),
            self._clock,
            lambda switched: self.put(lambda: self._switched(plan.title, switched)),
        )

    def _switched(self, title: str, switched: Switched) -> None:
        """The output that starts a prop went on or off, or did not."""
        for scene in self._scenes:
            if scene.plan.title == title and scene.starter is not None:
                for event in scene.starter.in_words(switched):
                    self._report(event)
        if switched.problem:
            self.hold(title)

    def _follow(self, scene: Staged) -> None:
        if scene.starter is not None:
            scene.starter.follow(scene.state)

    def _finish(self, scene: Staged, scare: Scare) -> None:
        scene.scare = None
        now_s = self._clock.now_s()
        done = scare.done(now_s)
        self._report(done)
        if done.misfire and scene.pops is not None and scene.pops.misfired():
            count = scene.pops.misfires_in_a_row
            self._report(
                Fault(
                    at_s=now_s,
                    scene=scene.plan.title,
                    what=f"{count} misfires in a row; the scene is held.",
                    todo=f"Look at the prop and at its pop contact. {self._way_back(State.HELD)}".rstrip(),
                )
            )
            self._tell(scene, scene.state.step(Step.HOLD, now_s))

    def _light_rest(self, plan: Plan) -> None:
        """A fixture that can't be reached keeps no scene from being armed: its output is watched."""
        for fixture in plan.fixtures:
            failed = self._failed(f"{fixture.address} could not be brought to its level at rest", plan.title)
            self.lights.rest(fixture.address, fixture.rest_level, fixture.rest_colour, failed=failed)

    def _light_house(self, *, on: bool) -> None:
        """A house light that can't be reached keeps no other from being switched."""
        if on == self._house_lit:
            return
        self._house_lit = on
        for light, level in self._house_levels.items():
            failed = self._failed(f"the house light {light} could not be switched {'on' if on else 'off'}")
            self.lights.hold(light, level if on else None, failed=failed)

    def _failed(self, what: str, scene: str = "") -> Failed:
        """For a desk, which finds out on a thread of its own."""

        def failed(problem: CuesyncError) -> None:
            fault = Fault(at_s=self._clock.now_s(), scene=scene, what=f"{what}: {problem}")
            self.put(lambda: self._report(fault))

        return failed

    def _can_start(self, scene: Staged) -> bool:
        """Says so where what starts the prop of a scene that is to be armed is gone."""
        starter = scene.starter
        if starter is None or starter.guard.alive():
            return True
        if scene.state.state in (State.OFF, State.HELD):
            self._report(
                Fault(
                    at_s=self._clock.now_s(),
                    scene=scene.plan.title,
                    what=f"{starter.output}, which starts the prop, is gone. The scene is not armed.",
                    todo="Plug it in again, then arm the scene.",
                )
            )
        return False

    def _step_all(self, step: Step, scenes: Iterable[Staged]) -> None:
        now_s = self._clock.now_s()
        for scene in scenes:
            self._tell(scene, scene.state.step(step, now_s))
            self._guarded(scene, self._advance, now_s)
        self.wake()

    def _way_back(self, state: State) -> str:
        return self._ways_back.get(state, "")

    def _tell(self, scene: Staged, change: Change | None) -> None:
        self._follow(scene)
        if change is not None:
            if change.step in (Step.ARM, Step.WAIT):
                scene.told_stuck = False
            self._report(
                StateChanged(
                    at_s=change.at_s,
                    scene=scene.plan.title,
                    before=change.before,
                    after=change.after,
                    wait_s=scene.state.wait_s(change.at_s),
                )
            )
