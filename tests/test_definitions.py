"""Definitions: every shipped file, priors by hand, and every fault with its place and what is allowed there."""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np
import pytest

from retreat.coding import Term, learn
from retreat.definitions import read_definition, shipped
from retreat.errors import DefinitionError, Fault
from retreat.features import FEATURES

MODELS = Path(__file__).parent.parent / "models"

PLAIN = """
name = "trial"
title = "A trial definition"
purpose = "A small definition for the tests."
outcome = "course"

[sessions]
effect = "free"

[[terms]]
feature = "opacity"
form = "category"
reference = "ring"
why = "The kind comes first."
prior = [
  { sd = 1.0, why = "Wide for every kind." },
  { level = "cloud", end = "relieved", mean = -1.0, sd = 0.5, why = "Clouds need more." },
]

[[terms]]
feature = "depth"
form = "linear"
centre = 0.5
why = "Deep ones are harder."
prior = [{ sd = 0.8, why = "Wide for the depth." }]

[[terms]]
feature = ["opacity", "depth"]
form = "interaction"
why = "Deep clouds may be worst."
prior = [
  { sd = 0.3, why = "Narrow for most kinds." },
  { level = "cloud", end = "stopped", mean = 0.2, sd = 0.4, why = "Deep clouds are given up." },
]

[support]
opacity = []
depth = [0.3, 0.6]
"""


def written(folder: Path, text: str, name: str = "trial.toml") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def faults_of(folder: Path, text: str) -> tuple[Fault, ...]:
    path = written(folder, text)
    with pytest.raises(DefinitionError) as caught:
        read_definition(path)
    assert all(fault.where.startswith(f"{path}: ") for fault in caught.value.faults)
    return caught.value.faults


def told(faults: tuple[Fault, ...]) -> list[tuple[str, str, str]]:
    """Place in the file, what was found, what is allowed."""
    return [(fault.where.rsplit(".toml: ", 1)[1], fault.what, fault.allowed) for fault in faults]


# --- shipped definitions, discovered


def test_every_file_of_the_folder_is_shipped() -> None:
    assert set(shipped()) == {path.stem for path in MODELS.glob("*.toml")} >= {"core", "lifetable"}


@pytest.mark.parametrize("name", shipped())
def test_a_shipped_definition_is_called_after_its_file(name: str) -> None:
    definition = read_definition(name)
    assert definition.name == name
    assert definition.fingerprint == hashlib.sha256((MODELS / f"{name}.toml").read_bytes()).hexdigest()


@pytest.mark.parametrize("name", shipped())
def test_every_prior_of_a_shipped_definition_has_a_reason_in_words(name: str) -> None:
    definition = read_definition(name)
    priors = [prior for entry in definition.entries for prior in entry.prior]
    priors += definition.sessions.first
    spreads = [definition.sessions.step, definition.groups.operator, definition.groups.patient]
    reasons = [p.why for p in priors] + [s.why for s in spreads if s] + [e.why for e in definition.entries]
    assert all(len(reason.split()) >= 3 for reason in reasons)
    assert len(definition.gates.why.split()) >= 3
    if not definition.strata:
        assert {prior.end for prior in definition.sessions.first} == set(definition.ends)


@pytest.mark.parametrize("name", shipped())
def test_a_shipped_definition_names_its_sources(name: str) -> None:
    assert read_definition(name).references


@pytest.mark.parametrize("name", shipped())
def test_every_coefficient_of_a_shipped_definition_has_a_prior_of_its_own(name: str) -> None:
    definition = read_definition(name)
    numbers = {f: np.linspace(1, 80, 200) for f in definition.features if FEATURES[f].kind == "number"}
    coding = learn(definition.terms, numbers)
    mean, sd = definition.coefficient_priors(coding)
    assert mean.shape == sd.shape == (len(definition.ends), len(coding.names))
    allowed = [{prior.sd for prior in entry.prior} for entry in definition.entries]
    for column, term in enumerate(coding.term_of_column):
        assert set(sd[:, column].tolist()) <= allowed[term]


# --- priors by hand


def test_later_priors_overrule_earlier_ones_for_their_level_and_end(tmp_path: Path) -> None:
    definition = read_definition(written(tmp_path, PLAIN))
    coding = learn(definition.terms, {})
    assert coding.names == (
        "opacity=strand",
        "opacity=cloud",
        "opacity=sheet",
        "depth-0.5",
        "opacity=strand x depth-0.5",
        "opacity=cloud x depth-0.5",
        "opacity=sheet x depth-0.5",
    )
    mean, sd = definition.coefficient_priors(coding)
    assert mean.tolist() == [[0, -1.0, 0, 0, 0, 0, 0], [0, 0, 0, 0, 0, 0.2, 0]]
    assert sd.tolist() == [[1.0, 0.5, 1.0, 0.8, 0.3, 0.3, 0.3], [1.0, 1.0, 1.0, 0.8, 0.3, 0.4, 0.3]]


