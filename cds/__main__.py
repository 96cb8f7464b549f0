"""``python -m cds``: the command line, where the script ``nuque`` is not on the path."""

from cds.cli import main

main(prog_name="nuque")
