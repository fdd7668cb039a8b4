"""How the table data/validation_more.csv was made. Not run by the tests.

Made with Python 3.13, numpy 2.5.5, pandas 2.3.3, scikit-learn 1.9.1, scikit-survival 0.28.0, lifelines
0.30.3 and dcurves 1.1.7, none of the last three needed to run the tests:

    python validation_more_recipe.py validation_more.csv

Cases
    df_binary   750 simulated patients shipped with dcurves (Apache-2.0): prediction `cancerpredmarker`,
                `other` is `famhistory`, event 1 is cancer.
    df_surv     750 simulated patients shipped with dcurves (Apache-2.0): prediction `cancerpredmarker`, time in
                years, event 0 lost, 1 cancer, 2 died of something else. No two times are equal, so that a time
                stands for a session by its rank and it does not matter whether weights are G(T) or G(T-).

Numbers
    net_benefit         dcurves.dca; df_surv with `time` 1.5, where deaths count as lost.
    net_benefit of end  df_surv with deaths as a competing end: the incidence by 1.5 of those with a prediction
                        from the threshold on, by scikit-survival; arithmetic of Vickers and others 2008.
    auc                 cumulative_dynamic_auc of scikit-survival, deaths as lost; `rounded` with predictions
                        rounded to one decimal, so that there are ties. Times are times of cancers: at a time
                        of loss scikit-survival drops the case lost then.
    auc of end          the same with deaths as controls: G of scikit-survival and pairs counted one by one.
    scaled_brier        UnempDur, end 1 alone: 1 - score / score of the Kaplan-Meier, the rows `brier_at 10` and
                        `brier_null 10` of validation_scores.csv (validation_recipe.py says how they were made).
    integrated_brier    first_sex, the hazard model of test_validation_scores.py: mean over six grades of squared
                        distances.
"""

THRESHOLDS = [0.05, 0.1, 0.15, 0.2, 0.3, 0.5]
TIMES = [0.25, 0.75, 1.5]


def main(target):
    import os

    import dcurves
    import numpy as np
    import pandas as pd
    from sksurv.metrics import cumulative_dynamic_auc
    from sksurv.nonparametric import CensoringDistributionEstimator, cumulative_incidence_competing_risks
    from sksurv.util import Surv

    folder = os.path.join(os.path.dirname(dcurves.__file__), "data")
    binary = pd.read_csv(os.path.join(folder, "df_binary.csv"))
    survival = pd.read_csv(os.path.join(folder, "df_surv.csv"))
    ways = {"censor": 0, "diagnosed with cancer": 1, "dead other causes": 2}
    event = survival.cancer_cr.map(ways).to_numpy()
    assert not np.isnan(event).any()
    assert survival.ttcancer.is_unique
    assert ((event == 1) == survival.cancer).all()
    cases = pd.concat(
        [
            pd.DataFrame(
                {
                    "data": "df_binary",
                    "prediction": binary.cancerpredmarker,
                    "other": binary.famhistory,
                    "event": binary.cancer.astype(int),
                }
            ),
            pd.DataFrame(
                {
                    "data": "df_surv",
                    "prediction": survival.cancerpredmarker,
                    "time": survival.ttcancer,
                    "event": event,
                }
            ),
        ]
    ).assign(source="dcurves 1.1.7, Apache-2.0")
    rows = []

    def add(data, quantity, value, tolerance, source):
        rows.append((data, quantity, f"{value:.12g}", tolerance, source))

    found = dcurves.dca(
        data=binary, outcome="cancer", modelnames=["cancerpredmarker", "famhistory"], thresholds=THRESHOLDS
    )
    for model, name in [("cancerpredmarker", "model"), ("famhistory", "other"), ("all", "all")]:
        for t in THRESHOLDS:
            value = found[(found.model == model) & np.isclose(found.threshold, t)].net_benefit.iloc[0]
            add("df_binary", f"net_benefit {name} {t}", value, 1e-10, "dcurves 1.1.7 dca")
    found = dcurves.dca(
        data=survival,
        outcome="cancer",
        modelnames=["cancerpredmarker"],
        thresholds=THRESHOLDS[:4],
        time=1.5,
        time_to_outcome_col="ttcancer",
    )
    for model, name in [("cancerpredmarker", "model"), ("all", "all")]:
        for t in THRESHOLDS[:4]:
            value = found[(found.model == model) & np.isclose(found.threshold, t)].net_benefit.iloc[0]
            add("df_surv", f"net_benefit {name} {t}", value, 1e-10, "dcurves 1.1.7 dca with time 1.5")

    p, time = survival.cancerpredmarker.to_numpy(), survival.ttcancer.to_numpy()
    for end in (1, 2):
        for t in THRESHOLDS[:4]:
            offered = p >= t
            times, incidence = cumulative_incidence_competing_risks(event[offered], time[offered])
            by = incidence[end][times <= 1.5][-1]
            value = offered.mean() * (by - (1 - by) * t / (1 - t))
            add(
                "df_surv",
                f"net_benefit of end {end} {t}",
                value,
                1e-10,
                "incidence of scikit-survival 0.28.0 cumulative_incidence_competing_risks",
            )

    def at(t):
        return time[(event == 1) & (time <= t)].max()

    lost_too = Surv.from_arrays(event == 1, time)
    for name, prediction in [("auc", p), ("auc rounded", p.round(1))]:
        for t in TIMES:
            value = cumulative_dynamic_auc(lost_too, lost_too, prediction, at(t))[0][0]
            source = "scikit-survival 0.28.0 cumulative_dynamic_auc"
            add("df_surv", f"{name} {t}", value, 1e-10, source)
    seen = CensoringDistributionEstimator().fit(Surv.from_arrays(event > 0, time))
    for t in TIMES:
        horizon = at(t)
        g = seen.predict_proba(np.minimum(time, horizon))
        for end in (1, 2):
            won = pairs = 0.0
            for i in np.flatnonzero((event == end) & (time <= horizon)):
                for j in range(len(time)):
                    other_end = event[j] not in (0, end) and time[j] <= horizon
                    if time[j] > horizon or other_end:
                        weight = 1 / (g[i] * g[j])
                        pairs += weight
                        won += weight * ((p[i] > p[j]) + (p[i] == p[j]) / 2)
            source = "pairs one by one, G of scikit-survival 0.28.0 CensoringDistributionEstimator"
            add("df_surv", f"auc of end {end} {t}", won / pairs, 1e-10, source)

    # of eight digits each, so that the ratio is good to about 1e-7
    add(
        "unempdur",
        "scaled_brier 10",
        1 - 0.20484139 / 0.23314763,
        2e-7,
        "Graf 1999 with left limit G(T-): score over score of the Kaplan-Meier",
    )
    add("first_sex", "integrated_brier", 0.16690090, 1e-7, "mean over six grades of (F_k - O_k)^2")

    values = pd.DataFrame(rows, columns=["data", "quantity", "value", "tolerance", "source"])
    columns = ["data", "prediction", "other", "time", "event", "quantity", "value", "tolerance", "source"]
    table = pd.concat([cases, values])[columns]
    table["other"] = table.other.astype("Int64")
    table["event"] = table.event.astype("Int64")
    table.to_csv(target, index=False)


if __name__ == "__main__":
    import sys

    main(*sys.argv[1:])
