"""`retreat.fit`: what it takes, what it refuses, what its models say of the invented clinic."""

import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import retreat
import synthetic
from retreat.definitions import read_definition
from retreat.errors import FitError, RetreatError


def clinic(scenario="known", *, seed=3, cases=200):
    return pd.DataFrame(synthetic.make(scenario, seed=seed, cases=cases, truth=False).cases)


def test_core_by_the_logistic_method_is_the_default():
    card = retreat.fit(clinic(), draws=100).card

    assert (card.name, card.method) == ("core", "logistic hazard, penalised by the definition's priors")


def test_a_definition_is_a_name_a_path_or_an_object(tmp_path):
    text = (Path(__file__).parents[1] / "models" / "core.toml").read_text(encoding="utf-8")
    (tmp_path / "mine.toml").write_text(text, encoding="utf-8")
    cases = clinic()

    names = [
        retreat.fit(cases, given, draws=100).card.data_fingerprint
        for given in ("core", tmp_path / "mine.toml", str(tmp_path / "mine.toml"), read_definition("core"))
    ]

    assert len(set(names)) == 1


REFUSED = {
    "an unknown method": ({"method": "magic"}, "method: 'magic'; allowed: 'logistic', 'bayes', 'lifetable'"),
    "a list of methods": ({"method": ["logistic"]}, "method: ['logistic']"),
    "a negative seed": ({"seed": -1}, "seed: -1; allowed: a whole number from 0"),
    "half a seed": ({"seed": 1.5}, "seed: 1.5"),
    "a yes for a seed": ({"seed": True}, "seed: True"),
    "an unknown setting": (
        {"chains": 2},
        "chains: not a setting of logistic; allowed: penalty, covariance, draws",
    ),
    "a setting of the inside": ({"design": 2}, "design: not a setting of logistic"),
    "an unknown penalty": (
        {"penalty": "lasso"},
        "penalty: 'lasso'; allowed: 'prior', 'firth', 'cv' or a number",
    ),
    "a negative penalty": ({"penalty": -1}, "penalty: -1"),
    "a penalty of yes": ({"penalty": True}, "penalty: True"),
    "no penalty at all": ({"penalty": None}, "penalty: None"),
    "an unknown covariance": (
        {"covariance": "robust"},
        "covariance: 'robust'; allowed: 'clustered', 'information'",
    ),
    "few draws": ({"draws": 5}, "draws: 5; allowed: a whole number from 100 to 20000"),
    "half a draw": ({"draws": 150.5}, "draws: 150.5"),
    "draws in words": ({"draws": "many"}, "draws: 'many'"),
    "a regression of a life table": (
        {"definition": "lifetable", "method": "logistic"},
        "definition with strata",
    ),
    "a penalty of a life table": (
        {"definition": "lifetable", "penalty": 0},
        "penalty: not a setting of lifetable",
    ),
    "a draw of a life table": ({"definition": "lifetable", "draws": 3}, "draws: 3"),
    "no definition": ({"definition": None}, "definition: None; allowed: a name, a path or a Definition"),
    "a slip in the name": ({"definition": "cores"}, "did you mean core?"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_what_cannot_be_asked_is_refused(name):
    asked, message = REFUSED[name]

    with pytest.raises(RetreatError) as refused:
        retreat.fit(clinic(), **asked)

    assert message in str(refused.value)


def ongoing(cases):
    return cases.assign(ending="ongoing", stop_reason="not_applicable", relief_after="not_applicable")


TABLES = {
    "five cases": (lambda c: c.iloc[:5], "cases: 5 complete cases of 5; allowed: at least 20 for core"),
    "no cases": (lambda c: c.iloc[:0], "the table has no rows"),
    "nobody ended": (ongoing, "ending: 0 cases have ended; allowed: at least 10 for core"),
    "sizes not recorded": (
        lambda c: c.assign(size_mm="not_recorded"),
        "size_mm: not known in any of 200 cases",
    ),
    "nobody begun": (
        lambda c: ongoing(c).assign(sessions="0"),
        "cases: 0 complete cases of 200",
    ),
}


@pytest.mark.parametrize("name", TABLES)
def test_a_table_that_allows_no_fit_is_refused(name):
    change, message = TABLES[name]

    with pytest.raises(RetreatError) as refused:
        retreat.fit(change(clinic()))

    assert message in str(refused.value)


def test_both_gates_are_told_at_once():
    with pytest.raises(FitError) as refused:
        retreat.fit(ongoing(clinic()).iloc[:5])

    assert [fault.where for fault in refused.value.faults] == ["cases", "ending"]


def test_something_that_is_no_table_is_refused():
    with pytest.raises(
        FitError, match=r"cases: a list; allowed: a DataFrame; to mend: use retreat.read_cases"
    ):
        retreat.fit([1, 2, 3])


def test_a_seed_of_numpy_is_a_seed():
    assert retreat.fit(clinic(), seed=np.int64(4), draws=100).card.seed == 4


def test_the_table_is_left_as_it_was():
    cases = clinic()
    before = cases.copy()

    retreat.fit(cases, draws=100)

    pd.testing.assert_frame_equal(cases, before)


def test_a_logistic_fit_loads_no_sampler(tmp_path):
    import subprocess

    code = (
        "import sys, pandas, synthetic, retreat\n"
        "retreat.fit(pandas.DataFrame(synthetic.make('known', cases=60, truth=False).cases), draws=100)\n"
        "print([m for m in ('pymc', 'arviz', 'statsmodels', 'matplotlib') if m in sys.modules])"
    )

    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)

    assert out.stdout.strip() == "[]"


class TestFactsOfTheTrade:
    """Signs on the invented registry of law `burden`, whose mechanism no fitted model shares [common practice]."""

    @pytest.fixture(scope="class")
    @staticmethod
    def model():
        return retreat.fit(clinic("registry", seed=6000, cases=6000), "core")

    @staticmethod
    def mean_sessions(model, **case):
        """Expected sessions within 8, an end of either kind counting as done, for cases alike but for `case`."""
        base = {"opacity": "ring", "size_mm": 2.5, "lens_gap_mm": 8.0, "retina_gap_mm": 8.0, "cornea": "none"}
        table = pd.DataFrame([{**base, **case}])
        done = model.expected(table, horizon=8)[0].sum(axis=0)
        return 1.0 + (1.0 - done[:-1]).sum()

    def test_a_flattened_cornea_lengthens_the_course(self, model):
        assert self.mean_sessions(model, cornea="myopic_ablation") > self.mean_sessions(model) + 0.05

    def test_a_flattened_cornea_lengthens_the_course_more_when_deep(self, model):
        shallow, deep = ({"lens_gap_mm": g, "retina_gap_mm": 16.0 - g} for g in (4.0, 13.0))

        more = [
            self.mean_sessions(model, cornea="myopic_ablation", **at) - self.mean_sessions(model, **at)
            for at in (shallow, deep)
        ]

        assert more[1] > more[0]

    def test_a_large_opacity_takes_longer_than_a_small_one(self, model):
        assert self.mean_sessions(model, size_mm=6.0) > self.mean_sessions(model, size_mm=1.5) + 0.2

    def test_the_ring_takes_fewest_sessions(self, model):
        others = [self.mean_sessions(model, opacity=kind) for kind in ("strand", "cloud", "sheet")]

        assert self.mean_sessions(model) < min(others)

    def test_the_sheet_is_relieved_least_and_the_ring_most(self, model):
        relieved = {
            kind: model.expected(
                pd.DataFrame(
                    [
                        {
                            "opacity": kind,
                            "size_mm": 2.5,
                            "lens_gap_mm": 8.0,
                            "retina_gap_mm": 8.0,
                            "cornea": "none",
                        }
                    ]
                ),
                horizon=5,
            )[0, 0, -1]
            for kind in ("ring", "strand", "cloud", "sheet")
        }

        assert min(relieved, key=relieved.get) == "sheet"
        assert max(relieved, key=relieved.get) == "ring"


def test_a_definition_of_published_averages_is_not_fitted_as_if_it_had_none() -> None:
    with pytest.raises(FitError, match=r"published rests on published averages.*retreat\.published"):
        retreat.fit(pd.DataFrame(), "published")
