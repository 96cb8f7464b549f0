"""The command line: ``nuque``, a thin shell over the same decision that the service returns."""

import click

from cds import __version__


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="nuque")
def main() -> None:
    """Decision support for fitting rigid neck collars."""
