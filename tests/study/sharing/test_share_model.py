"""The model that leaves: it undoes nothing that was done to the table, and its card tells no small count."""

from __future__ import annotations

from dataclasses import replace

import pytest

import retreat
from retreat.errors import TableError
from retreat.study.sharing.leaks import Originals, leaks
from retreat.study.sharing.own_words import own_sentences
from retreat.study.sharing.shared_model import names_hidden, with_coarse_card
from retreat.study.sharing.sharing import share


@pytest.fixture(scope="module")
def few_sheets(clinic):
    """The clinic with sheets of three patients alone."""
    sheets = clinic.cases[clinic.cases["opacity"].eq("sheet")]
    kept = sheets["patient"].drop_duplicates().iloc[:3]
    rows = ~clinic.cases["opacity"].eq("sheet") | clinic.cases["patient"].isin(kept)
    return clinic.cases[rows].reset_index(drop=True)


def test_a_model_that_names_what_the_table_hides_is_left_out_until_fitted_anew(few_sheets, tmp_path):
    model = retreat.fit(few_sheets, "core", seed=1, draws=100)
    assert model.support.levels["opacity"]["sheet"] == 0

    done = share(few_sheets, model, tmp_path / "out", crosswalk=tmp_path / "x.csv", seed=3)

    assert not done.model_shared
    assert "model.retreat" not in {path.name for path in done.folder.iterdir()}
    told = (done.folder / "README.md").read_text()
    assert "model.retreat is left out" in told
    assert any("fit one to cases.csv" in note for note in done.notes)

    # what is offered helps
    anew = retreat.fit(retreat.read_cases(done.folder / "cases.csv"), "core", seed=1, draws=100)
    again = share(few_sheets, anew, tmp_path / "again", crosswalk=tmp_path / "x.csv", seed=3)
    assert again.model_shared
    assert "sheet" not in retreat.load(again.folder / "model.retreat").support.levels["opacity"]


def test_a_level_is_hidden_where_the_clinic_has_it_and_the_shared_table_does_not(clinic):
    own, shared = clinic.cases, clinic.cases.replace({"opacity": {"sheet": "not_recorded"}})
    support = clinic.model.support
    silent = {"opacity": {level: n for level, n in support.levels["opacity"].items() if level != "sheet"}}
    mix = clinic.model.case_mix

    assert names_hidden(clinic.model, own, own) == ()
    assert names_hidden(clinic.model, shared, shared) == ()
    assert names_hidden(clinic.model, own, shared) == ("opacity",)
    # by the case mix alone too
    only_mix = replace(clinic.model, support=replace(support, levels=silent))
    assert names_hidden(only_mix, own, shared) == ("opacity",)
    without = {
        name: {lv: s for lv, s in shares.items() if lv != "sheet"} for name, shares in mix.levels.items()
    }
    neither = replace(only_mix, case_mix=replace(mix, levels=without))
    assert names_hidden(neither, own, shared) == ()


def test_the_card_tells_no_small_count_and_the_forecast_is_the_same(clinic):
    notes = (
        "3 cases not yet begun were left out",
        "size_mm was missing in 1 cases, left out",
        "of 214 cases",
    )
    card = replace(clinic.model.card, notes=notes, n_left_out=3, n_ended={"relieved": 232, "stopped": 9})
    model = replace(clinic.model, card=card)

    coarse = with_coarse_card(model)

    assert coarse.card.n_left_out == 0
    assert coarse.card.n_ended == {"relieved": 230, "stopped": 0}
    # with the size of the table known, an exact number fitted would tell how many were left out
    assert coarse.card.n_cases % 5 == coarse.card.n_patients % 5 == 0
    assert coarse.card.notes[:3] == (
        "fewer than 11 cases not yet begun were left out",
        "size_mm was missing in fewer than 11 cases, left out",
        "of 210 cases",
    )
    assert "made coarse" in coarse.card.notes[-1]
    case = {"opacity": ["cloud"], "size_mm": [3.0]}
    assert (coarse.expected(case) == model.expected(case)).all()
    assert coarse.forecast(case).notes == model.forecast(case).notes


def test_no_small_count_of_the_fit_is_in_the_folder(clinic, shared):
    card, own = retreat.load(shared.folder / "model.retreat").card, clinic.model.card
    told = (shared.folder / "README.md").read_text()

    assert any("size_mm was missing in 3 cases" in note for note in own.notes)
    assert not any("3 cases" in note for note in card.notes)
    assert (card.n_left_out, card.n_cases) == (0, own.n_cases // 5 * 5)
    assert f"{own.n_cases} cases" not in told
    assert "card was made coarse" in told


def test_the_readme_says_that_two_tables_of_the_same_eyes_undo_each_other(shared):
    told = (shared.folder / "README.md").read_text()

    assert "can be undone by who has both: give one reader one of them, or use --k 11" in told


@pytest.fixture(scope="module")
def published():
    return retreat.published("published", seed=1, draws=200)


def test_a_model_of_published_averages_may_leave_with_the_authors_it_names(clinic, published, tmp_path):
    assert own_sentences() <= {*published.card.notes, *published.card.basis}

    done = share(clinic.cases, published, tmp_path / "out", crosswalk=tmp_path / "x.csv", seed=3)

    told = (done.folder / "README.md").read_text()
    assert done.model_shared
    assert "**Built from: Singh 2016, " in told
    assert "it rests on no case" in told
    assert "fitted to about 0 cases" not in told
    assert not any("another number of cases" in note for note in done.notes)


@pytest.mark.parametrize(
    "planted",
    [
        "Built from: Jane Smith 2016.",
        "Built from: Singh 2016, Ernest 2023.",
        "{ours} Jane Smith",
        "Jane Smith {ours}",
        "published results by their rows in the definition: Jane Smith 2016 L01",
    ],
)
def test_words_of_the_clinics_own_do_not_pass_by_looking_like_the_programs(
    clinic, published, tmp_path, planted
):
    ours = next(sentence for sentence in own_sentences() if sentence.startswith("Built from"))
    words = planted.format(ours=ours)
    model = replace(published, card=replace(published.card, notes=(*published.card.notes, words)))

    with pytest.raises(TableError, match="looks like a person's name") as error:
        share(clinic.cases, model, tmp_path / "out", crosswalk=tmp_path / "x.csv", seed=3)

    assert "Jane" not in str(error.value)
    assert not (tmp_path / "out").exists()


def test_a_code_of_the_clinic_is_found_in_the_programs_own_sentence_too():
    ours = next(sentence for sentence in own_sentences() if sentence.startswith("Built from"))

    assert leaks({"README.md": ours.encode()}, Originals.of(keys=[], codes=["op1"])) == []
    found = leaks({"README.md": ours.encode()}, Originals.of(keys=[], codes=["Singh"]))
    assert [fault.what for fault in found] == ["S... (5 characters) is a code of the clinic"]


def test_paths_in_place_of_tables_and_model_are_refused_with_what_reads_them(clinic, tmp_path):
    with pytest.raises(TableError) as error:
        share("cases.csv", "m.retreat", tmp_path / "out", crosswalk=tmp_path / "x.csv", visits="visits.csv")

    told = str(error.value)
    assert all(name in told for name in ("retreat.read_cases", "retreat.read_visits", "retreat.load"))
    assert list(tmp_path.iterdir()) == []
