"""``retreat report share``: one folder that may leave the clinic."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from retreat.cli.options import FILE, json_option, seed_option

if TYPE_CHECKING:
    from retreat.study.sharing.sharing import Shared


@click.command(
    epilog="Example: retreat report share cases.csv --visits visits.csv --model clinic.retreat "
    "--crosswalk private/crosswalk.csv --out shared"
)
@click.argument("cases", type=FILE)
@click.option("--visits", type=FILE, help="Visit table, to be shared with the cases.")
@click.option("--model", type=FILE, required=True, help="Saved model, shared and used for the twin.")
@click.option("--out", type=FILE, required=True, help="New folder to write.")
@click.option(
    "--crosswalk",
    type=FILE,
    required=True,
    help="File that keeps who is who. It stays in the clinic; the next run reads it for the same keys.",
)
@click.option(
    "--k",
    default=5,
    show_default=True,
    help="Fewest patients who must look alike: 5 is usual, 11 is what tables of counts hide below.",
)
@click.option(
    "--known",
    help="Columns others may know of a patient, the most useful to keep first: the fewer, the more is kept.  "
    "[default: cornea,lens,age,started,site,operator]",
)
@seed_option
@json_option
def share(
    cases: Path,
    visits: Path | None,
    model: Path,
    out: Path,
    crosswalk: Path,
    k: int,
    known: str | None,
    seed: int,
    as_json: bool,
) -> None:
    """Write one folder that may leave: de-identified CASES, their description, a synthetic twin, the model, checksums.

    Keys are drawn at random and kept in the crosswalk, which must stay behind. With it, the same call gives identical
    bytes.
    """
    import retreat
    from retreat.cli.progress import working
    from retreat.cli.show import show_json
    from retreat.cli.usage import told_by, wrong_usage
    from retreat.study.sharing.rule import KNOWN, Rule, check_seed
    from retreat.study.sharing.sharing import share as write

    names = KNOWN if known is None else tuple(name.strip() for name in known.split(",") if name.strip())
    with wrong_usage({"k": "--k", "known": "--known", "seed": "--seed"}, {"--seed": "leave it out for 1"}):
        rule = Rule(k, names)
        check_seed(seed)
    table = retreat.read_cases(cases)
    seen = None if visits is None else retreat.read_visits(visits, table)
    inputs = {"cases": cases, "model": model} | ({} if visits is None else {"visits": visits})
    with working("de-identifying, and checking the twin"), told_by({"cases": "CASES"}):
        done = write(
            table,
            retreat.load(model),
            out,
            crosswalk=crosswalk,
            visits=seen,
            rule=rule,
            seed=seed,
            inputs=inputs,
        )
    if as_json:
        show_json(done.to_json())
        return
    _print(done)


def _print(done: Shared) -> None:
    from retreat.cli.show import show_table
    from retreat.study.sharing.readme import TO_KEEP_MORE, TOGETHER

    print(
        f"{done.n_cases} cases of {done.n_patients} patients; at least {done.smallest} patients look alike."
    )
    print("Cells changed (exact counts: for the clinic, not for sharing):")
    rows = [
        [str(name), *map(str, row)]
        for name, row in zip(done.changes.index, done.changes.to_numpy(), strict=True)
    ]
    show_table(("column", *map(str, done.changes.columns)), rows)
    if "removed" in done.changes.columns:
        print(TO_KEEP_MORE)
    check = [
        (m.name, f"{m.found:.3f}", f"{m.expected:.3f}", f"{m.excess:.3f}", f"{m.tolerated:g}")
        for m in done.disclosure.measures
    ]
    if check:
        print("The twin held against the half it was made from, and the other:")
        show_table(("measure", "found", "expected", "excess", "tolerated"), check)
    if not done.twin_shared:
        print(f"The twin is NOT in the folder: {done.disclosure.why or 'a row of it is that of a case'}.")
    for note in done.notes:
        print(f"note: {note}")
    print(
        f"{'written' if done.is_new else 'unchanged, byte for byte'}: {done.folder} ({len(done.files)} files)"
    )
    print(
        f"kept: {done.crosswalk}, which must stay in the clinic; without it the keys cannot be given again."
    )
    print(TOGETHER)
