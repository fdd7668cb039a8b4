"""Words and files given in place of others: what is said, and what is said to do."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from outcome import Outcome, Run

from retreat.cli.given import kind_of

RING = ("--opacity", "ring", "--size-mm", "2", "--zone", "middle", "--cornea", "none", "--lens", "natural")


def told(answer: Outcome, code: int = 1) -> str:
    assert answer.code == code, answer.err
    assert "Traceback" not in answer.err
    return " ".join(answer.err.split())


@pytest.mark.parametrize(
    ("options", "meant"),
    [
        (("fit", "--out", "x.retreat", "--method", "bayesian"), "did you mean bayes?"),
        (("fit", "--out", "x.retreat", "--penalty", "fith"), "did you mean firth?"),
        (("fit", "--out", "x.retreat", "--method", "bayes", "--sampler", "nut"), "did you mean nuts?"),
        (("validate", "--by", "operater"), "did you mean operator?"),
        (("validate", "--correction", "harell"), "did you mean harrell?"),
    ],
)
def test_a_word_nearly_right_is_answered_with_the_right_one(
    run: Run, clinic: Path, tmp_path: Path, options: tuple[str, ...], meant: str
) -> None:
    command, *rest = [str(tmp_path / option) if option == "x.retreat" else option for option in options]
    assert meant in told(run(command, clinic / "cases.csv", *rest))


def test_a_word_unlike_any_is_answered_with_the_list_alone(run: Run, clinic: Path, tmp_path: Path) -> None:
    answer = told(run("fit", clinic / "cases.csv", "--out", tmp_path / "x.retreat", "--method", "zzz"))
    assert "'logistic', 'bayes', 'lifetable'" in answer
    assert "did you mean" not in answer


@pytest.mark.parametrize(
    ("arguments", "meant"),
    [
        (("forcast",), "Did you mean forecast?"),
        (("plan", "m", "c", "--sessions-per-day", "6", "--days", "mno"), "did you mean mon?"),
        (
            ("plan", "m", "c", "--sessions-per-day", "6", "--days", "mon", "--what-if", "refferals"),
            "did you mean referrals?",
        ),
    ],
)
def test_wrong_usage_is_answered_with_what_was_meant(
    run: Run, arguments: tuple[str, ...], meant: str
) -> None:
    assert meant in told(run(*arguments), code=2)


def test_an_invented_clinic_nearly_named_is_told(run: Run, tmp_path: Path) -> None:
    assert "did you mean small?" in told(run("demo", "--scenario", "smal", "--out", tmp_path / "demo"))


def test_a_table_in_place_of_a_model_is_named_with_what_to_do(run: Run, clinic: Path, tmp_path: Path) -> None:
    cases, visits = clinic / "cases.csv", clinic / "visits.csv"
    for arguments in (
        ("sheet", cases, *RING),
        ("forecast", cases, "--cases", cases),
        ("plan", cases, cases, "--visits", visits),
        ("validate", cases, "--into", cases),
    ):
        answer = told(run(*arguments))
        assert "this is a case table" in answer
        assert "retreat fit" in answer
    assert "this is a visit table" in told(run("sheet", visits, *RING))
    definition = tmp_path / "own.toml"
    definition.write_text('title = "x"\n')
    assert "this is a definition" in told(run("sheet", definition, *RING))


def test_a_model_in_place_of_a_table_is_named_with_what_to_do(run: Run, saved: Path, tmp_path: Path) -> None:
    for arguments in (
        ("fit", saved, "--out", tmp_path / "x.retreat"),
        ("check", saved),
        ("plan", saved, saved),
        ("forecast", saved, "--cases", saved),
    ):
        answer = told(run(*arguments))
        assert "this is a saved model" in answer
        assert "a saved model goes to" in answer
    faults = json.loads(run("check", saved, "--json").out)["faults"]
    assert [fault["what"] for fault in faults] == ["this is a saved model"]


def test_a_file_is_known_by_what_it_holds_not_by_its_name(clinic: Path, saved: Path, tmp_path: Path) -> None:
    renamed, semicolons, other = (tmp_path / name for name in ("cases.csv", "t.txt", "o.txt"))
    renamed.write_bytes(saved.read_bytes())
    semicolons.write_text("\ufeffCase;Patient;eye\n", encoding="utf-8")
    other.write_text("nothing of the kind")
    assert [kind_of(path) for path in (saved, renamed, clinic / "cases.csv", semicolons, other)] == [
        "a saved model",
        "a saved model",
        "a case table",
        "a case table",
        "",
    ]


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--model", "full"), "core, logistic hazard"),
        (("--method", "bayes"), "Bayesian hazard, as validated here"),
        (("--imputations", "2"), "leave --imputations or --into out"),
    ],
)
def test_a_model_that_cannot_take_the_verdict_is_refused_before_the_work(
    run: Run,
    clinic: Path,
    saved: Path,
    monkeypatch: pytest.MonkeyPatch,
    options: tuple[str, ...],
    words: str,
) -> None:
    monkeypatch.setattr("retreat.validate", _never)
    answer = told(run("validate", clinic / "cases.csv", "--into", saved, *options))
    assert words in answer
    assert "--into" in answer


def test_a_model_of_other_cases_is_refused_before_the_work(
    run: Run, clinic: Path, saved: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("retreat.validate", _never)
    lines = (clinic / "cases.csv").read_text().splitlines(keepends=True)
    fewer = tmp_path / "cases.csv"
    fewer.write_text("".join(lines[:-20]))
    assert "was fitted to other cases" in told(run("validate", fewer, "--into", saved))
    assert "no such file" in told(run("validate", fewer, "--into", tmp_path / "nothing.retreat"))


def _never(*_: object, **__: object) -> None:
    raise AssertionError("the long work was begun")
