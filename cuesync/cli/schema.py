"""`cuesync schema`."""

from __future__ import annotations

import json

import click


@click.command("schema")
def command() -> None:
    """Print the JSON schema of scene files, for editors that check TOML as it is typed."""
    from cuesync.scene.model import json_schema

    click.echo(json.dumps(json_schema(), indent=2, ensure_ascii=False))
