"""``retreat template``: blank tables, their dictionaries and Table Schema files."""

from __future__ import annotations

from pathlib import Path

import click

from retreat.cli.options import FILE


@click.command(epilog="Example: retreat template --out tables")
@click.option("--out", type=FILE, required=True, help="Folder to write into.")
def command(out: Path) -> None:
    """Write blank case and visit tables with their data dictionaries and Table Schema JSON."""
    from retreat.tables import write_templates

    for path in write_templates(out):
        print(path)
