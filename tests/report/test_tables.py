from __future__ import annotations

import re
import subprocess
import sys
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cuesync.devices.fixtures import Fixture
from cuesync.devices.ports import LightCommand
from cuesync.measuring.trial import Trial
from cuesync.plan.plan import PlannedDrive
from cuesync.report.tables import (
    WIDTH,
    Table,
    plan_events,
    plan_table,
    pops_table,
    rehearsal_rows,
    rehearsal_table,
    trials_table,
)
from cuesync.show.rehearsal import rehearse
from cuesync.wrapping import columns
from tests.report.building import (
    DELAY_S,
    all_shapes,
    light,
    measurement,
    plan,
    sound,
    to_other_gear,
)


def trial(trigger_s: float, delay_s: float | None, **more: Any) -> Trial:
    pop_s = None if delay_s is None else trigger_s + delay_s
    return Trial(trigger_s=trigger_s, pop_s=pop_s, **more)


def rows_of(text: str) -> list[list[str]]:
    """Cells of each row below the rule; cells are two blanks or more apart."""
    lines = text.splitlines()
    rule = next(number for number, line in enumerate(lines) if set(line) == {"-", " "})
    return [re.split(r"\s{2,}", line.strip()) for line in lines[rule + 1 :]]


def test_trials_show_trigger_pop_and_delay_with_units_in_the_heading() -> None:
    text = trials_table(measurement([trial(1.5, 0.6423, error_s=0.0004, reset_s=29.81)]))
    assert text.splitlines()[0] == "Trials in cellar.wav"
    assert re.split(r"\s{2,}", text.splitlines()[1]) == [
        "trial",
        "trigger s",
        "pop s",
        "delay ms",
        "± ms",
        "reset s",
        "remark",
    ]
    assert rows_of(text) == [["1", "1.500", "2.142", "642.3", "0.4", "29.8"]]


def test_a_misfire_says_so() -> None:
    assert rows_of(trials_table(measurement([trial(1.5, None)]))) == [
        ["1", "1.500", "none", "misfire: no pop heard"]
    ]


def test_the_outlier_of_the_handbook_is_remarked_and_no_other() -> None:
    """NIST/SEMATECH e-Handbook, Grubbs example: 245.57 is the outlier."""
    values_ms = [199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57]
    text = trials_table(measurement([trial(5.0 * i, value / 1000) for i, value in enumerate(values_ms, 1)]))
    remarked = [row for row in rows_of(text) if "far from the others" in row]
    assert [row[0] for row in remarked] == ["8"]


def test_an_equally_good_candidate_is_named_by_its_delay() -> None:
    text = trials_table(measurement([trial(1.5, 0.6423, rival_s=1.5 + 0.6673)]))
    assert rows_of(text)[0][-1] == "or 667.3 ms?"


def test_the_plan_is_told_in_order_of_time_from_both_zeros() -> None:
    events = plan_events(plan(sounds=[sound()], lights=[light()]))
    from_trigger = [float(row[1].replace("−", "-")) for row in events.rows]
    from_pop = [float(row[2].replace("−", "-")) for row in events.rows]
    assert from_trigger == sorted(from_trigger)
    assert from_pop == pytest.approx([value - DELAY_S * 1000 for value in from_trigger], abs=0.11)
    assert events.rows[0][:3] == ("trigger", "0.0", "−642.3")
    assert ("POP", "642.3", "0.0") in {row[:3] for row in events.rows}
    # 642.3 − 310 − 16.7: worked by hand
    assert ("scream.wav starts", "315.6", "−326.7") in {row[:3] for row in events.rows}
    # the command goes out 4 ms before the light is due
    assert ("midi:36 on", "638.3", "−4.0") in {row[:3] for row in events.rows}


def test_every_shape_of_light_begins_and_ends_in_the_trades_words() -> None:
    rows = plan_events(plan(lights=all_shapes())).rows
    assert {(what, remark) for what, _, _, remark in rows if what.startswith("midi:")} >= {
        ("midi:36 on", "at 50 %"),
        ("midi:36 off", "command sent"),
        ("midi:36 strobe begins", "2 flashes"),
        ("midi:36 strobe ends", "command sent"),
        ("midi:37 goes dark", "command sent"),
        ("midi:37 is dark", "as seen by the guest"),
        ("midi:37 blackout ends", "command sent"),
        ("midi:38 fade begins", "from 100 % to 25 %"),
        ("midi:39 flicker begins", "between 25 % and 75 %"),
        ("midi:37 on", "command sent"),
        ("midi:37 off", "command sent"),
    }


def test_a_lamp_that_stays_lit_is_not_told_to_be_off() -> None:
    """A fixture goes back to its rest; a lamp that another shape still holds goes on."""
    lamp = Fixture(
        name="lamp",
        universe=1,
        start_slot=1,
        channels=("dimmer", "red", "green", "blue"),
        rest_level=0.3,
        rest_colour=(1.0, 0.0, 0.0),
    )
    held = light("midi:36", length_s=0.5, steps=((0.0, 0.25),))
    cue = replace(plan(lights=[light("fixture:lamp"), held, light("midi:36")]), fixtures=(lamp,))
    told = {(row[0], row[3]): row[2] for row in plan_events(cue).rows}
    assert told["fixture:lamp at rest", "30 %, #ff0000"] == "+76.0"
    assert told["midi:36 flash ends", "still 25 %"] == "+76.0"
    assert told["midi:36 off", "command sent"] == "+496.0"
    assert ("fixture:lamp off", "command sent") not in told


def test_a_cut_head_is_told() -> None:
    # 800 ms lead-in and 16.7 ms path against 642.3 ms of delay
    text = plan_table(plan(sounds=[sound(hit_s=0.8)]))
    assert "first 174.4 ms cut" in text


