"""Flow, first table, life table and curves against counts by hand, other code and other software."""

from __future__ import annotations

import warnings
from itertools import combinations

import numpy as np
import pandas as pd
import pytest

import retreat
import synthetic
from retreat.checks.follow_up import followed_past as followed_of_courses
from retreat.definitions import read_definition
from retreat.errors import TableError
from retreat.fitting.design import design
from retreat.study.cohort import describe_cohort
from retreat.study.cohort.curves import incidence_table
from retreat.study.cohort.differences import of_shares
from retreat.study.cohort.leaving import leaving
from retreat.study.cohort.life_table import life_table
from retreat.study.cohort.studied import Studied, studied
from retreat.validation import aalen_johansen


@pytest.fixture(scope="module")
def clinic(tmp_path_factory):
    folder = tmp_path_factory.mktemp("registry")
    synthetic.make("registry", cases=900, truth=False).write(folder)
    cases = retreat.read_cases(folder / "cases.csv")
    return cases, retreat.read_visits(folder / "visits.csv", cases)


@pytest.fixture(scope="module")
def cohort(clinic):
    cases, visits = clinic
    return describe_cohort(cases, "core", visits=visits, by="site", horizon=4, resamples=200)


@pytest.fixture(scope="module")
def frames(cohort):
    return cohort.to_frames()


def test_flow_adds_up_and_ends_with_the_cases_of_a_fit(clinic, frames):
    cases, _ = clinic
    flow = frames["flow"].set_index(["step", "reason"])["cases"]
    fitted = design(cases, read_definition("core"))
    assert flow["in the table", ""] == len(cases)
    assert flow["in the table", ""] == flow["left out", "not begun"] + flow["begun", ""]
    missing = flow[flow.index.get_level_values("reason").str.endswith(" missing")]
    assert flow["begun", ""] == missing.sum() + flow["analysed", ""]
    assert flow["analysed", ""] == len(fitted.sessions)
    assert flow["in the table", ""] - flow["analysed", ""] == fitted.n_left_out


def test_flow_counts_patients_eyes_operators_and_sites_once(clinic, frames):
    cases, _ = clinic
    first = frames["flow"].iloc[0]
    assert first["patients"] == cases["patient"].nunique()
    assert first["eyes"] == len(cases.drop_duplicates(["patient", "eye"]))
    assert (first["operators"], first["sites"]) == (cases["operator"].nunique(), 3)


def by_other_software(data, numbers, categories):
    """PyPI tableone (Pollard and others, JAMIA Open 2018): counts, moments, quartiles, standardised differences."""
    from tableone import TableOne

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it sets rows in a way that pandas will drop
        return TableOne(
            data,
            columns=[*numbers, *categories],
            continuous=list(numbers),
            categorical=list(categories),
            groupby="site",
            smd=True,
            include_null=False,
        )


def test_first_table_is_that_of_other_software(clinic, frames):
    begun = clinic[0][clinic[0]["sessions"] >= 1]
    numbers, categories = ("size_mm", "eccentricity_deg", "relief_before", "sphere_d"), ("opacity", "cornea")
    other = by_other_software(begun, numbers, categories)
    table = frames["baseline"].set_index(["feature", "level", "group"])
    for group in sorted(begun["site"].unique()):
        for name in numbers:
            theirs = other.cont_describe.xs(group, level=1, axis=1).loc[name]
            ours = table.loc[(name, "known", group)]
            told = [ours[c] for c in ("n", "mean", "sd", "low_quartile", "median", "high_quartile")]
            assert told == pytest.approx(
                [theirs[c] for c in ("count", "mean", "std", "q25", "median", "q75")], rel=1e-12
            )
        for name in categories:
            for level, n in other.cat_describe["freq"][group].loc[name].items():
                assert table.loc[(name, level, group), "n"] == n
    for name in numbers:
        assert table.loc[(name, "missing", "all"), "n"] == begun[name].isna().sum()


def test_standardised_differences_are_those_of_other_software(clinic, frames):
    begun = clinic[0][clinic[0]["sessions"] >= 1]
    names = (("size_mm", "relief_before", "sphere_d"), ("opacity", "cornea"))
    theirs = by_other_software(begun, *names).smd_table
    ours = frames["differences"].set_index(["feature", "first", "second"])["difference"]
    for name in (*names[0], *names[1]):
        for first, second in combinations(sorted(begun["site"].unique()), 2):
            pair = begun[begun["site"].isin([first, second])]
            if pair[name].nunique() < begun[name].nunique() and name in names[1]:
                continue  # it inverts a singular matrix where neither group has a level; the next test is of that
            assert ours[name, first, second] == pytest.approx(
                float(theirs.loc[name, f"SMD ({first},{second})"]), rel=1e-9
            )


def test_a_level_neither_group_has_changes_no_difference():
    first, second = np.array(["a"] * 30 + ["b"] * 20), np.array(["a"] * 10 + ["b"] * 20)
    shares = np.array([[0.6, 0.4], [1 / 3, 2 / 3]])
    covariance = sum(np.diag(p) - np.outer(p, p) for p in shares) / 2
    by_hand = np.sqrt((shares[1] - shares[0]) @ np.linalg.pinv(covariance) @ (shares[1] - shares[0]))
    assert of_shares(first, second, ("z", "a", "b")) == pytest.approx(by_hand)
    assert of_shares(first, second, ("a", "b", "z")) == pytest.approx(by_hand)


