"""Elicited definitions: what they write, that they can be fitted, and how many cases they are worth."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from answered import CODING, CORE, ROWS, shares, table, told_by, widened
from clinics import clinic
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

import retreat
import synthetic
from retreat.definitions import read_definition
from retreat.elicitation import Elicited, elicit
from retreat.elicitation.answers import checked_answers
from retreat.elicitation.eyes import Eye, eyes_to_ask
from retreat.elicitation.implied import implied
from retreat.errors import FitError
from retreat.fitting.prior_draws import prior_draws, stated_coding


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> Elicited:
    return elicit(table(tmp_path_factory.mktemp("told"), *ROWS), "core", seed=1, date="2026-02-03")


def test_the_file_reads_back_as_the_definition(found: Elicited, tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(found.to_toml(), encoding="utf-8")

    assert read_definition(path) == found.definition
    assert found.definition.name == "core_elicited"


def test_it_is_fitted_like_any_definition(found: Elicited, tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(found.to_toml(), encoding="utf-8")

    model = retreat.fit(clinic(cases=60), path, draws=100)

    assert "priors elicited on 2026-02-03" in model.card.title


def test_every_new_prior_says_where_it_comes_from_and_what_was_there_before(found: Elicited) -> None:
    text = found.to_toml()
    cloud = next(p for p in found.definition.entries[0].prior if (p.level, p.end) == ("cloud", "relieved"))

    assert text.startswith("# Priors elicited")
    assert "widened to weigh 30 cases in all" in cloud.why
    assert cloud.why.startswith(
        "Elicited from an operator on 2026-02-03: 8 kinds of eye, each answer taken as "
    )
    assert "Before: mean -1.00, sd 1.00. Published means of 1.14 sessions" in cloud.why
    assert all("Elicited" in p.why for p in found.definition.sessions.first)


def test_means_are_those_of_the_report_of_the_priors(found: Elicited) -> None:
    draws = prior_draws(CORE, CODING, draws=1000, sessions=found.answers.n_sessions, seed=2)
    told = implied(found.answers.eyes, CORE, CODING, draws)
    asked = [told.quantities.index(question.column) for question in found.answers.questions]

    # 1000 draws of another seed: a mean of shares that spread by 30 is known to 1 of 100, a difference to 1.4
    np.testing.assert_allclose(found.before_mean, 100.0 * told.mean()[:, asked], atol=5.0)
    assert ((found.low <= found.mean) & (found.mean <= found.high)).all()


def test_the_priors_before_are_told_beside_and_are_those_of_the_hazards(found: Elicited) -> None:
    first, _ = CORE.first_session_priors()
    coefficients, _ = CORE.coefficient_priors(CODING)
    eyes = found.answers.eyes

    np.testing.assert_allclose(found.before, shares(CORE, first, coefficients, eyes), atol=1e-9)
    new_first, _ = found.definition.first_session_priors()
    new_coefficients, _ = found.definition.coefficient_priors(CODING)
    np.testing.assert_allclose(found.fitted, shares(CORE, new_first, new_coefficients, eyes), atol=1e-9)


def test_the_new_priors_lie_between_the_old_ones_and_the_answers(found: Elicited) -> None:
    known = ~np.isnan(found.answers.counts)
    away = np.abs(found.fitted - found.answers.counts)[known]

    assert away.max() < 5
    assert away.mean() < np.abs(found.before - found.answers.counts)[known].mean() / 3
    assert (found.low < found.fitted).all()
    assert (found.fitted < found.high).all()


def test_no_prior_becomes_wider_than_it_was(found: Elicited) -> None:
    _, before = CORE.coefficient_priors(CODING)
    _, after = found.definition.coefficient_priors(CODING)

    assert (after <= before).all()
    assert (found.definition.first_session_priors()[1] < 1.5).all()


def test_what_is_no_prior_of_the_answers_stays_as_it_was(found: Elicited) -> None:
    changed = {"name", "title", "purpose", "basis", "sessions", "entries", "references", "fingerprint"}

    assert replace(found.definition, **{name: getattr(CORE, name) for name in changed}) == CORE
    assert found.definition.sessions.step == CORE.sessions.step
    assert [entry.why for entry in found.definition.entries] == [entry.why for entry in CORE.entries]


@settings(max_examples=4, deadline=None)
@given(arrays(float, 16, elements=st.floats(-0.8, 0.8)), st.floats(1, 50))
def test_more_eyes_in_mind_make_a_prior_worth_more_cases(away: np.ndarray, m: float) -> None:
    first = CORE.first_session_priors()[0] + away[:2]
    coefficients = CORE.coefficient_priors(CODING)[0] + away[2:].reshape(2, 7)
    answers = told_by(first, coefficients)

    few, many = (elicit(answers, CORE, seed=1, eyes_in_mind=n, date="2026-01-01") for n in (m, 2 * m))

    assert many.effective_cases_asked_for > few.effective_cases_asked_for
    assert few.effective_cases_asked_for > few.effective_cases_before
    assert max(few.effective_cases, many.effective_cases) <= 30.0


def test_a_change_from_session_to_session_is_told_in_words() -> None:
    eyes = eyes_to_ask(CORE)
    # half of those left are relieved at the first session, then a tenth and a twentieth
    fading = checked_answers(eyes, np.tile([50.0, 55.0, 57.0, np.nan], (len(eyes), 1)), CORE, CODING)

    *_, note = elicit(fading, CORE, seed=1, eyes_in_mind=20).notes

    assert "odds of relieved change by a factor of 0." in note


def test_terms_that_a_file_cannot_write_one_by_one_keep_their_priors() -> None:
    full = read_definition("full")
    first, coefficients = full.first_session_priors()[0], full.coefficient_priors(stated_coding(full))[0]

    found = elicit(told_by(first, coefficients, full), full, seed=1)

    place = [entry.feature for entry in full.entries].index("age")
    assert found.definition.entries[place] == full.entries[place]
    assert any(note.startswith("age: its priors are as before") for note in found.notes)


def test_the_second_session_alone_can_be_asked_about() -> None:
    plain = read_definition("second_session")
    eyes = eyes_to_ask(plain)
    counts = np.linspace(20, 80, len(eyes))[:, None]

    found = elicit(checked_answers(eyes, counts, plain, stated_coding(plain)), plain, seed=1, eyes_in_mind=20)

    assert found.definition.ends == ("one_session",)
    assert np.abs(found.fitted - counts).mean() < np.abs(found.before - counts).mean() / 1.5


def test_every_number_is_there_for_a_program(found: Elicited) -> None:
    import json

    told = json.loads(json.dumps(found.to_json(), allow_nan=False))

    assert told["eyes"][4]["answers"]["stopped_3"]["answer"] is None
    assert told["effective_cases"] == pytest.approx(found.effective_cases)


def test_the_same_answers_give_the_same_file(tmp_path: Path) -> None:
    path = table(tmp_path, *ROWS)
    one, two = (elicit(path, "core", seed=seed, date="2026-02-03").to_toml() for seed in (1, 2))

    assert one == two


def test_a_model_fitted_with_the_answers_says_so_on_every_output(found: Elicited, tmp_path: Path) -> None:
    (tmp_path / "mine.toml").write_text(found.to_toml(), encoding="utf-8")
    cases = pd.DataFrame(synthetic.make("known", seed=1, cases=100, truth=False).cases)
    card = retreat.fit(cases, tmp_path / "mine.toml").card
    assert card.basis == (found.definition.basis,)
    assert "operator's answers of" in card.cautions[-1]
    assert "counts them twice" in card.cautions[-1]


def test_the_file_says_that_the_cases_behind_the_answers_would_count_twice(found: Elicited) -> None:
    comments = [line for line in found.to_toml().splitlines() if line.startswith("#")]

    assert any("counts them twice" in line for line in comments)
    assert "counts them twice" in found.definition.basis
    assert "counts them twice" in found.to_json()["cautions"][0]


SAYINGS = {
    "same": np.tile([50.0, 75.0, 88.0, np.nan], (10, 1)),
    "nearly the same": np.array([[50.0 + i % 2, 75.0, 88.0, np.nan] for i in range(10)]),
    "hardly any": np.array([[1.0, 2.0, 3.0 + i % 2, np.nan] for i in range(10)]),
    "nearly all": np.array([[97.0 + i % 2, 99.0, 99.0, 0.0] for i in range(10)]),
}


@pytest.mark.parametrize("name", SAYINGS)
def test_no_answers_weigh_more_than_thirty_cases(name: str) -> None:
    said = checked_answers(eyes_to_ask(CORE), SAYINGS[name], CORE, CODING)

    found = elicit(said, CORE, seed=1, date="2026-02-03")

    assert found.effective_cases_asked_for > 30.0
    assert found.effective_cases == pytest.approx(30.0, abs=0.3)
    assert found.effective_cases <= 30.0
    assert any("the priors were widened to weigh 30" in note for note in found.notes)
    assert any("the answers are the same for all 10 kinds" in note for note in found.notes) == (
        name == "same"
    )


def test_answers_that_no_prior_can_hold_are_refused() -> None:
    said = checked_answers(eyes_to_ask(CORE), np.tile([1e-4, 2e-4, 3e-4, 0.0], (10, 1)), CORE, CODING)

    with pytest.raises(FitError, match="so near 0 or 100"):
        elicit(said, CORE, seed=1, eyes_in_mind=100)


def test_a_definition_that_weighs_more_than_thirty_cases_is_not_widened_below_its_own_weight(
    found: Elicited,
) -> None:
    sure = widened(CORE, 0.3)

    again = elicit(found.answers, sure, seed=1)

    assert again.effective_cases_before > 30.0
    assert again.effective_cases == pytest.approx(again.effective_cases_before, rel=0.01)


def test_answers_of_few_are_not_widened() -> None:
    definition = read_definition("second_session")
    bare = widened(replace(definition, terms=(), entries=(), likeness={}), 10.0)
    eyes = (Eye("one", {}), Eye("two", {}))
    said = checked_answers(eyes, np.array([[40.0], [60.0]]), bare, stated_coding(bare))

    found = elicit(said, bare, seed=1)

    # ten eyes in mind for each of two, and a prior of next to nothing
    assert found.effective_cases == pytest.approx(20.0, rel=0.01)
    assert found.notes == ()
