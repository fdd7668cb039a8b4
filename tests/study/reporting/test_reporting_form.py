"""Reporting form: the right entries, filled from what is given and nothing else, answers kept, same bytes."""

from __future__ import annotations

import csv
import json
import re
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pytest
from toy import toy_model

import retreat
import synthetic
from retreat.definitions import read_definition
from retreat.errors import RetreatError
from retreat.pages.facts import facts_label, form_page, model_card
from retreat.study.cohort import describe_cohort
from retreat.study.reporting import (
    answers_text,
    form_content,
    read_answers,
    reporting_form,
    with_effects,
    write_answers,
)
from retreat.study.reporting.entries import LISTS, checklist

SOURCE = Path(__file__).parent / "tripod_ai_items.csv"


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    """Model, validation report and shareable cohort of one invented table."""
    folder = tmp_path_factory.mktemp("registry")
    synthetic.make("registry", cases=220, truth=False).write(folder)
    cases = retreat.read_cases(folder / "cases.csv")
    model = retreat.fit(cases, "core", seed=1)
    report = retreat.validate(
        cases, "core", folds=2, challengers=("null",), at=(), horizons=(1, 2), by="site", seed=1
    )
    cohort = describe_cohort(cases, "core", features=["age", "eye"], horizon=2, resamples=20)
    return model, report, cohort, cohort.shared()


@pytest.fixture(scope="module")
def form(study):
    model, report, _, shared = study
    return reporting_form(model, report, shared, definition=read_definition("core"))


def lines_of(form, key="tripod_ai"):
    (part,) = [part for part in form.parts if part.checklist.key == key]
    return {line.entry.id: line for line in part.lines}


def test_tripod_ai_has_27_items_in_52_entries_with_the_tags_of_the_source():
    with SOURCE.open(encoding="utf-8") as stream:
        source = [(row["id"], row["applies"], row["fill"]) for row in csv.DictReader(stream)]
    entries = checklist("tripod_ai").entries
    assert [(one.id, one.applies, one.fill) for one in entries] == source
    assert len(entries) == 52
    assert list(dict.fromkeys(one.item for one in entries)) == [str(n) for n in range(1, 28)]
    # counted in the published checklist: 8 of development alone, 4 of evaluation alone
    assert [sum(one.applies == tag for one in entries) for tag in ("D", "E", "D;E")] == [8, 4, 40]
    assert [sum(one.fill == kind for one in entries) for kind in ("data", "confirm", "ask")] == [22, 17, 13]


def test_probast_ai_has_16_questions_on_making_and_18_on_testing_in_four_domains_each():
    entries = checklist("probast_ai").entries
    assert [sum(one.applies == tag for one in entries) for tag in ("D", "E")] == [16, 18]
    assert {one.id[:2] for one in entries} == {f"{part}{domain}" for part in "DE" for domain in "1234"}


@pytest.mark.parametrize("key", LISTS)
def test_every_entry_has_a_number_of_its_own_words_and_one_question(key):
    found = checklist(key)
    assert len({one.id for one in found.entries}) == len(found.entries)
    for one in found.entries:
        assert one.about.endswith(".")
        assert one.ask.endswith("?")
        assert one.ask.count("?") == 1
        assert one.applies in ("D", "E", "D;E")
        assert one.fill in ("data", "confirm", "ask")
    assert found.sources


def test_with_model_validation_and_cohort_all_that_data_can_tell_is_filled(form):
    lines = lines_of(form)
    assert [i for i, line in lines.items() if line.entry.fill == "data" and line.status != "filled"] == []
    assert {line.status for line in lines.values() if line.entry.fill == "ask"} == {"to answer"}
    for line in lines.values():
        assert bool(line.question) == (line.status in ("to confirm", "to answer"))
        assert all(one.text and one.source for one in line.filled)


def test_filled_numbers_are_those_of_the_report(study, form):
    _, report, _, _ = study
    text = " ".join(one.text for one in lines_of(form)["23a"].filled)
    for row in report.rows:
        if row.end == "relieved" and row.measure == "slope":
            assert f"by session {row.horizon}: {row.corrected:.2f} ({row.low:.2f} to {row.high:.2f})" in text
    assert report.verdict.standing in text
    assert report.scheme in lines_of(form, "probast_ai")["E4.1"].filled[0].text


