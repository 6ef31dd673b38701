"""`cuesync check`."""

from __future__ import annotations

import sys
from dataclasses import asdict
from pathlib import Path

import click

from cuesync.cli.common import PathArgument, json_option, print_json, say


@click.command("check")
@click.argument("scenes", nargs=-1, required=True, type=PathArgument, metavar="SCENE…")
@json_option
def command(scenes: tuple[Path, ...], as_json: bool) -> None:
    """Look for mistakes in scenes and for what could hurt people, without playing anything.

    Exit code 0: all can be played. 1: there are problems. Cautions alone don't count as problems.
    """
    from cuesync.care import FLASH_NOTICE, STANDING, plan_cautions
    from cuesync.errors import FaultyFileError, InputError, Problem
    from cuesync.plan.resolve import resolve
    from cuesync.profile import looks_like_profile, read_profile
    from cuesync.scene.load import read_scene

    reports: list[dict[str, object]] = []
    problems: list[Problem] = []
    any_flash = False
    for path in scenes:
        found: tuple[Problem, ...] = ()
        cautions: tuple[str, ...] = ()
        notes: tuple[str, ...] = ()
        kind = "scene"
        try:
            if looks_like_profile(path):  # somebody wrote scenes/*.toml
                kind = "prop profile"
                read_profile(path)
            else:
                plan = resolve(read_scene(path))
                cautions, notes = plan_cautions(plan), plan.remarks
                any_flash = any_flash or bool(plan.lights)
        except FaultyFileError as error:
            found = error.problems
        except InputError as error:
            found = (
                Problem(
                    file=str(path), line=None, key="", what=str(error).removeprefix(f"{path}: "), todo=""
                ),
            )
        problems += found
        reports.append(
            {
                "scene": str(path),
                "kind": kind,
                "problems": [{**asdict(problem), "message": str(problem)} for problem in found],
                "cautions": list(cautions),
                "notes": list(notes),
            }
        )
        if not as_json:
            _print_scene(path, kind, found, cautions, notes)
    standing = (*STANDING, *((FLASH_NOTICE,) if any_flash else ()))
    if as_json:
        print_json({"scenes": reports, "standing_cautions": list(standing)})
    else:
        say("\nBefore people come near:")
        for caution in standing:
            say(f"  * {caution}")
    sys.exit(1 if problems else 0)


def _print_scene(
    path: Path, kind: str, problems: tuple[object, ...], cautions: tuple[str, ...], notes: tuple[str, ...]
) -> None:
    use = "played" if kind == "scene" else "used"
    if problems:
        click.echo(f"{path}: {len(problems)} problem{'s' if len(problems) != 1 else ''}, can't be {use}")
    else:
        click.echo(f"{path}: {'' if kind == 'scene' else f'{kind}, '}can be {use}")
    for problem in problems:
        click.echo(f"  problem: {problem}")
    for caution in cautions:
        click.echo(f"  caution: {caution}")
    for note in notes:
        click.echo(f"  note: {note}")
