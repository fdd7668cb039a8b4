"""The README of a shared folder: what is in it, what was done to it, what it does not protect from."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from retreat.study.sharing.changes import WAYS, ways_of
from retreat.study.sharing.disclosure import Disclosure
from retreat.study.sharing.rule import Rule
from retreat.study.sharing.shared_model import WITHOUT, rests_on_no_case
from retreat.study.sharing.twin import TwinLaw

if TYPE_CHECKING:
    from retreat.model import Model

# said where the folder is made and where it is read
TOGETHER = (
    "Tables published from the same eyes with counts hidden can be undone by who has both: give one reader one of "
    "them, or use --k 11."
)
# said in both places too
TO_KEEP_MORE = (
    "To keep more, name fewer columns or put the most useful first by --known: columns are shown in that order, each "
    "as far as enough patients still look alike. Leave out only what others cannot know of a patient: a column that is "
    "not named is shown unless rare, but operator and site are then not told at all."
)
_FILES = {
    "cases.csv": "one row a case, de-identified",
    "cases_dictionary.csv": "what each column of cases and of the twin means, its unit and what it may hold",
    "cases_schema.json": "the same for programs (Table Schema, Data Package standard version 2)",
    "changes.csv": "cells changed, by column and way",
    "model.retreat": "the fitted model: parameters, no rows; `retreat forecast` and `retreat sheet` read it",
    "provenance.json": "the program, the rule, the seed, the check of the twin",
    "twin_cases.csv": "INVENTED cases like these, for trying programs on",
    "visits.csv": "one row a session, de-identified",
    "visits_dictionary.csv": "what each column of visits means",
    "visits_schema.json": "the same for programs",
    "README.md": "this text",
    "SHA256SUMS": "checksums; `sha256sum -c SHA256SUMS` tells whether a file was changed",
}


@dataclass(frozen=True)
class Told:
    """What the README tells.

    Parameters
    ----------
    n_cases, n_patients : int
        Of the shared table.
    invented : bool
        Whether the clinic's table is invented.
    rule : Rule
        Who must look alike.
    smallest : int
        Fewest patients who share a combination, as counted.
    account : sequence of dict
        Rows of changes.csv.
    model : Model
        As shared.
    model_shared : bool
        Whether it is in the folder.
    law : TwinLaw
        Of the twin.
    disclosure : Disclosure
        Its check.
    identical : int
        Twin rows equal to a case in everything.
    twin_shared : bool
        Whether the twin is in the folder.
    made_by : mapping
        Versions.
    notes : sequence of str
        What else a reader should know.
    """

    n_cases: int
    n_patients: int
    invented: bool
    rule: Rule
    smallest: int
    account: Sequence[Mapping[str, str]]
    model: Model
    model_shared: bool
    law: TwinLaw
    disclosure: Disclosure
    identical: int
    twin_shared: bool
    made_by: Mapping[str, Any]
    notes: Sequence[str]


def readme(told: Told, files: Sequence[str]) -> str:
    """The text.

    Parameters
    ----------
    told : Told
        What is told.
    files : sequence of str
        Names in the folder.
    """
    parts = (
        _opening(told),
        _contents(files),
        _rules(told),
        _limits(),
        _twin(told),
        _model(told),
        _origin(told),
    )
    return "\n".join(line for part in parts for line in (*part, "")).rstrip() + "\n"


def _opening(told: Told) -> Iterator[str]:
    yield "# Laser treatment of vitreous opacities: a shared case series"
    yield ""
    if told.invented:
        yield "**These data are invented demonstration data. They must never be used with a patient.**"
        yield ""
    yield f"{told.n_cases} cases of {told.n_patients} patients. One case is all sessions of one eye for one complaint."


def _contents(files: Sequence[str]) -> Iterator[str]:
    yield "## Files"
    for name in sorted({*files, "README.md", "SHA256SUMS"}):
        yield f"- `{name}`: {_FILES[name]}"


def _rules(told: Told) -> Iterator[str]:
    k = told.rule.k
    yield "## What was done to the tables"
    yield (
        "- Keys of cases and patients, codes of operators and sites: drawn anew at random. What they "
        "stand for is in a crosswalk that stayed in the clinic; neither the old keys nor the seed give it "
        "back. Rows stand in the order of the new keys, which is none."
    )
    yield "- Dates: the year of the first session at most; sessions by days since the first. Ages above 89 are 90."
    yield f"- Rule, k = {k}: {told.rule.words()} Counted in the table as it is here: at least {told.smallest}."
    yield (
        f"- Words that fewer than {k} patients have are not_recorded (a reason to stop: unknown), "
        f"and so are further ones, so that no such word stands alone behind it. Numbers "
        f"beyond those of the {k} lowest or highest patients were moved to the {k}th. sphere_d is rounded "
        "to 1, axial_mm and pupil_mm to 0.5."
    )
    yield f"- Courses longer than at least {k} patients had are told up to there, as ongoing: censored, not relieved."
    yield "- An operator of a visit is told only where it is the operator told for the case."
    yield "- Missing numbers: one code, not_recorded, whatever the clinic's table said."
    if any(row.get("removed") not in (None, "0") for row in told.account):
        yield f"- {TO_KEEP_MORE}"
    if told.account:
        yield ""
        yield 'Cells changed ("few": fewer than 11; what was missing before is not counted):'
        yield ""
        ways = ways_of([dict(row) for row in told.account])
        yield "| column | " + " | ".join(ways) + " |"
        yield "|---" * (len(ways) + 1) + "|"
        for row in told.account:
            yield f"| {row['column']} | " + " | ".join(row[way] for way in ways) + " |"
        yield ""
        for way in ways:
            yield f"- {way}: {WAYS[way]}"
    for note in told.notes:
        yield f"- {note}"


def _limits() -> Iterator[str]:
    yield "## What this does not protect from"
    yield (
        "- Columns outside the rule (the opacity, measures, ratings, the course, days between sessions) "
        "still differ from patient to patient. Whoever holds another record with them, such as the "
        "clinic's own, can find a row. So the cases are for readers under an agreement not to try; "
        "whether days may leave is for a privacy officer."
    )
    yield "- Patients who look alike may all have the same course: then knowing the group tells it."
    yield "- A second folder from the same crosswalk has the same keys, and the two can be joined."
    yield (
        f"- Small counts are not hidden in the rows themselves. {TOGETHER} A study report hides counts below 11, which "
        "the rows here can give back. With k = 11 no word that fewer than 11 patients have is told, nor what fewer "
        "share of what others may know; what columns tell together still stands in the rows."
    )
    yield "- Tables made from the rows follow the reader's own rule."


def _twin(told: Told) -> Iterator[str]:
    yield "## The twin"
    check = told.disclosure
    if not told.twin_shared:
        yield f"No twin is in this folder: {check.why or 'a row of it is that of a case'}."
    else:
        yield (
            "**INVENTED.** Its rows are nobody's; site `invented_twin` says so. For trying programs on "
            "and for teaching, not for findings and never for a patient."
        )
    yield (
        "Law: kinds of opacity by their share; each other feature by its distribution within the kind "
        "(twenty quantiles, shares to five cases), independent of the others; the zone and the gaps from "
        f"depth; sessions and ending from the fitted model ({told.model.card.name} {told.model.model_id}); "
        f"a chance of {told.law.lost:g} to be lost after a session; relief afterwards and the reason to "
        "stop by the ending. So associations between features within a kind, and between two eyes in how "
        "they fare, are not in it. It is learned from cases.csv here and the model alone."
    )
    yield (
        "Check: the patients were halved at random, several times; a twin of each half was held against "
        "that half and against the other, which it cannot have copied. Excess is (found - expected) / (1 - "
        "expected): 0 gives nothing away, 1 all."
    )
    if check.measures:
        yield ""
        yield "| measure | found | expected | excess | tolerated | passed |"
        yield "|---|---|---|---|---|---|"
        for m in check.measures:
            passed = "yes" if m.passed else "NO"
            yield (
                f"| {m.name} | {m.found:.3f} | {m.expected:.3f} | {m.excess:.3f} | {m.tolerated:g} | "
                f"{passed} |"
            )
        yield ""
        yield (
            f"Distance to the nearest case over that to the second nearest, median: {check.ratio_twin:.2f} "
            f"of twin rows, {check.ratio_expected:.2f} of cases of the other half (near 0: copies). Rows "
            f"of the twin equal to a case in everything: {told.identical}. The hazard model was not fitted "
            "anew in the halves."
        )


def _model(told: Told) -> Iterator[str]:
    card = told.model.card
    yield "## The model"
    for line in card.cautions:
        yield f"**{line}**"
    if not told.model_shared:
        yield f"{WITHOUT}. What follows is of the model that the twin was drawn with."
    named = f"{card.title} ({card.name} {told.model.model_id}, {card.method})"
    if rests_on_no_case(told.model):
        yield f"{named}: it rests on no case, neither of this table nor of another; the lines above say on what."
    else:
        yield (
            f"{named}, fitted to about {card.n_cases} cases of {card.n_patients} patients, of the clinic's own table "
            "as it was before the changes above: a fit to cases.csv comes out different, most of all in what few "
            "patients have: there an effect can move by a standard error."
        )
    yield (
        "Its card was made coarse for sharing: counts below 11 are 0, others are the multiple of five below them, and "
        'notes say "fewer than 11". Its forecasts are those of the clinic\'s own.'
    )
    yield (
        "Counselling support, not a decision to treat and not a promise; a group estimate cannot say "
        "which patient you are. Treatment is for a licensed ophthalmologist under local rules."
    )


def _origin(told: Told) -> Iterator[str]:
    made = told.made_by
    yield "## Made by"
    yield (
        f"{made['program']} {made['version']}, code SHA-256 {made['code_sha256']}; Python {made['python']}; "
        + ", ".join(f"{name} {number}" for name, number in made["libraries"].items())
        + ". The same tables, crosswalk, model, rule, seed and versions give these bytes again."
    )
