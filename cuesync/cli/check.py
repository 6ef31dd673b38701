"""`cuesync check`."""

from __future__ import annotations

import sys
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from cuesync.cli.common import PathArgument, flash_fields, json_option, print_json, say, tell
from cuesync.counted import counted

if TYPE_CHECKING:
    from cuesync.care.noise import SceneNoise
    from cuesync.care.pace import Pace
    from cuesync.errors import Problem
    from cuesync.plan.plan import Plan
    from cuesync.scene.load import SceneFile


@dataclass(slots=True, kw_only=True)
class _Checked:
    """One file; `scene` is None for a profile, and where the scene can't be planned.

    `read` is False where there was nothing to look for mistakes in: no such file, a folder, no text.
    """

    path: Path
    kind: str
    read: bool = True
    problems: tuple[Problem, ...] = ()
    scene: tuple[SceneFile, Plan] | None = None
    cautions: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    noise: SceneNoise | None = None
    pace: Pace | None = None


@click.command("check")
@click.argument("scenes", nargs=-1, required=True, type=PathArgument, metavar="SCENE…")
@json_option
def command(scenes: tuple[Path, ...], as_json: bool) -> None:
    """Look for mistakes in scenes and for what could hurt people, without playing anything.

    Give all scenes of the night together: flashes that can be seen at one time add up, and so does noise.

    Exit code 0: all can be played. 1: there are problems; more flashes than people bear are one. Cautions
    alone don't count as problems. 2: a file can't be read at all; the others are looked at all the same.
    """
    from cuesync.care import FLASH_NOTICE, STANDING, plan_cautions
    from cuesync.care.flash import flashes_by_view
    from cuesync.care.flash_limit import flash_problems, flash_reasons
    from cuesync.care.noise import night_doses, scene_noise
    from cuesync.care.pace import scene_pace
    from cuesync.plan.fixtures import fixture_problems
    from cuesync.plan.messages import time_code_problems
    from cuesync.plan.together import clashes, started_together
    from cuesync.report.sentences import flash_sum_lines
    from cuesync.show.live import Controls

    files = [_read(path) for path in scenes]
    planned = [(checked, *checked.scene) for checked in files if checked.scene is not None]
    plans = [plan for _, _, plan in planned]
    views = flashes_by_view(plans)
    together = flash_problems(views, [(file, plan) for _, file, plan in planned])
    scene_files = [file for _, file, _ in planned]
    together += fixture_problems(scene_files) + time_code_problems(scene_files)
    together += tuple(
        scene_files[clash.place].problem(clash.key, clash.what, clash.todo)
        for clash in clashes(plans, Controls().contacts)
    )
    reasons = flash_reasons(views)
    for index, (checked, file, plan) in enumerate(planned):
        checked.problems = tuple(problem for problem in together if problem.file == str(file.path))
        noise, pace = scene_noise(plan), scene_pace(plan)
        checked.noise, checked.pace = noise, pace
        checked.cautions = plan_cautions(plan) + noise.cautions
        reason = (reasons[index],) if index in reasons else ()
        checked.notes = plan.remarks + reason + noise.notes + ((pace.text,) if pace else ())
    nights = night_doses([checked.noise for checked in files if checked.noise is not None])
    standing = (*STANDING, *((FLASH_NOTICE,) if any(plan.lights for plan in plans) else ()))
    if as_json:
        paths = [checked.path for checked, _, _ in planned]
        print_json(
            {
                "scenes": [_report(checked) for checked in files],
                "flashes": flash_fields(views, paths),
                "started_together": [
                    {"contact": contact, "scenes": [str(paths[place]) for place in places]}
                    for contact, places in started_together(plans)
                ],
                "noise": [{**asdict(night), "text": night.text} for night in nights],
                "standing_cautions": list(standing),
            }
        )
    else:
        for checked in files:
            _print(checked)
        for contact, places in started_together(plans):
            titles = ", ".join(plans[place].title for place in places)
            tell(f"note: {contact} starts {len(places)} scenes together: {titles}")
        for line in flash_sum_lines(views):
            tell(f"note: {line}")
        for night in nights:
            tell(f"{'caution' if night.too_much else 'note'}: {night.text}")
        say("\nBefore people come near:")
        for caution in standing:
            say(f"  * {caution}")
    if not all(checked.read for checked in files):
        sys.exit(2)
    sys.exit(1 if any(checked.problems for checked in files) else 0)


def _read(path: Path) -> _Checked:
    from cuesync.errors import FaultyFileError, InputError, Problem
    from cuesync.plan.resolve import resolve
    from cuesync.profile import looks_like_profile, prop_numbers, read_profile
    from cuesync.scene.load import read_scene

    checked = _Checked(path=path, kind="scene")
    try:
        if looks_like_profile(path):  # somebody wrote scenes/*.toml
            checked.kind = "prop profile"
            split = prop_numbers(read_profile(path).content).split
            if split is not None and split.split.another_prop:
                checked.cautions = (split.text,)
            elif split is not None:
                checked.notes = (split.text,)
        else:
            file = read_scene(path)
            checked.scene = (file, resolve(file))
    except FaultyFileError as error:
        checked.problems = error.problems
    except InputError as error:
        checked.read = False
        what = str(error).removeprefix(f"{path}: ")
        checked.problems = (Problem(file=str(path), line=None, key="", what=what, todo=""),)
    return checked


def _report(checked: _Checked) -> dict[str, Any]:
    return {
        "scene": str(checked.path),
        "kind": checked.kind,
        "problems": [{**asdict(problem), "message": str(problem)} for problem in checked.problems],
        "cautions": list(checked.cautions),
        "notes": list(checked.notes),
        "noise": None if checked.noise is None else asdict(checked.noise),
        "pace": None if checked.pace is None else asdict(checked.pace),
    }


def _print(checked: _Checked) -> None:
    use = "played" if checked.kind == "scene" else "used"
    count = len(checked.problems)
    if count:
        tell(f"{checked.path}: {counted(count, 'problem')}, can't be {use}")
    else:
        kind = "" if checked.kind == "scene" else f"{checked.kind}, "
        tell(f"{checked.path}: {kind}can be {use}")
    for problem in checked.problems:
        tell(f"  problem: {problem}")
    for caution in checked.cautions:
        tell(f"  caution: {caution}")
    for note in checked.notes:
        tell(f"  note: {note}")