def test_without_a_validation_entries_of_evaluation_are_not_applicable_and_performance_is_asked():
    lines = lines_of(reporting_form(toy_model()))
    assert {i for i, line in lines.items() if line.status == "not applicable"} == {"12f", "12g", "20c", "24"}
    assert lines["23a"].status == "to answer"
    assert "812 cases" in lines["20a"].filled[0].text


def test_what_effects_did_is_told_beside_what_the_model_did():
    plain = reporting_form(toy_model())
    facts = {"scale": "odds ratio", "method": "logistic hazard, Firth", "level": 0.9, "imputations": 0}
    told = with_effects(plain, SimpleNamespace(facts=facts), None)
    known = {i: line.filled[-1].text for i, line in lines_of(told).items() if line.filled}
    assert known["11"] == "Odds ratios: complete cases; a case with a missing feature is left out."
    assert known["12c"] == "Odds ratios: logistic hazard, Firth; complete cases; 90% intervals."
    drawn = SimpleNamespace(facts=facts | {"method": "Bayesian hazard", "imputations": 7})
    last = lines_of(with_effects(plain, drawn), "probast_ai")["D4.3"].filled[-1].text
    assert last.startswith("Odds ratios from a posterior: all begun cases, gaps filled 7 times")
    changed = {i for i, line in lines_of(told).items() if line != lines_of(plain)[i]}
    assert changed == {"11", "12c", "21"}
    assert with_effects(plain, None) == plain


def test_one_of_a_kind_is_told_in_the_singular(study):
    model, _, _, shared = study
    flow = shared.frames["flow"].assign(sites=1, operators=2)
    one = SimpleNamespace(to_frames=lambda: {**shared.to_frames(), "flow": flow})
    form = reporting_form(model, cohort=one)
    assert lines_of(form)["6a"].filled[0].text == "1 site, 2 operators."
    assert ", 2 operators, 1 site." in lines_of(form, "tripod_cluster")["size"].filled[0].text


def test_a_report_or_definition_of_another_model_is_set_aside_and_said_so(study):
    _, report, _, _ = study
    form = reporting_form(toy_model(), report, definition=read_definition("core"))
    assert len(form.set_aside) == 2
    assert lines_of(form)["23a"].filled == ()
    assert all(line in form_page(form).to_markdown() for line in form.set_aside)


def test_beside_a_cohort_no_count_of_the_fit_gives_a_hidden_one_away(study):
    model, report, cohort, shared = study
    # as the cohort of a clinic does, without working the same tables out again
    clinic = SimpleNamespace(shared=lambda: shared, to_frames=cohort.to_frames)
    text = form_page(reporting_form(model, report, clinic, definition=read_definition("core"))).to_markdown()
    flow = cohort.to_frames()["flow"]
    hidden = shared.to_frames()["flow"]["cases"].isna()
    assert hidden.any()
    for n in flow["cases"][hidden]:
        assert not re.search(rf"\b{n} (invented )?cases", text)
    assert f"{model.card.n_patients} patients" not in text
    subgroups = [one.n for one in report.subgroups if one.n]
    assert subgroups
    assert "(n = " not in text


def test_answers_are_kept_when_the_form_is_made_again(study, tmp_path):
    model, report, _, shared = study
    file = tmp_path / "answers.toml"
    write_answers(reporting_form(model, report, shared), file)
    mine = 'Committee "A", no. 7\\12; waived.\nSecond line, 100 % µ'
    text = file.read_text(encoding="utf-8")
    file.write_text(
        text.replace('"17" = ""', f'"17" = {json.dumps(mine, ensure_ascii=False)}').replace(
            'contact = ""', 'contact = "desk 4"'
        )
    )
    again = reporting_form(model, report, shared, answers=file)
    assert lines_of(again)["17"].answer == mine
    assert lines_of(again)["17"].status == "answered"
    before = file.read_bytes()
    write_answers(again, file)
    assert file.read_bytes() == before
    assert read_answers(file)["tripod_ai"]["17"] == mine
    assert "desk 4" in facts_label(model, answers=again.facts).to_markdown()
    assert "Committee" in form_page(again).to_markdown()


