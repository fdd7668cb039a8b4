"""``retreat fit``: from a case table to a saved model."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from retreat.cli.options import FILE, json_option, method_option, model_option, seed_option


@click.command(epilog="Example: retreat fit cases.csv --model core --method logistic --out clinic.retreat")
@click.argument("cases", type=FILE)
@click.option("--out", type=FILE, required=True, help="File to write the model to.")
@click.option(
    "--visits",
    type=FILE,
    help="Visit table, for a model that learns from what each session did; default the one in an SQLite file of CASES.",
)
@model_option
@method_option
@seed_option
@click.option("--penalty", help="Logistic: prior (default), firth, cv, or a ridge strength (0 is none).")
@click.option("--sampler", help="Bayes: auto (default: the fast one where it passes its checks) or nuts.")
@click.option("--effects", type=FILE, help="Also write the table of effects as CSV.")
@json_option
def command(
    cases: Path,
    out: Path,
    visits: Path | None,
    definition: str,
    method: str | None,
    seed: int,
    penalty: str | None,
    sampler: str | None,
    effects: Path | None,
    as_json: bool,
) -> None:
    """Fit a model to the table CASES and save it."""
    import sys

    import retreat
    from retreat.cli.beside import visits_of
    from retreat.cli.folders import apart
    from retreat.cli.progress import working
    from retreat.cli.show import show_json

    apart(out, cases, visits)
    settings: dict[str, Any] = {} if penalty is None else {"penalty": _penalty(penalty)}
    if sampler is not None:
        settings["sampler"] = sampler
    table = retreat.read_cases(cases)
    beside = visits_of(cases, visits)
    seen = None if beside is None else retreat.read_visits(beside, table)
    with working("fitting"):
        fitted = retreat.fit(table, definition, visits=seen, method=method, seed=seed, **settings)  # type: ignore[arg-type]  # checked inside
    if visits is not None and fitted.history is None:
        print(f"{fitted.card.name} does not learn from visits: they were checked, not used", file=sys.stderr)
    fitted.save(out)
    if effects is not None:
        from retreat.tables import write_atomically

        write_atomically(effects, fitted.effects().to_csv(index=False, lineterminator="\n"))
    if as_json:
        show_json({"model_id": fitted.model_id, "file": str(out), **fitted.card.to_json()})
        return
    _report(fitted, out)


def _report(fitted: Any, out: Path) -> None:
    from retreat.cli.show import show_table

    card = fitted.card
    for line in card.cautions:
        print(line)
    ended = ", ".join(f"{n} {end}" for end, n in card.n_ended.items())
    print(f"{card.title} ({card.name}, {card.method})")
    print(f"{card.n_cases} cases of {card.n_patients} patients: {ended}; up to {card.max_session} sessions")
    for note in card.notes:
        print(f"note: {note}")
    table = fitted.effects()
    if len(table):
        rows = [
            (r.end, r.column, f"{r.ratio:.2f}", f"{r.low:.2f} to {r.high:.2f}") for r in table.itertuples()
        ]
        show_table(("end", "column", "odds ratio", "90% interval"), rows)
    print(f"model {fitted.model_id} written to {out}")


def _penalty(text: str) -> float | str:
    try:
        return float(text)
    except ValueError:
        return text
