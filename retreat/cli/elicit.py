"""``retreat elicit``: priors from an operator's own words."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from retreat.cli.options import FILE, json_option, model_option, seed_option

if TYPE_CHECKING:
    from retreat.elicitation import Elicited


@click.command(
    epilog="Example: retreat elicit --template answers.csv, fill it in, then "
    "retreat elicit answers.csv --model core --out mine.toml"
)
@click.argument("answers", type=FILE, required=False)
@click.option("--template", type=FILE, help="Write an empty answers table to this new file instead.")
@click.option("--out", type=FILE, help="TOML file to write the new definition to.")
@model_option
@click.option(
    "--eyes-in-mind",
    type=click.FloatRange(0.0, 100.0, min_open=True),
    help="How many eyes of each kind the answers rest on, at most 100; default from how well they hang together. More "
    "draw the priors nearer to the answers, but all together never weigh more than 30 cases.",
)
@seed_option
@json_option
def command(
    answers: Path | None,
    template: Path | None,
    out: Path | None,
    definition: str,
    eyes_in_mind: float | None,
    seed: int,
    as_json: bool,
) -> None:
    """Turn ANSWERS (of 100 eyes like this, how many are done after 1, 2, 3 sessions) into priors.

    The new definition goes to retreat fit --model. The answers of an operator are an opinion, not cases.
    """
    from retreat.cli.folders import apart
    from retreat.cli.show import show_json
    from retreat.definitions import read_definition
    from retreat.elicitation import elicit, write_template

    if (answers is None) == (template is None):
        raise click.UsageError("give either ANSWERS or --template FILE")
    if template is not None:
        print(write_template(read_definition(definition), template))
        return
    if answers is None or out is None:
        raise click.UsageError("--out is needed with ANSWERS")
    apart(out, answers, Path(definition))
    found = elicit(answers, definition, seed=seed, eyes_in_mind=eyes_in_mind)
    from retreat.tables import write_atomically

    write_atomically(out, found.to_toml())
    if as_json:
        show_json({"file": str(out), **found.to_json()})
    else:
        _print(found, out)


def _print(found: Elicited, out: Path) -> None:
    from retreat.cli.show import show_table
    from retreat.elicitation.elicited import COUNTED_TWICE

    questions = found.answers.questions
    rows = [
        (
            eye.name,
            f"{found.base.ends[question.end].replace('_', ' ')} by session {question.session}",
            _given(found.answers.counts[i, q]),
            f"{found.fitted[i, q]:.0f}",
            f"{found.mean[i, q]:.0f} ({found.low[i, q]:.0f} to {found.high[i, q]:.0f})",
            f"{found.before_mean[i, q]:.0f}",
        )
        for i, eye in enumerate(found.answers.eyes)
        for q, question in enumerate(questions)
    ]
    headings = (
        "of 100 eyes like",
        "ended so",
        "answer",
        "new prior, middle",
        "mean (90% range)",
        "prior before, mean",
    )
    show_table(headings, rows)
    print(
        "The middle is for a usual operator, as the answers are. Means and ranges are for an operator not seen, as in "
        "retreat report priors; means lie nearer to 50."
    )
    print(f"Eyes in mind for each answer: {found.eyes_in_mind:.3g} ({found.eyes_in_mind_source}).")
    print(
        f"The new priors are worth about {found.effective_cases:.0f} cases in all, mixed like the eyes described "
        f"(before: about {found.effective_cases_before:.0f}): so many cases must be seen before they outweigh what was "
        "said."
    )
    print(COUNTED_TWICE)
    for note in found.notes:
        print(f"note: {note}")
    print(
        f"definition {found.definition.name} written to {out}; look at it with retreat report priors --model {out}"
    )


def _given(count: float) -> str:
    """An answer as given; empty where the question was left open."""
    return "" if count != count else f"{count:g}"