def test_measured_pops_are_listed_against_the_planned_one() -> None:
    table = pops_table(plan(pops_s=(0.63, 0.65)))
    assert [row[1:3] for row in table.rows] == [("630.0", "−12.3"), ("650.0", "+7.7")]


def test_a_rehearsal_is_told_sound_by_sound() -> None:
    """The pops are drawn from those measured, and the scream lands with the planned one."""
    cue = plan(pops_s=(0.6, 0.6423, 0.7), sounds=[sound()], lights=[light()])
    text = rehearsal_table(rehearse(cue, rate_hz=8000, presses=40), cue)
    head, pops, hits = (re.split(r"\s{2,}", text.splitlines()[line]) for line in (1, 3, 4))
    assert text.splitlines()[0] == "Rehearsal of 40 presses"
    assert head == ["what", "heard", "earliest ms", "median ms", "latest ms"]
    assert pops[:1] + pops[1:3] + pops[4:] == ["pop, from the trigger", "40", "600.0", "700.0"]
    # 642.3 against the last and the first pop, to a sample at 8 kHz
    assert hits[0] == "scream.wav hits, from the pop"
    assert float(hits[2].replace("−", "-")) == pytest.approx(642.3 - 700.0, abs=0.2)
    assert float(hits[4].replace("+", "")) == pytest.approx(642.3 - 600.0, abs=0.2)
    assert re.search(r"^midi:36  on +638\.3$", text, re.MULTILINE)
    assert re.search(r"^midi:36  off +718\.3$", text, re.MULTILINE)


def test_a_rehearsed_light_is_told_with_its_level_and_a_run_of_levels_by_its_ends() -> None:
    cue = plan(sounds=[sound()])
    levels = ((0.1, 0.25), (0.2, 0.5), (0.3, 0.75), (0.4, 1.0), (0.5, 0.0), (0.6, 0.5), (0.7, 0.0))
    commands = [(at_s, LightCommand(light="midi:36", level=level)) for at_s, level in levels]
    commands.insert(2, (0.25, LightCommand(light="midi:40", level=1.0)))
    rehearsed = replace(rehearse(cue, rate_hz=8000, presses=1), commands=tuple(commands))
    _, table, *_ = rehearsal_rows(rehearsed, cue)
    assert table.rows == (
        ("midi:36", "25 %", "100.0"),
        ("midi:40", "on", "250.0"),
        ("midi:36", "on, 2 steps left out", "400.0"),
        ("midi:36", "off", "500.0"),
        ("midi:36", "50 %", "600.0"),
        ("midi:36", "off", "700.0"),
    )


def test_what_goes_to_other_gear_is_told_with_its_delay() -> None:
    cue = replace(plan(), messages=to_other_gear())
    rows = {(row[0], row[3]): row[1] for row in plan_events(cue).rows}
    assert rows["go 12 lighting 1", "sent to other gear"] == "602.3"
    assert rows["go 12 lighting 1", "other gear acts"] == "642.3"
    assert rows["time code 25 begins", "sent to other gear"] == "0.0"
    assert rows["time code 25 ends", "sent to other gear"] == "1500.0"
    assert rows["cue ends", "at the guest"] == "1500.0"
    _, _, table, _ = rehearsal_rows(rehearse(cue, rate_hz=8000, presses=1), cue)
    assert table.rows == (("time code 25", "0.0"), ("go 12 lighting 1", "602.3"))


def test_a_remark_is_whole_where_there_is_room_for_it() -> None:
    cue = replace(plan(), delay_source="median of 11 measured pops of 'the crone in the attic' (release)")
    assert cue.delay_source not in plan_table(cue)
    assert cue.delay_source in plan_table(cue, 200)


names = st.text(st.characters(exclude_categories=("Cs", "Cc")), min_size=1, max_size=120)


@given(names, names, names)
def test_no_name_makes_a_table_wider_than_the_terminal(title: str, clip_name: str, light_name: str) -> None:
    text = plan_table(plan(title, sounds=[sound(clip_name)], lights=[light(light_name)]))
    assert max(columns(line) for line in text.splitlines()) <= WIDTH


@given(st.lists(st.tuples(names, st.floats(-1e6, 1e6)), min_size=1, max_size=8))
def test_numbers_stand_flush_right(rows: list[tuple[str, float]]) -> None:
    table = Table(
        caption="Anything",
        headers=("what", "ms"),
        rows=tuple((name, f"{value:.1f}") for name, value in rows),
    )
    lines = str(table).splitlines()[1:]
    assert len({columns(line) for line in lines}) == 1
    assert [line.split()[-1] for line in lines[2:]] == [f"{value:.1f}" for _, value in rows]


def test_tables_don_t_wait_for_the_picture_library() -> None:
    code = (
        "import sys, cuesync.report.tables; sys.exit('matplotlib' in sys.modules or 'scipy' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_what_starts_the_prop_stands_in_the_plan_and_in_the_rehearsal() -> None:
    """With a limit switch the output is off when that has not closed in its time, 5 s after the reset."""
    cue = plan(reset_s=5.0)
    drive = PlannedDrive(output="gpio:22", start_s=0.1, latest_start_s=0.1, delay_s=0.0, max_on_s=2.0)
    rows = {row[0]: row[1:] for row in plan_events(replace(cue, drive=drive)).rows}
    assert rows["gpio:22 on"][::2] == ("100.0", "the prop is started")
    assert rows["gpio:22 off"][::2] == ("2100.0", "its longest time is over")
    limited = replace(cue, drive=replace(drive, max_on_s=60.0), limit_contact="gpio:4")
    rows = {row[0]: row[1:] for row in plan_events(limited).rows}
    assert rows["gpio:22 off"][::2] == ("10000.0", "at the latest")
