"""``retreat published``: a model from published averages, for a clinic without cases of its own."""

from __future__ import annotations

from pathlib import Path

import click

from retreat.cli.options import FILE, json_option, seed_option


@click.command(epilog="Example: retreat published --out published.retreat")
@click.option("--out", type=FILE, required=True, help="File to write the model to.")
@click.option(
    "--model",
    "definition",
    default="published",
    show_default=True,
    help="Shipped definition, or path of a TOML file, with studies.",
)
@seed_option
@json_option
def command(out: Path, definition: str, seed: int, as_json: bool) -> None:
    """Make a model from published averages alone and save it.

    It holds no case of this clinic, its ranges are wide, and every output says so. Fit your own cases as soon
    as there are enough.
    """
    import retreat
    from retreat.cli.folders import apart
    from retreat.cli.progress import working
    from retreat.cli.show import show_json

    apart(out, Path(definition) if definition.endswith(".toml") else None)
    with working("weighing published averages"):
        made = retreat.published(definition, seed=seed)
    made.save(out)
    if as_json:
        show_json({"model_id": made.model_id, "file": str(out), **made.card.to_json()})
        return
    for line in made.card.cautions:
        print(line)
    print(f"{made.card.title} ({made.card.name}, {made.card.method})")
    for note in made.card.notes:
        print(f"note: {note}")
    print(f"model {made.model_id} written to {out}")
