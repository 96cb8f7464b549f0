"""``nuque settings``: every setting of the service, its default and what it means."""

from __future__ import annotations

from typing import Any

import click
from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined

from cds.settings import GROUPS, Settings


@click.command()
@click.option("--markdown", is_flag=True, help="As a table, as in docs/settings.md.")
def settings(markdown: bool) -> None:
    """List the settings; each is an environment variable."""
    for title, names in _grouped().items():
        click.echo(f"## {title}\n" if markdown else f"{title}:")
        if markdown:
            click.echo("| variable | default | meaning |\n|---|---|---|")
        for name in names:
            field = Settings.model_fields[name]
            variable, default = f"NUQUE_{name.upper()}", _default(field)
            if markdown:
                click.echo(f"| `{variable}` | {f'`{default}`' if default else ''} | {_sentence(field)} |")
            else:
                click.echo(f"  {variable}{f' ({default})' if default else ''}\n      {_sentence(field)}")
        click.echo()


def _grouped() -> dict[str, list[str]]:
    groups = {title: list(group.model_fields) for title, group in GROUPS.items()}
    taken = {name for names in groups.values() for name in names}
    return {"Content and address": [name for name in Settings.model_fields if name not in taken], **groups}


def _sentence(field: FieldInfo) -> str:
    text = field.description or ""
    return (text[:1].upper() + text[1:]).replace("|", "\\|")


def _default(field: FieldInfo) -> str:
    value: Any = field.default
    if value in (None, PydanticUndefined, ()):
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    return ",".join(value) if isinstance(value, tuple) else str(value)
