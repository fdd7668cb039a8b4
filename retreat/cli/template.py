"""``retreat template``: blank tables, their dictionaries and Table Schema files."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

EXAMPLE = "Example: retreat template --out tables"


def command(out: Annotated[Path, typer.Option(help="Folder to write into.", show_default=False)]) -> None:
    """Write blank case and visit tables with their data dictionaries and Table Schema JSON."""
    from retreat.tables import write_templates

    for path in write_templates(out):
        print(path)