def test_core_priors_by_hand() -> None:
    definition = read_definition("core")
    coding = learn(definition.terms, {})
    mean, sd = definition.coefficient_priors(coding)
    at = coding.names.index
    assert mean[:, at("opacity=sheet")].tolist() == [-1.5, 0.5]
    assert mean[:, at("log(size_mm/2)")].tolist() == [-0.5, 0.0]
    assert sd[:, at("log(size_mm/2)")].tolist() == [0.7, 0.7]
    assert sd[:, at("corneal_surgery=yes")].tolist() == [0.5, 0.5]


def test_first_session_priors_by_hand(tmp_path: Path) -> None:
    assert [a.tolist() for a in read_definition("core").first_session_priors()] == [[0.0, -3.0], [1.5, 1.5]]
    without = read_definition(written(tmp_path, PLAIN)).first_session_priors()
    assert [a.tolist() for a in without] == [[0.0, 0.0], [1.5, 1.5]]
    for_all = PLAIN.replace(
        'effect = "free"',
        'effect = "free"\nfirst = [{ mean = -1.0, sd = 2.0, why = "The same for both." }]',
    )
    one = read_definition(written(tmp_path, for_all)).first_session_priors()
    assert [a.tolist() for a in one] == [[-1.0, -1.0], [2.0, 2.0]]


# --- reading


def test_terms_carry_the_settings_as_written(tmp_path: Path) -> None:
    definition = read_definition(written(tmp_path, PLAIN))
    assert definition.terms == (
        Term(("opacity",), "category", reference="ring", levels=("ring", "strand", "cloud", "sheet")),
        Term(("depth",), "linear", centre=0.5),
        Term(("opacity", "depth"), "interaction"),
    )
    assert definition.features == ("opacity", "depth")
    assert definition.likeness == {"opacity": (), "depth": (0.3, 0.6)}


def test_a_spline_has_four_knots_and_a_log_the_centre_1_unless_told(tmp_path: Path) -> None:
    prior = 'why = "For the tests."\nprior = [{ sd = 1.0, why = "For the tests." }]'
    text = PLAIN.split("[[terms]]")[0] + "".join(
        f'[[terms]]\nfeature = "{feature}"\nform = "{form}"\n{prior}\n'
        for feature, form in (("age", "spline"), ("size_mm", "log"))
    )
    age, size = read_definition(written(tmp_path, text)).terms
    assert (age.n_knots, age.centre, age.scale) == (4, 0.0, 1.0)
    assert (size.centre, size.n_knots) == (1.0, 0)


def test_a_definition_stands_for_itself() -> None:
    core = read_definition("core")
    assert read_definition(core) is core


def test_a_byte_order_mark_is_skipped(tmp_path: Path) -> None:
    path = tmp_path / "marked.toml"
    path.write_bytes(b"\xef\xbb\xbf" + PLAIN.encode())
    assert read_definition(path).name == "trial"


def test_an_unknown_name_suggests_the_nearest() -> None:
    with pytest.raises(DefinitionError) as caught:
        read_definition("cores")
    (fault,) = caught.value.faults
    assert (fault.where, fault.what, fault.fix) == ("cores", "no such definition", "did you mean core?")
    assert fault.allowed == ", ".join(shipped())


def test_a_name_like_no_other_is_told_those_there_are() -> None:
    with pytest.raises(DefinitionError, match=r"name one of these, or a path ending in \.toml"):
        read_definition("zzzz")


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (None, "no such file; allowed: a TOML file; to mend: check the path"),
        (b'name = "x', "not readable TOML"),
        (b"name = '\xff'", "not readable TOML"),
        (b"", "title: missing"),
    ],
)
def test_a_file_that_cannot_be_read_is_told(tmp_path: Path, content: bytes | None, words: str) -> None:
    path = tmp_path / "broken.toml"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(DefinitionError, match=words):
        read_definition(path)


def test_a_folder_is_no_definition(tmp_path: Path) -> None:
    folder = tmp_path / "folder.toml"
    folder.mkdir()
    with pytest.raises(DefinitionError, match="not readable TOML"):
        read_definition(folder)


