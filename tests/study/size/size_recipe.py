"""How data/closed.csv came about: pip install pmsampsize==0.1.0 pmvalsampsize==0.2.1, then run this file."""


def main() -> None:
    from pmsampsize.pmsampsize import pmsampsize
    from pmvalsampsize.pmvalsampsize import pmvalsampsize

    for inputs in (
        {"type": "b", "csrsquared": 0.288, "parameters": 24, "prevalence": 0.174},
        {"type": "b", "csrsquared": 0.05, "parameters": 30, "prevalence": 0.05},
        {"type": "b", "csrsquared": 0.2, "parameters": 20, "prevalence": 0.4},
        {"type": "b", "csrsquared": 0.1, "parameters": 10, "prevalence": 0.3, "shrinkage": 0.95},
        {"type": "s", "csrsquared": 0.051, "parameters": 30, "rate": 0.065, "timepoint": 2, "meanfup": 2.07},
        {"type": "s", "csrsquared": 0.051, "parameters": 25, "rate": 0.065, "timepoint": 2, "meanfup": 2.07},
        {"type": "s", "csrsquared": 0.1, "parameters": 7, "rate": 0.35, "timepoint": 2, "meanfup": 2.0},
    ):
        table = pmsampsize(noprint=True, **inputs)["results_table"]
        print(inputs, [row[1] for row in table if len(row) > 2])
    for inputs in (
        {"prevalence": 0.018, "cstatistic": 0.8, "lpnormal": (-5, 2.5), "oeciwidth": 1},
        {"prevalence": 0.2, "cstatistic": 0.78, "lpnormal": (-1.75, 1.22)},
        {"prevalence": 0.031, "cstatistic": 0.74, "lpnormal": (-4.02, 1.17)},
    ):
        table = pmvalsampsize(type="b", noprint=True, **inputs)["results_table"]
        print(inputs, [row[1] for row in table if len(row) > 2])


if __name__ == "__main__":
    main()