def test_an_answer_confirms_what_was_filled_and_both_stand(study):
    model, report, _, _ = study
    form = reporting_form(model, report, answers={"tripod_ai": {"12c": "As in the protocol."}})
    row = next(r for r in form_content(form).passages[1].grids[0].rows if r[0] == "12c")
    assert "[answer]" in row[3]
    assert model.card.method in row[3]
    assert row[4] == "answered"


def test_answers_may_be_json(tmp_path):
    file = tmp_path / "answers.json"
    file.write_text(json.dumps({"tripod_ai": {"19": "None."}}))
    assert lines_of(reporting_form(toy_model(), answers=file))["19"].answer == "None."


@pytest.mark.parametrize(
    ("answers", "what"),
    [
        ({"tripod": {"17": "x"}}, "no such table"),
        ({"tripod_ai": {"28": "x"}}, "no such entry"),
        ({"tripod_ai": {"17": 3}}, "text in quotes"),
    ],
)
def test_an_answer_to_nothing_that_is_asked_is_refused(answers, what):
    with pytest.raises(RetreatError, match=what):
        reporting_form(toy_model(), answers=answers)


def test_a_broken_answers_file_is_refused(tmp_path):
    file = tmp_path / "answers.toml"
    file.write_text("[tripod_ai\n")
    with pytest.raises(RetreatError, match="cannot be read"):
        read_answers(file)


def test_all_forms_of_the_page_say_the_same_and_are_the_same_bytes_each_time(
    study, form, tmp_path, monkeypatch
):
    import docx

    model, report, _, shared = study
    again = reporting_form(model, report, shared, definition=read_definition("core"))
    assert answers_text(again) == answers_text(form)
    pages = form_page(form), form_page(again)
    assert pages[0].to_markdown() == pages[1].to_markdown()
    assert pages[0].to_html() == pages[1].to_html()
    first = pages[0].write_docx(tmp_path / "a.docx").read_bytes()
    monkeypatch.setattr("time.time", lambda: 2e9)
    assert pages[1].write_docx(tmp_path / "b.docx").read_bytes() == first
    tables = docx.Document(str(tmp_path / "a.docx")).tables
    word = [[cell.text for cell in row.cells] for row in tables[1].rows][1:]
    assert [tuple(row) for row in word] == list(form_content(form).passages[1].grids[0].rows)
    for line in lines_of(form).values():
        assert f"| {line.entry.id} |" in pages[0].to_markdown()
        assert f'<th scope="row">{line.entry.id}</th>' in pages[0].to_html()


def test_label_and_card_show_performance_verdict_and_whom_the_model_saw(study):
    model, report, _, _ = study
    stamped = report.stamp(model)
    for page in (facts_label(stamped, report), model_card(stamped, report)):
        text = page.to_markdown()
        assert f"{model.card.n_cases} invented cases" in text
        assert f"Verdict: {report.verdict.standing}" in text
        slope = next(r for r in report.rows if (r.measure, r.horizon, r.end) == ("slope", 2, "relieved"))
        assert f"{slope.corrected:.2f} ({slope.low:.2f} to {slope.high:.2f})" in text
        assert "must never be used with a patient" in text.split("##")[0]
    assert "has not been validated" in facts_label(model).to_markdown()
    assert f"Verdict: {report.verdict.standing}" in facts_label(stamped).to_markdown()


def test_label_and_card_of_a_model_that_failed_say_so_first():
    for page in (facts_label, model_card):
        text = page(toy_model(failures=("R-hat above 1",))).to_markdown()
        assert "Not for counselling" in text.split("##")[0]


def test_a_small_number_of_an_end_cannot_be_had_from_the_label():
    model = toy_model(n_ended={"relieved": 700, "stopped": 7})
    text = facts_label(model).to_markdown()
    assert "stopped not shown" in text
    assert "105 ongoing" not in text
    assert "left out for a missing feature: fewer than 11" in text.lower()


def test_a_small_count_in_the_notes_is_not_shown(study):
    model = replace(toy_model().card, notes=("4 cases not yet begun were left out",))
    text = model_card(replace(toy_model(), card=model)).to_markdown()
    assert "4 cases" not in text
    assert "some cases not yet begun were left out (how many is hidden)" in text
