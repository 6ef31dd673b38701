"""Eight hours in a minute: six scenes, 6,000 triggers, 2,000 stray presses, all of it logged."""

from __future__ import annotations

import gc
import random
import sys
from dataclasses import replace
from pathlib import Path

from cuesync.plan.plan import PlannedDrive
from cuesync.show.events import ScareDone, ShowEvent
from cuesync.show.log import NightLog, new_night_file, read_events, read_summary
from tests.show.plans import light, plan
from tests.show.simulation import Simulation

NIGHT_S = 8 * 3600.0
SCENES = 6
TRIGGERS_EACH, STRAY_EACH = 1000, 333
RESET_S = 25.0


def test_an_eight_hour_night_loses_nothing_and_does_not_grow(tmp_path: Path) -> None:
    draw = random.Random(31)
    scenes = [
        replace(
            plan(delay_s=0.6, reset_s=RESET_S, lights=(light(0.6, 0.08, f"midi:{36 + index}"),)),
            title=f"scene {index}",
            contact=f"midi:{60 + index}",
        )
        for index in range(SCENES)
    ]
    drive = PlannedDrive(output="gpio:22", start_s=0.02, latest_start_s=0.02, delay_s=0.0, max_on_s=3.0)
    scenes[0] = replace(scenes[0], drive=drive)
    path = new_night_file(tmp_path, "2026-10-31")
    log = NightLog(path, scenes, 1000.0)
    worst_ms = 0.0
    done = 0

    def report(event: ShowEvent) -> None:
        nonlocal worst_ms, done
        log.put(event)
        if isinstance(event, ScareDone):
            done += 1
            lates_ms = [sound.late_ms for sound in event.sounds] + [sent.late_ms for sent in event.lights]
            assert None not in lates_ms
            worst_ms = max([worst_ms, *(abs(late_ms) for late_ms in lates_ms if late_ms is not None)])

    night = Simulation(scenes, quick=True, block_frames=1024, report=report)
    start_s = night.clock.now_s()
    slot_s = NIGHT_S / TRIGGERS_EACH  # one trigger of every scene in each, 28.8 s
    blocks: list[int] = []
    output = night.outputs[scenes[0].title]
    for turn in range(TRIGGERS_EACH):
        for scene in scenes:
            at_s = start_s + turn * slot_s + draw.uniform(0.0, slot_s - RESET_S - 0.5)
            night.contacts.press(scene.contact, at_s, bounces=3)
            if turn % 3 == 0 and turn // 3 < STRAY_EACH:
                night.contacts.press(scene.contact, at_s + draw.uniform(1.0, RESET_S - 1.0), bounces=3)
        night.clock.run_until(start_s + (turn + 1) * slot_s)
        night.lights.sent.clear()
        (on_s, on), (off_s, off) = output.switched
        assert (on, off, round(off_s - on_s, 6)) == (True, False, 3.0)
        output.switched.clear()
        if turn in (100, TRIGGERS_EACH - 1):
            gc.collect()
            blocks.append(sys.getallocatedblocks())
    log.close()

    assert done == SCENES * TRIGGERS_EACH
    assert worst_ms < 0.011  # half a frame at 48 kHz
    summary = read_summary(path)
    assert [(scene.scares, scene.refusals) for scene in summary.scenes] == [
        (TRIGGERS_EACH, STRAY_EACH)
    ] * SCENES
    assert summary.faults == 0
    assert sum(1 for _ in read_events(path, kinds=["trigger"])) == SCENES * TRIGGERS_EACH
    assert blocks[-1] - blocks[0] < 5_000  # Python objects, after 900 rounds more
