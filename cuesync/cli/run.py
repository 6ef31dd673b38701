"""`cuesync run`."""

from __future__ import annotations

import gc
import os
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO

import click

from cuesync.cli.common import PathArgument, network_options, port_options, say, sound_input_option
from cuesync.ending import END_SIGNALS, ignore_signals, on_signals

if TYPE_CHECKING:
    from cuesync.show.sound_child import SoundChild


@click.command("run")
@click.argument("scenes", nargs=-1, required=True, type=PathArgument, metavar="SCENE…")
@port_options
@click.option(
    "--log-folder",
    type=PathArgument,
    default=Path("cuesync-nights"),
    show_default=True,
    help="Where the night's log goes; a new file each time.",
)
@click.option(
    "--status-json",
    type=click.File("a", encoding="utf-8"),
    metavar="FILE|-",
    help="Add a line of JSON whenever something happens, for other programs; - is stdout.",
)
@click.option(
    "--without-lights",
    is_flag=True,
    help="Leave out all flashes, and what goes to other gear, where nothing is wired yet.",
)
@click.option(
    "--stop-contact",
    "stop_contacts",
    multiple=True,
    metavar="CONTACT",
    help='A contact that stops all, beside the Enter key, as "midi:1:20"; may be given several times. '
    'With " nc" at its end (normally closed) a broken wire stops all too.',
)
@click.option(
    "--house-light",
    "house_lights",
    multiple=True,
    metavar="LIGHT",
    help='A light that comes on when all is stopped, as "midi:50"; may be given several times.',
)
@click.option(
    "--e131-to",
    default="127.0.0.1",
    show_default=True,
    metavar="HOST|multicast",
    help="Where DMX (E1.31) goes; only this computer if not given. multicast:ADDRESS leaves by the network "
    "card with this IPv4 address.",
)
@click.option(
    "--e131-priority",
    type=click.IntRange(0, 200),
    default=100,
    show_default=True,
    help="Of several senders of one universe the highest wins.",
)
@network_options
@sound_input_option
def command(
    scenes: tuple[Path, ...],
    device: str | None,
    midi_in: str | None,
    midi_out: str | None,
    log_folder: Path,
    status_json: TextIO | None,
    without_lights: bool,
    stop_contacts: tuple[str, ...],
    house_lights: tuple[str, ...],
    **network: Any,
) -> None:
    """Arm the scenes, and play each one's cue whenever its contact closes, until Ctrl-C.

    Presses while a prop resets are refused and counted. In the terminal, Enter stops all sound and light, and
    cuts the props that cuesync starts; then 1 and after it 2 arm the scenes again. This is no emergency stop.
    """
    from cuesync.show import sound_child

    child = sound_child.SoundChild()  # first of all: it looks for the sound card while the scenes are read
    gc.disable()  # all that is loaded now stays; the show begins with collecting garbage
    try:
        hangs = _play(
            child,
            scenes,
            device,
            midi_in,
            midi_out,
            log_folder,
            status_json=status_json,
            without_lights=without_lights,
            stop_contacts=stop_contacts,
            house_lights=house_lights,
            network=network,
        )
    finally:
        gc.enable()
        child.kill()
    if hangs:
        os._exit(0)  # Python would wait for it for ever; all else has ended in order


def _play(
    child: SoundChild,
    scenes: tuple[Path, ...],
    device: str | None,
    midi_in: str | None,
    midi_out: str | None,
    log_folder: Path,
    *,
    status_json: TextIO | None,
    without_lights: bool,
    stop_contacts: tuple[str, ...],
    house_lights: tuple[str, ...],
    network: dict[str, Any],
) -> bool:
    """Play the night; True where a screen or reader still hangs after it."""
    from cuesync.scene.load import read_scene

    files = [read_scene(path) for path in scenes]
    channels = max(file.content.highest_output for file in files)
    if channels:
        child.open(device, channels)
    # only now: the card is being opened meanwhile
    from cuesync.care import FLASH_NOTICE, plan_cautions
    from cuesync.care.flash import flashes_by_view
    from cuesync.care.flash_limit import flash_problems, flash_reasons
    from cuesync.care.noise import scene_noise
    from cuesync.cli.screen import outlets
    from cuesync.devices.contact_addresses import parse_switch
    from cuesync.devices.light_addresses import parse_light
    from cuesync.devices.opening import PortSettings
    from cuesync.errors import FaultyFileError
    from cuesync.plan.fixtures import fixture_problems
    from cuesync.plan.lights import on_network
    from cuesync.plan.messages import time_code_problems
    from cuesync.plan.resolve import resolve
    from cuesync.show.live import Controls, run_show

    for contact in stop_contacts:
        parse_switch(contact)
    for light in house_lights:
        parse_light(light)
    plans = [resolve(file) for file in files]
    if without_lights:
        plans = [plan.without_lights(house_lights) for plan in plans]
    views = flashes_by_view(plans)
    together = flash_problems(views, list(zip(files, plans, strict=True))) + fixture_problems(files)
    if not without_lights:
        together += time_code_problems(files)
    if together:
        raise FaultyFileError(together)
    for index, reason in flash_reasons(views).items():
        plans[index] = replace(plans[index], notes=(*plans[index].notes, reason))
    if any(plan.lights for plan in plans):
        say(f"Caution: {FLASH_NOTICE}")
    for plan in plans:
        for caution in plan_cautions(plan) + scene_noise(plan).cautions:
            say(f"Caution: {plan.title}: {caution}")
    lights = [light for plan in plans for light in plan.light_addresses]
    if any(on_network(light) for light in (*lights, *house_lights)):
        where = network["e131_to"]
        say(f"DMX goes to {where} by E1.31; --e131-to HOST or --e131-to multicast changes that.")
    told = outlets([plan.title for plan in plans], status_json)

    def give_up() -> None:
        """For Ctrl-C before the night; just after it, people still press it until they see the prompt."""
        if not any(outlet.ended for outlet in told):
            raise KeyboardInterrupt

    with on_signals(("SIGINT",), give_up):
        run_show(
            plans,
            device=device,
            settings=PortSettings(midi_in=midi_in, midi_out=midi_out, **network),
            log_folder=log_folder,
            outlets=told,
            controls=Controls(stop=("key:enter", *stop_contacts), house_lights=house_lights),
            sound_child=child,
        )
        if any(outlet.ended for outlet in told):
            ignore_signals(("SIGINT", *END_SIGNALS))
    return any(outlet.hangs for outlet in told)