# --- faults of single entries: place, what was found, what is allowed

SD = "greater than 0"
ENTRY_FAULTS: list[tuple[str, str, tuple[str, str, str]]] = [
    ('name = "trial"', "", ("name", "missing", "")),
    ('name = "trial"', 'name = "Two words"', ("name", "'Two words'", "lower-case letters, digits and _")),
    ('title = "A trial definition"', 'title = "x"', ("title", "'x'", "at least 5 characters")),
    ('outcome = "course"', 'outcome = "curse"', ("outcome", "'curse'", "'course' or 'second_session'")),
    ('outcome = "course"', 'outcome = "course"\nlinks = 1', ("links", "unknown entry", "outcome, link,")),
    (
        'outcome = "course"',
        'outcome = "course"\nlink = "probit"',
        ("link", "'probit'", "'logit' or 'cloglog'"),
    ),
    ('effect = "free"', 'effect = "wild"', ("sessions, effect", "'wild'", "'free', 'smooth' or 'linear'")),
    ('effect = "free"', 'efect = "free"', ("sessions, efect", "unknown entry", "effect, pool_below, first")),
    ('effect = "free"', 'effect = "free"\npool_below = 2.5', ("sessions, pool_below", "2.5", "integer")),
    ('effect = "free"', 'effect = "free"\npool_below = -1', ("sessions, pool_below", "-1", "or equal to 0")),
    ('form = "linear"', 'form = "cubic"', ("terms 2, form", "'cubic'", "'category', 'linear', 'log'")),
    ('form = "linear"', "", ("terms 2, form", "missing", "")),
    ("centre = 0.5", 'centre = "0.5"', ("terms 2, centre", "'0.5'", "a valid number")),
    ("centre = 0.5", "centre = nan", ("terms 2, centre", "nan", "a finite number")),
    ("centre = 0.5", "scale = 0", ("terms 2, scale", "0", SD)),
    ("centre = 0.5", "scale = inf", ("terms 2, scale", "inf", "a finite number")),
    ("centre = 0.5", "knots = 8", ("terms 2, knots", "8", "less than or equal to 7")),
    ("sd = 0.8", "sd = 0.0", ("terms 2, prior 1, sd", "0.0", SD)),
    ("sd = 0.8", "sd = 11", ("terms 2, prior 1, sd", "11", "less than or equal to 10")),
    ("sd = 0.8", "sd = true", ("terms 2, prior 1, sd", "True", "a valid number")),
    ("sd = 0.8", "sd = nan", ("terms 2, prior 1, sd", "nan", "")),
    ("sd = 0.8, ", "", ("terms 2, prior 1, sd", "missing", "")),
    ("sd = 0.8", "sd = 0.8, sigma = 1", ("terms 2, prior 1, sigma", "unknown entry", "mean, sd, why")),
    (', why = "Wide for the depth."', "", ("terms 2, prior 1, why", "missing", "")),
    ('"Wide for the depth."', '"            "', ("terms 2, prior 1, why", "'", "at least 10 characters")),
    ('[{ sd = 0.8, why = "Wide for the depth." }]', "[]", ("terms 2, prior", "[]", "at least 1 item")),
    ('[{ sd = 0.8, why = "Wide for the depth." }]', "[1]", ("terms 2, prior 1", "1", "a table of entries")),
    ("[support]", "[groups]\noperator = { sd = 6, why = 'A long reason.' }\n[support]",
     ("groups, operator, sd", "6", "less than or equal to 5")),
    ("[support]", "[groups]\nnurse = 1\n[support]", ("groups, nurse", "unknown entry", "operator, patient")),
    ("[support]", "[gates]\nmin_cases = 0\n[support]", ("gates, min_cases", "0", "or equal to 1")),
    ("[support]", "[[references]]\ntext = 'x'\n[support]", ("references 1, text", "'x'", "at least 10")),
    ("depth = [0.3, 0.6]", "depth = [0.3, inf]", ("support, depth 2", "inf", "a finite number")),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "expected"), ENTRY_FAULTS)
def test_a_broken_entry_is_told_with_its_place(
    tmp_path: Path, old: str, new: str, expected: tuple[str, str, str]
) -> None:
    assert old in PLAIN
    ((place, what, allowed),) = told(faults_of(tmp_path, PLAIN.replace(old, new)))
    assert (place, what[: len(expected[1])]) == expected[:2]
    assert expected[2] in allowed


# --- faults of entries that do not fit together

