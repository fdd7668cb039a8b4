"""Observed incidence against other software; recipe of the numbers in validation_recipe.py."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from retreat.validation import aalen_johansen

DATA = Path(__file__).parent / "data"
# Singer and Willett 2003, Table 11.1, as reprinted on the UCLA page of textbook examples, 4 decimals: shares
# in treatment (here: without the event) and their standard errors, grades 7 to 12
SINGER_WILLETT = {
    "pt=0": (
        [0.9722, 0.9444, 0.8333, 0.7222, 0.5833, 0.4722],
        [0.0194, 0.0270, 0.0439, 0.0528, 0.0581, 0.0588],
    ),
    "pt=1": (
        [0.8796, 0.8333, 0.6852, 0.4907, 0.3519, 0.1852],
        [0.0313, 0.0359, 0.0447, 0.0481, 0.0460, 0.0374],
    ),
}


@pytest.fixture(scope="module")
def observed():
    boys = pd.read_csv(DATA / "validation_first_sex.csv")
    groups = {
        "pt=0": boys.parental_transition == 0,
        "pt=1": boys.parental_transition == 1,
        "all": boys.grade > 0,
    }
    found = {
        f"first_sex {name}": aalen_johansen(boys.grade[chosen] - 6, 1 - boys.censor[chosen])
        for name, chosen in groups.items()
    }
    counts = pd.read_csv(DATA / "unempdur_counts.csv")
    found["unempdur"] = aalen_johansen(counts.spell, counts.cause, weights=counts.n)
    return found


@pytest.mark.parametrize(
    "row",
    list(pd.read_csv(DATA / "validation_incidence.csv").itertuples()),
    ids=lambda row: f"{row.data} {row.end} {row.session} {row.quantity}",
)
def test_observed_incidence_agrees_with_other_software(observed, row):
    values = getattr(observed[row.data], row.quantity)
    at_session = values[..., row.session - 1]

    found = at_session if at_session.ndim == 0 else at_session[row.end - 1]

    assert found == pytest.approx(row.value, abs=1e-9)


@pytest.mark.parametrize("group", SINGER_WILLETT)
def test_observed_shares_agree_with_the_printed_life_table(observed, group):
    shares, errors = SINGER_WILLETT[group]
    found = observed[f"first_sex {group}"]

    # printed to 4 decimals
    np.testing.assert_allclose(found.in_treatment, shares, atol=6e-5, rtol=0)
    np.testing.assert_allclose(found.in_treatment_standard_error, errors, atol=6e-5, rtol=0)


def test_one_minus_kaplan_meier_of_one_end_overstates_its_incidence():
    counts = pd.read_csv(DATA / "unempdur_counts.csv")

    competing = aalen_johansen(counts.spell, counts.cause, weights=counts.n)
    naive = aalen_johansen(counts.spell, counts.cause == 1, weights=counts.n)

    # the other ends taken for losses, product over periods by pandas counts (8 decimals)
    assert naive.incidence[0, 9] == pytest.approx(0.37018332, abs=5e-9)
    assert naive.incidence[0, 9] > competing.incidence[0, 9] + 0.05