def test_age_counts_once_a_patient_and_opacity_once_a_case(clinic, frames):
    begun = clinic[0][clinic[0]["sessions"] >= 1]
    table = frames["baseline"].set_index(["feature", "level", "group"])
    ages = begun.groupby("patient")["age"].min()
    assert table.loc[("age", "known", "all"), "n"] == ages.notna().sum() < len(begun)
    assert table.loc[("age", "known", "all"), "mean"] == pytest.approx(ages.mean())
    assert table.loc[("opacity", "ring", "all"), "n"] == (begun["opacity"] == "ring").sum()


def test_life_table_counts_are_those_of_person_sessions(clinic, frames):
    begun = clinic[0][clinic[0]["sessions"] >= 1]
    for row in frames["life_table"].itertuples():
        of = begun if row.kind == "all" else begun[begun["opacity"] == row.kind]
        here = of[of["sessions"] == row.session]["ending"].value_counts()
        assert row.at_risk == (of["sessions"] >= row.session).sum()
        assert row.relieved == here.get("relieved", 0)
        assert row.stopped == here.get("stopped", 0)
        assert row.censored == here.get("ongoing", 0)
        assert row.hazard_relieved == pytest.approx(row.relieved / row.at_risk)
        assert row.hazard_relieved_low < row.hazard_relieved < row.hazard_relieved_high


def test_curves_are_aalen_johansen_and_inside_their_intervals(clinic, frames):
    begun = clinic[0][clinic[0]["sessions"] >= 1]
    table = frames["incidence"]
    for kind in table["kind"].unique():
        of = begun if kind == "all" else begun[begun["opacity"] == kind]
        ending = of["ending"].map({"ongoing": 0, "relieved": 1, "stopped": 2})
        seen = aalen_johansen(of["sessions"], ending, n_ends=2, horizon=4)
        here = table[table["kind"] == kind].set_index("state")
        for j, end in enumerate(("relieved", "stopped")):
            np.testing.assert_allclose(here.loc[end, "incidence"], seen.incidence[j], rtol=1e-12)
        np.testing.assert_allclose(here.loc["in_treatment", "incidence"], seen.in_treatment, rtol=1e-12)
    assert (table["low"] <= table["incidence"]).all()
    assert (table["incidence"] <= table["high"]).all()


def test_followed_is_the_reverse_life_table_of_the_checks(clinic, frames):
    begun = clinic[0][clinic[0]["sessions"] >= 1]
    ending = begun["ending"].ne("ongoing").to_numpy(dtype=int)
    past = followed_of_courses(begun["sessions"].to_numpy(), ending)
    ours = frames["life_table"].query("kind == 'all'")["followed"]
    np.testing.assert_allclose(ours, past[1:5], rtol=1e-12)


def test_ongoing_cases_are_told_from_lost_by_their_last_visit(clinic, frames):
    cases, visits = clinic
    table = frames["follow_up"].set_index(["what", "level"])
    assert table.loc["standing", "n"].sum() == (cases.query("sessions >= 1")["ending"] == "ongoing").sum()
    last = visits[visits["missed"] != "yes"].groupby("case")["day"].max()
    one = cases[(cases["ending"] == "ongoing") & (cases["sessions"] >= 1)].set_index("case")
    seen = pd.to_datetime(one["started"]) + pd.to_timedelta(last.reindex(one.index), unit="D")
    everyone = cases[cases["sessions"] >= 1].set_index("case")
    newest = (
        pd.to_datetime(everyone["started"]) + pd.to_timedelta(last.reindex(everyone.index), unit="D")
    ).max()
    assert table.loc[("standing", "lost"), "n"] == (newest - seen > pd.Timedelta(days=180)).sum()


def pairs(rng, n_patients):
    """Invented eyes, two a patient, of one luck: relieved at each session with a chance of the patient's own."""
    chance = np.repeat(rng.beta(0.5, 0.75, n_patients), 2)
    sessions = np.minimum(rng.geometric(np.clip(chance, 0.02, 0.98)), 6)
    lost = rng.geometric(0.1, len(chance))
    ending = (sessions <= lost).astype(np.int64)
    done = np.minimum(sessions, lost).astype(np.int64)
    patient, eye = np.repeat(np.arange(n_patients), 2), np.arange(len(chance))
    kind = np.full(len(chance), "ring", dtype=object)
    return Studied({}, "opacity", kind, ("ring",), patient, eye, done, np.where(done == 6, 0, ending))