CATEGORIES = "opacity, opacities, depth_source, cornea, corneal_surgery, lens, pvd, eye"
DEPTH_PRIOR = '[{ sd = 0.8, why = "Wide for the depth." }]'
JOINT_FAULTS: list[tuple[str, str, list[tuple[str, str, str]]]] = [
    ('feature = "depth"', 'feature = "deph"', [
        ("term 2 (deph)", "unknown feature deph", "depth"),
        ("term 3 (opacity x depth)", "depth has no term of its own before the interaction", ""),
    ]),
    ('reference = "ring"', 'reference = "rings"', [
        ("term 1 (opacity)", "reference 'rings'", "ring, strand, cloud, sheet"),
    ]),
    ('reference = "ring"', "", [("term 1 (opacity)", "reference ''", "ring, strand, cloud, sheet")]),
    ('form = "linear"\ncentre = 0.5', 'form = "category"', [
        ("term 2 (depth)", "category of the number depth", "linear, log, spline"),
    ]),
    ('form = "category"\nreference = "ring"', 'form = "linear"', [
        ("term 1 (opacity)", "linear of the category opacity", "category"),
    ]),
    ('form = "linear"\ncentre = 0.5', 'form = "log"\ncentre = -2.0', [
        ("term 2 (depth)", "centre -2", "above 0 for a log"),
        ("term 2 (depth)", "log of a feature that may be 0", ""),
    ]),
    ('form = "linear"', 'form = "linear"\nreference = "ring"', [
        ("term 2 (depth)", "reference is not a setting of linear", "centre, scale"),
    ]),
    ('form = "linear"', 'form = "linear"\nknots = 4', [
        ("term 2 (depth)", "knots is not a setting of linear", "centre, scale"),
    ]),
    ('form = "interaction"', 'form = "interaction"\nscale = 2.0', [
        ("term 3 (opacity x depth)", "scale is not a setting of interaction", "none"),
    ]),
    ('form = "interaction"', 'form = "linear"', [
        ("term 3 (opacity x depth)", "two features in form linear", "interaction"),
    ]),
    ('["opacity", "depth"]', '["depth", "depth"]', [
        ("term 3 (depth x depth)", "a second term of the same features", ""),
        ("term 3 (depth x depth)", "interaction of depth alone", "two different features"),
        ("term 3 (depth x depth)", "prior of unknown level cloud", "no level: this is no category"),
    ]),
    ('["opacity", "depth"]', '["opacity", "age"]', [
        ("term 3 (opacity x age)", "age has no term of its own before the interaction", ""),
    ]),
    ('end = "relieved"', 'end = "cured"', [
        ("term 1 (opacity)", "prior of unknown end cured", "relieved, stopped"),
    ]),
    ('level = "cloud", end = "relieved"', 'level = "fog"', [
        ("term 1 (opacity)", "prior of unknown level fog", "ring, strand, cloud, sheet"),
    ]),
    (DEPTH_PRIOR, DEPTH_PRIOR.replace("sd", 'level = "ring", sd'), [
        ("term 2 (depth)", "prior of unknown level ring", "no level: this is no category"),
        ("term 2 (depth)", "no prior for all columns of end relieved", ""),
        ("term 2 (depth)", "no prior for all columns of end stopped", ""),
    ]),
    (DEPTH_PRIOR, DEPTH_PRIOR.replace("sd", 'end = "relieved", sd'), [
        ("term 2 (depth)", "no prior for all columns of end stopped", ""),
    ]),
    ('effect = "free"', 'effect = "smooth"', [
        ("sessions, step", "missing", "a scale for smooth session effects"),
    ]),
    ('effect = "free"', 'effect = "free"\nfirst = [{ end = "x", sd = 1.0, why = "For the tests." }]', [
        ("sessions, first", "prior of unknown end x", "relieved, stopped"),
    ]),
    ("depth = [0.3, 0.6]", "deep = [0.3]", [("support, deep", "unknown feature", "depth")]),
    ("depth = [0.3, 0.6]", "depth = []", [
        ("support, depth", "a number without band edges", "rising numbers, such as [1.5, 3.0]"),
    ]),
    ("depth = [0.3, 0.6]", "depth = [0.6, 0.6]", [
        ("support, depth", "band edges [0.6, 0.6]", "rising numbers"),
    ]),
    ("opacity = []", "opacity = [1.0]", [("support, opacity", "band edges of a category", "[]")]),
    ('outcome = "course"', 'outcome = "course"\nstrata = "lens"', [
        ("strata", "a life table by strata takes no terms", ""),
    ]),
    ('outcome = "course"', 'outcome = "course"\nstrata = "depth"', [
        ("strata", "depth is not a category", CATEGORIES),
        ("strata", "a life table by strata takes no terms", ""),
    ]),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "expected"), JOINT_FAULTS)
