"""Logged forecasts held against what happened: observed over expected by quarter, and a chart that signals drift."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from math import ceil, isfinite
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from retreat.errors import Fault, FitError, TableError
from retreat.fitting.arguments import is_whole
from retreat.tables import as_cases
from retreat.updating.chart import ODDS, FloatArray, Threshold, cusum, find_threshold
from retreat.updating.kept_threshold import KeptThreshold, kept_for, read_kept, write_kept
from retreat.updating.log import Logged, read_log

if TYPE_CHECKING:
    import pandas as pd

# forecasts whose next session has happened, and of the first end expected and not, below which the chart says nothing
# (our judgement: under five expected, one case more or less decides)
LEAST, LEAST_EXPECTED = 20, 5.0
_QUARTERLY = ("quarter", "end", "n", "observed", "expected", "ratio", "low", "high", "reason")
_CHART = ("number", "quarter", "chance", "seen", "better", "worse", "signal")


@dataclass(frozen=True)
class QuarterRow:
    """Ends at the session after a forecast: observed and expected of the forecasts made in a quarter."""

    quarter: str
    end: str
    n: int
    observed: int
    expected: float
    ratio: float
    low: float
    high: float
    reason: str = ""


@dataclass(frozen=True)
class ChartRow:
    """One outcome on the chart of the first end, with both sides after it."""

    number: int
    quarter: str
    chance: float
    seen: int
    better: float
    worse: float
    signal: bool


@dataclass(frozen=True)
class Watch:
    """What a watch found.

    Parameters
    ----------
    model_id : str
        The model watched.
    n_forecasts, n_resolved : int
        Forecasts of it in the log, and those whose next session has happened.
    quarter_rows : tuple of QuarterRow
        By quarter and end, and over all (quarter ``"all"``).
    chart_rows : tuple of ChartRow
        The chart of the first end; empty where there are too few.
    threshold : Threshold or None
        Where the chart signals, fixed at the first watch; None where there are too few.
    action : str
        ``"nothing"``, ``"collect"`` or ``"recalibrate"``.
    left_out : tuple of str
        Forecasts that could not be used, and why.
    words : tuple of str
        What was found and what to do.
    """

    model_id: str
    n_forecasts: int
    n_resolved: int
    quarter_rows: tuple[QuarterRow, ...]
    chart_rows: tuple[ChartRow, ...]
    threshold: Threshold | None
    action: str
    left_out: tuple[str, ...]
    words: tuple[str, ...]

    @property
    def by_quarter(self) -> pd.DataFrame:
        """Observed over expected by quarter and end, with intervals."""
        import pandas as pd  # heavy: only whoever asks for a table pays for it

        rows = [[getattr(r, c) for c in _QUARTERLY] for r in self.quarter_rows]
        return pd.DataFrame(rows, columns=list(_QUARTERLY)).astype(
            dict.fromkeys(("quarter", "end", "reason"), "str")
        )

    @property
    def chart(self) -> pd.DataFrame:
        """The chart, one row an outcome."""
        import pandas as pd  # heavy: only whoever asks for a table pays for it

        rows = [[getattr(r, c) for c in _CHART] for r in self.chart_rows]
        return pd.DataFrame(rows, columns=list(_CHART)).astype({"quarter": "str"})

    def to_json(self) -> dict[str, Any]:
        """Every number as plain lists, without the keys of cases; what could not be estimated is null."""
        return {
            "model_id": self.model_id,
            "n_forecasts": self.n_forecasts,
            "n_resolved": self.n_resolved,
            "by_quarter": [
                {k: None if isinstance(v, float) and not isfinite(v) else v for k, v in asdict(row).items()}
                for row in self.quarter_rows
            ],
            "chart": [asdict(row) for row in self.chart_rows],
            "threshold": None if self.threshold is None else asdict(self.threshold),
            "action": self.action,
            "left_out": list(self.left_out),
            "words": list(self.words),
        }


def watch(
    log: str | Path | Sequence[Logged],
    cases: pd.DataFrame,
    *,
    model_id: str,
    false_alarm: float = 0.05,
    level: float = 0.95,
    threshold: Threshold | None = None,
    seed: int = 1,
) -> Watch:
    """Hold a model's logged forecasts against what happened at the next session.

    Each forecast of a case after so many sessions counts once, at the first session after it: whether the case was
    relieved at it, stopped, or went on. Given a right model such outcomes, in their order, are independent at the
    chances forecast. The chart of the first end is the two-sided risk-adjusted CUSUM of Steiner and others 2000
    (:func:`retreat.updating.chart.cusum`) for odds twice and half those forecast. Its threshold is found by
    simulation at the first watch with outcomes enough, so that a right model signals with chance `false_alarm` within
    as many outcomes as a year's forecasts can have at the volume seen then. It is kept beside the log and serves all
    later watches: each runs the whole chart from its start against the same height, so that a look every quarter
    finds what one look at the end would. In Y times as many outcomes the chance is about 1 - (1 - `false_alarm`)^Y.
    Simulated with 160 outcomes a year and a look each quarter, 6% of right models signalled within a year and 13%
    within two (standard errors of 1% and 2%), where 5% and 10% were stated.
    Intervals of observed / expected are Garwood's (1936, from memory), exact for a Poisson count and somewhat wide
    here.

    Parameters
    ----------
    log : str, Path or sequence of Logged
        The log of :func:`retreat.updating.append_forecast`. The threshold is written to a file beside it, named like
        it with ``.watch.json`` added. For forecasts in memory nothing is written.
    cases : DataFrame
        The case table as it is now; it is checked.
    model_id : str
        Fingerprint of the model watched; forecasts of others are left aside and counted.
    false_alarm : float in (0, 1)
        Chance of a false alarm a year.
    level : float in (0, 1)
        Coverage of the intervals.
    threshold : Threshold, optional
        That of an earlier watch, for forecasts in memory; by default it is the one kept beside the log, or found.
    seed : int, from 0
        Seed of the simulation.

    Returns
    -------
    Watch
        With too few outcomes, no chart, and words that say so.

    Raises
    ------
    TableError
        If the log, the file beside it or the table is refused, or that file cannot be written.
    FitError
        If an argument is out of range, or the log holds no forecast of the model.

    Notes
    -----
    The forecasts are held against what happened as they were told: an alarm may come from a change in the clinic or
    from the model's own error. Two eyes of one patient go together, so that in clinics with many of them false
    alarms are more frequent than stated.
    """
    _check(false_alarm, level, seed)
    every = read_log(log) if isinstance(log, str | Path) else tuple(log)
    own = [one for one in every if one.model == model_id]
    if not own:
        others = ", ".join(sorted({one.model for one in every})[:5]) or "nothing"
        what = f"no forecast of model {model_id} (it holds {others})"
        raise FitError(
            Fault("log", what, "forecasts of the model watched", "retreat forecast --log, with this model")
        )
    ends = own[0].ends
    if any(one.ends != ends for one in own):
        raise TableError(
            Fault("log", f"forecasts of model {model_id} with different ends", "one set of ends")
        )
    resolved, why = _resolved(own, as_cases(cases), ends)
    if len(own) < len(every):
        why = (f"{len(every) - len(own)} forecasts of other models", *why)
    rows = _by_quarter(resolved, ends, level)
    chance = np.array([one.next_session[0] for one, _ in resolved])
    seen = np.array([float(way == 1) for _, way in resolved])
    enough = len(resolved) >= LEAST and min(chance.sum(), (1 - chance).sum()) >= LEAST_EXPECTED
    chart_rows: tuple[ChartRow, ...] = ()
    height: Threshold | None = None
    if enough:
        height = threshold or _threshold(log, model_id, own, resolved, chance, false_alarm, seed)
        chart_rows = _charted(resolved, chance, seen, height)
    action = _action(enough, chart_rows)
    words = _words(rows, chart_rows, height, len(own), len(resolved), ends[0], why)
    return Watch(model_id, len(own), len(resolved), rows, chart_rows, height, action, why, words)


def _resolved(
    own: Iterable[Logged], table: pd.DataFrame, ends: tuple[str, ...]
) -> tuple[list[tuple[Logged, int]], tuple[str, ...]]:
    """Forecasts whose next session has happened, in the order of quarters, with how the case ended at it (0 not)."""
    now = {
        str(case): (int(sessions), str(ending))
        for case, sessions, ending in zip(table["case"], table["sessions"], table["ending"], strict=True)
    }
    found: list[tuple[Logged, int]] = []
    why: Counter[str] = Counter()
    counted: set[tuple[str, int]] = set()
    for one in own:
        if (one.case, one.done) in counted:
            continue
        counted.add((one.case, one.done))
        if one.case not in now:
            why["of cases that are not in the table"] += 1
            continue
        sessions, ending = now[one.case]
        if sessions < one.done:
            why["of cases that have fewer sessions now than when they were forecast"] += 1
        elif sessions == one.done:
            waits = ending == "ongoing"
            why[
                "whose next session has not happened yet"
                if waits
                else "of cases that ended without another session"
            ] += 1
        elif sessions == one.done + 1 and ending != "ongoing":
            # an outcome with one end calls every ending by it
            found.append((one, 1 if len(ends) == 1 else ends.index(ending) + 1))
        else:
            found.append((one, 0))
    found.sort(key=lambda pair: pair[0].made)  # stable: within a quarter the order of the log
    return found, tuple(f"{n} {reason}" for reason, n in why.items())


def _by_quarter(
    resolved: Sequence[tuple[Logged, int]], ends: tuple[str, ...], level: float
) -> tuple[QuarterRow, ...]:
    quarters = sorted({one.made for one, _ in resolved})
    rows = []
    for quarter in (*quarters, "all"):
        part = [pair for pair in resolved if quarter in (pair[0].made, "all")]
        for j, end in enumerate(ends):
            observed = sum(way == j + 1 for _, way in part)
            expected = float(sum(one.next_session[j] for one, _ in part))
            rows.append(_ratio(quarter, end, len(part), observed, expected, level))
    return tuple(rows)


def _ratio(quarter: str, end: str, n: int, observed: int, expected: float, level: float) -> QuarterRow:
    if expected <= 0:
        nan = float("nan")
        return QuarterRow(quarter, end, n, observed, expected, nan, nan, nan, "none were expected")
    from scipy.stats import chi2  # heavy: only a watch pays for it

    tail = (1 - level) / 2
    low = float(chi2.ppf(tail, 2 * observed)) / 2 if observed else 0.0
    high = float(chi2.ppf(1 - tail, 2 * observed + 2)) / 2
    return QuarterRow(
        quarter, end, n, observed, expected, observed / expected, low / expected, high / expected
    )


def _threshold(
    log: str | Path | Sequence[Logged],
    model_id: str,
    own: Sequence[Logged],
    resolved: Sequence[tuple[Logged, int]],
    chance: FloatArray,
    false_alarm: float,
    seed: int,
) -> Threshold:
    """The threshold kept beside the log, or one found now and kept there."""
    path = Path(log) if isinstance(log, str | Path) else None
    kept = read_kept(path) if path else ()
    if found := kept_for(kept, model_id, false_alarm):
        return found.threshold
    # every forecast may have its outcome yet: those that have by now are fewer than a year will bring
    made = {(one.case, one.done): one.made for one in reversed(own)}
    planned = ceil(len(made) / _years(made.values()))
    threshold = find_threshold(chance, planned=planned, false_alarm=false_alarm, seed=seed)
    if path:
        last = max(one.made for one, _ in resolved)
        write_kept(path, (*kept, KeptThreshold(model_id, threshold, last, len(resolved))))
    return threshold


def _charted(
    resolved: Sequence[tuple[Logged, int]], chance: FloatArray, seen: FloatArray, threshold: Threshold
) -> tuple[ChartRow, ...]:
    better, worse = cusum(chance, seen)
    return tuple(
        ChartRow(
            t + 1,
            resolved[t][0].made,
            float(chance[t]),
            int(seen[t]),
            float(better[t]),
            float(worse[t]),
            bool(max(better[t], worse[t]) > threshold.height),
        )
        for t in range(len(resolved))
    )


def _years(quarters: Iterable[str]) -> float:
    """Years from the first quarter to the last, both included."""
    numbers = [int(one[:4]) * 4 + int(one[5]) for one in quarters]
    return (max(numbers) - min(numbers) + 1) / 4


def _action(enough: bool, chart: Sequence[ChartRow]) -> str:
    if not enough:
        return "collect"
    return "recalibrate" if any(row.signal for row in chart) else "nothing"


def _words(
    rows: Sequence[QuarterRow],
    chart: Sequence[ChartRow],
    threshold: Threshold | None,
    n_forecasts: int,
    n_resolved: int,
    end: str,
    why: Sequence[str],
) -> tuple[str, ...]:
    lines = [f"{n_forecasts} forecasts, {n_resolved} of them with the next session known."]
    if why:
        lines.append(f"Left aside: {'; '.join(why)}.")
    whole = next((row for row in rows if row.quarter == "all" and row.end == end), None)
    if whole is not None and whole.ratio == whole.ratio:
        lines.append(
            f"Over all {whole.observed} were {end.replace('_', ' ')} at the next session where "
            f"{whole.expected:.1f} were expected: "
            f"observed/expected {whole.ratio:.2f} ({whole.low:.2f} to {whole.high:.2f})."
        )
    if threshold is None:
        lines.append(
            f"Too few to tell: {LEAST} outcomes are needed, with {LEAST_EXPECTED:g} {end} expected and as many "
            "not. Go on collecting."
        )
        return tuple(lines)
    chances = " and ".join(
        f"{100 * power:.0f}% for odds {'twice' if odds > 1 else 'half'} those forecast"
        for odds, power in zip(ODDS, threshold.power, strict=True)
    )
    lines.append(
        f"The chart signals falsely with chance {100 * threshold.false_alarm:.0f}% in {threshold.planned} outcomes, "
        "about a year's when it began, however often it is looked at; within them it finds a change with chance "
        f"{chances}."
    )
    signal = next((row for row in chart if row.signal), None)
    if signal is not None:
        side = "more" if signal.better > signal.worse else "fewer"
        lines.append(
            f"Signal at outcome {signal.number} ({signal.quarter}): {side} were {end} than forecast, beyond "
            "chance. Ask what changed "
            "(laser, operator, referrals, how relief is asked), then recalibrate: retreat update. Until then "
            "say with each forecast that it "
            "has been off."
        )
    else:
        lines.append("No signal: nothing to do. Go on logging, and watch again next quarter.")
    return tuple(lines)


def _check(false_alarm: object, level: object, seed: object) -> None:
    faults = [
        Fault(name, f"{value!r}", f"between 0 and 1, for example {usual:g}")
        for name, value, usual in (("false_alarm", false_alarm, 0.05), ("level", level, 0.95))
        if not isinstance(value, int | float) or not 0.0 < value < 1.0
    ]
    if not is_whole(seed) or seed < 0:
        faults.append(Fault("seed", f"{seed!r}", "a whole number from 0"))
    if faults:
        raise FitError(faults)
