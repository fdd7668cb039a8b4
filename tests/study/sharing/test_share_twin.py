"""The twin: drawn from the law it states, marked invented; and its check finds copies."""

from __future__ import annotations

import random
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from retreat.errors import FitError
from retreat.study.sharing import crosswalk
from retreat.study.sharing.deidentified import deidentified
from retreat.study.sharing.disclosure import compared, disclosure_of, identical_rows, together
from retreat.study.sharing.rule import KNOWN, Rule
from retreat.study.sharing.twin import drawn, learned
from retreat.tables import as_cases


@pytest.fixture(scope="module")
def table(clinic):
    # keys of one seed, so that the verdicts below are those of one table
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(crosswalk.secrets, "choice", random.Random(1).choice)
        return deidentified(clinic.cases, None, crosswalk.Crosswalk(), Rule()).cases


@pytest.fixture(scope="module")
def twin(clinic, table):
    # many rows, so that shares are told apart from chance
    return as_cases(drawn(learned(table), clinic.model, 6000, np.random.default_rng(5)))


def test_a_twin_is_a_sound_table_and_says_it_is_invented(twin):
    assert twin.attrs["invented"]
    assert set(twin["site"]) == {"invented_twin"}


def test_kinds_and_missing_values_are_as_frequent(table, twin):
    for kind, share in table["opacity"].value_counts(normalize=True).items():
        # shares are of counts to the nearest five of 300, and 6000 rows have a standard error below .007
        assert (twin["opacity"] == kind).mean() == pytest.approx(share, abs=0.03)
    for name in ("axial_mm", "sphere_d", "age"):
        assert twin[name].isna().mean() == pytest.approx(table[name].isna().mean(), abs=0.05)


def test_numbers_follow_the_kind(table, twin):
    for kind in ("ring", "cloud"):
        there, here = (t.loc[t["opacity"] == kind, "size_mm"].median() for t in (table, twin))
        assert here == pytest.approx(there, rel=0.1)


def test_courses_are_those_of_the_model(clinic, table):
    law = replace(learned(table), lost=0.0)
    twin = as_cases(drawn(law, clinic.model, 6000, np.random.default_rng(6)))

    by_two = clinic.model.expected(twin, horizon=2)[:, :, 1].mean(axis=0)

    for place, end in enumerate(("relieved", "stopped")):
        found = ((twin["ending"] == end) & (twin["sessions"] <= 2)).mean()
        # features made missing after the course was drawn move the mean a little; four standard errors
        assert found == pytest.approx(by_two[place], abs=0.03)


def test_loss_to_follow_up_is_as_frequent(clinic, table):
    law = replace(learned(table), lost=0.3)
    twin = as_cases(drawn(law, clinic.model, 6000, np.random.default_rng(7)))

    first = twin["sessions"].eq(1) & twin["ending"].eq("ongoing")
    went_on = twin["sessions"].gt(1) | first

    assert first.sum() / went_on.sum() == pytest.approx(0.3, abs=0.04)


def test_eyes_of_a_patient_share_what_both_share(twin):
    both = twin[twin["patient"].duplicated(keep=False)]

    assert both.groupby("patient")["eye"].nunique().eq(2).all()
    assert both.groupby("patient")["age"].nunique().le(1).all()


def test_a_model_of_other_ends_is_refused(clinic, table):
    card = replace(clinic.model.card, ends=("second",))

    with pytest.raises(FitError, match="a model of the whole course"):
        drawn(learned(table), replace(clinic.model, card=card), 10, np.random.default_rng(1))


def test_an_honest_twin_passes(clinic, table):
    check = disclosure_of(table, clinic.model, KNOWN, 1)

    assert check.passed, check.why
    assert check.ratio_twin == pytest.approx(check.ratio_expected, abs=0.1)


def halves(table: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    begun = table[table["sessions"] > 0].reset_index(drop=True)
    return begun.iloc[:140].reset_index(drop=True), begun.iloc[140:280].reset_index(drop=True)


def test_a_twin_that_copies_is_found_by_each_way_of_looking(table):
    first, other = halves(table)
    copied = first.sample(len(first), replace=True, random_state=1).reset_index(drop=True)

    check = together([compared(copied, first, other, KNOWN)])

    failed = {m.name for m in check.measures if not m.passed}
    assert {"twin rows like a case in everything", "right guesses of pvd from the nearest twin row"} <= failed
    assert any("nearer" in name for name in failed)
    assert check.ratio_twin == 0.0
    assert "more than expected" in check.why


def test_a_twin_of_which_one_row_in_twenty_is_copied_is_found(clinic, table):
    first, other = halves(table)
    mixed = drawn(learned(first), clinic.model, len(first), np.random.default_rng(2))
    mixed.iloc[:7] = first.iloc[:7].to_numpy()
    mixed = as_cases(
        mixed.assign(
            case=[f"t{i:03d}xq" for i in range(len(mixed))],
            patient=[f"u{i:03d}xq" for i in range(len(mixed))],
        )
    )

    check = compared(mixed, first, other, KNOWN)

    assert not check.passed
    assert identical_rows(mixed, first) == 7


def test_too_few_patients_cannot_be_checked(clinic, table):
    check = disclosure_of(table.iloc[:40], clinic.model, KNOWN, 1)

    assert not check.passed
    assert "fewer than 50 patients" in check.why
    assert check.to_json()["ratio_twin"] is None