def test_entries_that_do_not_fit_are_told_with_their_places(
    tmp_path: Path, old: str, new: str, expected: list[tuple[str, str, str]]
) -> None:
    assert old in PLAIN
    assert told(faults_of(tmp_path, PLAIN.replace(old, new))) == expected


@pytest.mark.parametrize("feature", ["", "feature = 3", 'feature = ["age"]', 'feature = ["a", "b", "c"]'])
def test_a_term_without_one_or_two_features_is_told_once(tmp_path: Path, feature: str) -> None:
    faults = told(faults_of(tmp_path, PLAIN.replace('feature = "depth"', feature)))
    allowed = "one name, or a list of two for an interaction"
    assert faults[0] == ("terms 2, feature", "no feature", allowed)
    assert [what for _, what, _ in faults[1:]] == ["depth has no term of its own before the interaction"]


def test_a_second_term_of_a_feature_is_told(tmp_path: Path) -> None:
    again = '[[terms]]\nfeature = "depth"\nform = "linear"\nwhy = "Once more."\nprior = ' + DEPTH_PRIOR
    (fault,) = faults_of(tmp_path, PLAIN.replace("[support]", again + "\n[support]"))
    assert fault.what == "a second term of the same features"


def test_a_feature_far_from_all_names_is_told_all_of_them(tmp_path: Path) -> None:
    (fault,) = faults_of(tmp_path, PLAIN.replace("depth = [0.3, 0.6]", "qqqq = [1.0]"))
    assert fault.allowed == ", ".join(FEATURES)


# --- all at once


def test_all_faults_of_a_file_are_told_at_once(tmp_path: Path) -> None:
    text = PLAIN
    for old, new in (
        ('outcome = "course"', 'outcome = "curse"\nlink = "probit"\nstrata = "depth"'),
        ('effect = "free"', 'effect = "smooth"'),
        ('reference = "ring"', 'reference = "rings"'),
        ('form = "linear"', 'form = "cubic"'),
        ('form = "interaction"', 'form = "interaction"\nknots = 3'),
        ('level = "cloud", end = "stopped"', 'level = "fog", end = "stopped"'),
        ("opacity = []", "opacity = [1.0]"),
    ):
        assert old in text
        text = text.replace(old, new)
    assert [(place, what) for place, what, _ in told(faults_of(tmp_path, text))] == [
        ("outcome", "'curse'"),
        ("link", "'probit'"),
        ("terms 2, form", "'cubic'"),
        ("term 1 (opacity)", "reference 'rings'"),
        # the broken term of depth still counts as there, and no end is called unknown while the outcome is
        ("term 3 (opacity x depth)", "knots is not a setting of interaction"),
        ("term 3 (opacity x depth)", "prior of unknown level fog"),
        ("support, opacity", "band edges of a category"),
        ("strata", "depth is not a category"),
        ("strata", "a life table by strata takes no terms"),
    ]


REQUIRED = ("name", "title", "purpose", "outcome")


@pytest.mark.parametrize(
    ("data", "places"),
    [
        ("terms = 3", {*REQUIRED, "terms", "sessions, step"}),
        ('terms = ["depth"]', {*REQUIRED, "terms 1", "sessions, step"}),
        ("sessions = 1\nsupport = 2\nstrata = 3", {*REQUIRED, "sessions", "support", "strata"}),
    ],
)  # fmt: skip
def test_parts_of_the_wrong_kind_do_not_hide_the_rest(tmp_path: Path, data: str, places: set[str]) -> None:
    assert {place for place, _, _ in told(faults_of(tmp_path, data))} == places


def test_a_very_long_value_is_cut_in_the_message(tmp_path: Path) -> None:
    (fault,) = faults_of(tmp_path, PLAIN.replace('outcome = "course"', f'outcome = "{"x" * 500}"'))
    assert len(fault.what) == 60


def test_the_faults_read_as_lines(tmp_path: Path) -> None:
    path = written(tmp_path, PLAIN.replace("knots", "").replace('reference = "ring"', 'reference = "rng"'))
    with pytest.raises(DefinitionError) as caught:
        read_definition(path)
    expected = f"{path}: term 1 (opacity): reference 'rng'; allowed: ring, strand, cloud, sheet"
    assert str(caught.value) == expected
