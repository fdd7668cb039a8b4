"""How data/marginaleffects.csv came about. Not run by the tests.

Made with Python 3.13, marginaleffects 0.6.1, statsmodels 0.15.0 and numpy 2.5.5; the tests do not need the first:

    pip install marginaleffects==0.6.1 "polars<2" statsmodels==0.15.0 && python effects_recipe.py FOLDER

FOLDER is tests/external/data, which holds unempdur.csv (see its README for the source). Spells are followed to period 4
and told apart as full-time work (end 1) and any other work (end 2). Multinomial logit on one row a spell and period,
one intercept a period, age, log wage, benefit and benefit x age; average comparisons over all rows, standard errors by
the delta method with the inverse information.
"""

import sys


def main(folder: str) -> None:
    import numpy as np
    import pandas as pd
    import statsmodels.formula.api as smf
    from marginaleffects import avg_comparisons

    spells = pd.read_csv(f"{folder}/unempdur.csv")
    sessions = np.minimum(spells.spell, 4)
    ending = np.where(spells.spell <= 4, np.minimum(spells.cause, 2), 0)
    rows = spells.loc[spells.index.repeat(sessions)]
    t = rows.groupby(level=0).cumcount() + 1
    last = (t == sessions[rows.index]).to_numpy()
    rows = rows.assign(t=pd.Categorical(t.astype(str)), y=np.where(last, ending[rows.index], 0)).reset_index(
        drop=True
    )
    fit = smf.mnlogit("y ~ t + age + logwage + ui + ui:age", rows).fit(
        disp=0, method="newton", maxiter=200, tol=1e-13
    )
    print("feature,value,against,end,kind,estimate,standard_error")
    for feature, value, against in (("ui", 1, 0), ("logwage", 6.0, 5.0), ("age", 45.0, 30.0)):
        for kind in ("difference", "ratio"):
            # a ratio of averages, on the log scale
            how = "lnratioavg" if kind == "ratio" else kind
            found = avg_comparisons(fit, variables={feature: [against, value]}, comparison=how)
            for row in found.to_dicts():
                if str(row["group"]) != "0":
                    print(
                        f"{feature},{value:g},{against:g},{row['group']},{kind},"
                        f"{row['estimate']:.12g},{row['std_error']:.12g}"
                    )


if __name__ == "__main__":
    main(sys.argv[1])
