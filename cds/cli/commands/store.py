"""``nuque store``: bring the tables up to date, delete what is too old, export feedback and the audit trail."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import click

from cds.settings import Settings
from cds.storage.database import Store

_SINCE = click.option("--since", type=click.DateTime(), help="Only what is from this moment on (UTC).")


@click.group()
def store() -> None:
    """Look after the store (NUQUE_STORE_URL)."""


@store.command()
def upgrade() -> None:
    """Bring the tables up to date; nothing happens where they are."""
    with Store(Settings.load(), hurried=False) as opened:
        before, after = opened.bring_up_to_date()
        click.echo(f"tables: from {before or 'nothing'} to {after}")


@store.command()
@click.option("--at", type=click.DateTime(), help="Delete as if it were this moment (UTC); default: now.")
def purge(at: datetime | None) -> None:
    """Delete what is older than the NUQUE_KEEP_..._DAYS settings say."""
    from cds.storage.retention import purge as purge_store

    settings = Settings.load()
    with Store(settings, hurried=False) as opened:
        for table, count in purge_store(opened, settings, _utc(at) or datetime.now(UTC)).items():
            click.echo(f"{table}: {count} deleted")


@store.command(short_help="Export feedback or the audit trail.")
@click.argument("what", type=click.Choice(["feedback", "audit"]))
@click.option("--output", "-o", type=click.Path(dir_okay=False, path_type=Path), help="File; default: standard output.")
@click.option("--format", "form", type=click.Choice(["ndjson", "parquet"]), default="ndjson", show_default=True)
@_SINCE
def export(what: str, output: Path | None, form: str, since: datetime | None) -> None:
    """Export feedback (NDJSON or Parquet), or the audit trail as FHIR AuditEvents (NDJSON)."""
    from cds.storage import audit_log, feedback_export

    if form == "parquet" and (what != "feedback" or output is None):
        raise click.UsageError("--format parquet is for feedback, and needs --output FILE")
    settings = Settings.load()
    with Store(settings, hurried=False) as opened:
        if what == "feedback":
            found = feedback_export.rows(opened, _utc(since))
        else:
            found = audit_log.events(opened, _utc(since), settings.canonical_base)
        try:
            if form == "parquet" and output is not None:
                count = feedback_export.write_parquet(found, output)
            else:
                with click.open_file("-" if output is None else str(output), "w", encoding="utf-8") as file:
                    count = feedback_export.write_ndjson(found, file)
        except OSError as error:
            where = "standard output" if output is None else output
            raise feedback_export.ExportError(f"{where}: cannot be written: {error.strerror or error}") from error
    click.echo(f"{count} exported", err=True)


@store.command(short_help="By week: what silent mode would have shown.")
@click.option("--json", "as_json", is_flag=True, help="As JSON, one object a week and service.")
@_SINCE
def silent(as_json: bool, since: datetime | None) -> None:
    """By week: what silent mode (NUQUE_SILENT_MODE) would have shown, and how the collar orders agreed with it."""
    import json

    from cds.storage.silent_log import weeks

    with Store(Settings.load(), hurried=False) as opened:
        found = list(weeks(opened, _utc(since)))
    if as_json:
        for each in found:
            click.echo(json.dumps(each))
        return
    if not found:
        click.echo("no silent decision is kept", err=True)
    for each in found:
        cards = ", ".join(f"{count} {indicator}" for indicator, count in each["cards"].items())
        click.echo(f"{each['week']} {each['service']}: {each['calls']} calls for {each['patients']} patients")
        click.echo(f"    would have shown: {cards}")
        if each["with_order"]:
            differ = ", ".join(f"{name} {count}" for name, count in each["differ"].items()) or "none"
            click.echo(
                f"    collar orders: {each['with_order']}; with a size or item to compare: {each['compared']}; "
                f"of these agree {each['agree']}; differences: {differ}"
            )


def _utc(moment: datetime | None) -> datetime | None:
    return None if moment is None else moment.replace(tzinfo=UTC)