def test_intervals_of_curves_cover_where_eyes_of_a_patient_are_alike():
    rng = np.random.default_rng(5)
    truth = (
        incidence_table(leaving(pairs(rng, 200_000), horizon=2, resamples=2, level=0.95, seed=1))
        .frame.query("kind == 'all' and state == 'relieved'")["incidence"]
        .to_numpy()
    )
    inside = np.zeros(2)
    for seed in range(300):
        found = leaving(pairs(rng, 80), horizon=2, resamples=200, level=0.9, seed=seed)
        told = incidence_table(found).frame.query("kind == 'all' and state == 'relieved'")
        inside += ((told["low"] <= truth) & (truth <= told["high"])).to_numpy()
    # 90% meant; three standard errors of 300 clinics are 5 points. Eyes taken as independent cover 80%
    assert inside / 300 == pytest.approx([0.9, 0.9], abs=0.055)


def one_session(rng, n_patients, share, *, both=0.5):
    """Invented eyes seen at one session, half of the patients with two of one luck; `share` of them are relieved."""
    patient = np.repeat(np.arange(n_patients), 1 + (rng.random(n_patients) < both))
    chance = (
        rng.beta(2.0 * share, 2.0 * (1.0 - share), n_patients)
        if 0.0 < share < 1.0
        else np.full(n_patients, share)
    )
    ending = (rng.random(len(patient)) < chance[patient]).astype(np.int64)
    kind, done = np.full(len(patient), "ring", dtype=object), np.ones(len(patient), dtype=np.int64)
    return Studied({}, "opacity", kind, ("ring",), patient, np.arange(len(patient)), done, ending)


@pytest.mark.parametrize(("n_patients", "share"), [(20, 0.1), (20, 0.5), (100, 0.02)])
def test_intervals_of_curves_cover_with_few_patients_or_events(n_patients, share):
    rng, inside, clinics = np.random.default_rng(9), 0, 150
    for seed in range(clinics):
        found = leaving(one_session(rng, n_patients, share), horizon=1, resamples=60, level=0.95, seed=seed)
        told = incidence_table(found).frame.query("kind == 'all' and state == 'relieved'").iloc[0]
        assert told["high"] > told["low"]
        inside += told["low"] <= share <= told["high"]
    # 95% meant; three standard errors of 150 clinics are 5 points. Percentiles cover about 80%
    assert inside / clinics > 0.95 - 0.053


@pytest.mark.parametrize("share", [0.0, 1.0])
def test_intervals_where_all_fare_alike_are_those_of_as_many_patients(share):
    found = leaving(
        one_session(np.random.default_rng(1), 103, share), horizon=1, resamples=50, level=0.95, seed=1
    )
    low, high = (0.0, 0.0360) if share == 0.0 else (0.9640, 1.0)  # z^2 / (n + z^2) = 3.8415 / 106.8415
    curve = incidence_table(found).frame.query("kind == 'all'").set_index("state")
    assert curve.loc["relieved", ["low", "high"]].tolist() == pytest.approx([low, high], abs=5e-5)
    assert curve.loc["in_treatment", ["low", "high"]].tolist() == pytest.approx([1 - high, 1 - low], abs=5e-5)
    hazard = life_table(found).frame.query("kind == 'all'").iloc[0]
    assert hazard["at_risk"] > 103
    told = hazard[["hazard_relieved_low", "hazard_relieved_high"]].tolist()
    assert told == pytest.approx([low, high], abs=5e-5)


def test_an_end_nobody_had_is_told_no_surer_than_those_followed_allow():
    """100 invented patients with two eyes each, 95 of them lost after the first session; none was stopped."""
    patient = np.repeat(np.arange(100), 2)
    done = np.where(patient < 95, 1, 2)
    kind = np.full(200, "ring", dtype=object)
    seen = Studied(
        {}, "opacity", kind, ("ring",), patient, np.arange(200), done, np.zeros(200, dtype=np.int64)
    )
    found = leaving(seen, horizon=2, resamples=50, level=0.95, seed=1)
    stopped = incidence_table(found).frame.query("kind == 'all' and state == 'stopped'").set_index("session")
    assert stopped["high"].tolist() == pytest.approx([0.0370, 0.4345], abs=5e-5)  # of 100 and of 5
    assert life_table(found).frame.query("kind == 'all'")["hazard_stopped_high"].tolist() == pytest.approx(
        [0.0370, 0.4345], abs=5e-5
    )


def test_intervals_depend_on_the_seed_alone(clinic):
    seen = studied(clinic[0], by="opacity")
    first, again, other = (leaving(seen, horizon=3, resamples=120, level=0.9, seed=s) for s in (1, 1, 2))
    np.testing.assert_array_equal(first.resampled, again.resampled)
    assert (first.resampled != other.resampled).any()
    assert (
        first.resampled.sum(axis=(2, 3))[:, 0] != first.counts[0].sum()
    ).any()  # patients, not cases, are drawn


@pytest.mark.parametrize(
    ("options", "match"),
    [
        ({"by": "age"}, "by"),
        ({"by": "shoe"}, "by"),
        ({"features": ["corneal_surgery"]}, "features"),
        ({"horizon": 0}, "horizon"),
        ({"resamples": 5}, "resamples"),
        ({"level": 1.0}, "level"),
        ({"seed": -1}, "seed"),
    ],
)
def test_arguments_out_of_range_are_refused(clinic, options, match):
    with pytest.raises(TableError, match=match):
        describe_cohort(clinic[0], **options)
