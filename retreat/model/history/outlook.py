"""Another session, or ending now: what a forecast says of one eye in its course.

Information for a decision that patient and doctor share: it sets the two side by side and advises neither.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from retreat.forecast import Forecast

if TYPE_CHECKING:
    import pandas as pd

CAUTIONS = (
    "Information for a shared decision: it is not a decision to treat, not advice and not a promise.",
    "A group estimate: it cannot say which of the eyes this one is.",
    "All chances are of eyes that stand where this one stands and go on.",
    "Eyes that go on and eyes that end differ in more than the session, so their difference is not its effect.",
)


@dataclass(frozen=True)
class Estimate:
    """A number with its range.

    Parameters
    ----------
    estimate : float
        Mean.
    low, high : float
        Ends of an equal-tailed interval.
    """

    estimate: float
    low: float
    high: float


@dataclass(frozen=True)
class Further:
    """One further session of an eye in its course.

    Parameters
    ----------
    session : int
        Counted from the first of the course.
    reached : float
        Chance, from where the eye stands, of coming to this session.
    relieved, stopped : Estimate
        Chance of relief, and of ending without it, at this session among eyes that come to it.
    relieved_by, stopped_by : Estimate
        Chance of relief, and of ending without it, at this session or before it, from where the eye stands.
    bother : float
        Mean bother after it, 0 to 10, among eyes that come to it; NaN where not known.
    """

    session: int
    reached: float
    relieved: Estimate
    stopped: Estimate
    relieved_by: Estimate
    stopped_by: Estimate
    bother: float


@dataclass(frozen=True)
class EndingNow:
    """What is known if the course ends now: no model of what follows an end stands behind it.

    Parameters
    ----------
    bother : float
        Bother as last noted, 0 to 10, about which it is taken to stay; NaN where none was noted since the course
        began.
    noted_after : int
        Session after which it was noted; 0 before the first session, or where none was noted.
    """

    bother: float
    noted_after: int

    @property
    def meaning(self) -> str:
        """The same in words.

        Examples
        --------
        >>> EndingNow(5.0, 2).meaning
        'what follows an end is not forecast; bother is taken to stay about as last noted, 5 after session 2'
        """
        if self.bother != self.bother:
            stays = "bother was not noted"
        else:
            when = f"after session {self.noted_after}" if self.noted_after else "before the first session"
            stays = f"bother is taken to stay about as last noted, {self.bother:g} {when}"
        return f"what follows an end is not forecast; {stays}"


@dataclass(frozen=True)
class Outlook:
    """One eye after the sessions it had: further sessions and ending now, side by side.

    Parameters
    ----------
    forecast : Forecast
        The forecast all chances are of.
    further : tuple of Further
        The sessions to come, the next one first: a curve of what each adds.
    ending_now : EndingNow
        What is known of a course that ends now.
    bother_next : Estimate or None
        Bother after the next session, 0 to 10: mean, and a predictive interval for one eye.
    bother_again : Estimate or None
        Bother rated once more without a session, the same: not the rating last noted, of which a part passes.
    fall_next : Estimate or None
        How much lower bother is after the next session than rated again without it, in points, the passing part of
        the rating being the same; below 0 where it is higher.
    passing : float
        How far a rating moves by itself, in points: one standard deviation, less near 0 and 10, where it is cut off;
        NaN where not known.
    informed : bool
        Whether what the sessions showed is in the numbers.
    level, predictive : float
        Coverage of the ranges of chances, and of the predictive interval.
    not_known : tuple of str
        Parts that are not known, and why.
    cautions : tuple of str
        What holds for every such outlook, and for the model.
    """

    forecast: Forecast
    further: tuple[Further, ...]
    ending_now: EndingNow
    bother_next: Estimate | None
    bother_again: Estimate | None
    fall_next: Estimate | None
    passing: float
    informed: bool
    level: float
    predictive: float
    not_known: tuple[str, ...]
    cautions: tuple[str, ...]

    def __repr__(self) -> str:
        """One line, not the arrays."""
        return f"<Outlook after {self.done} sessions, to session {self.further[-1].session}>"

    @property
    def done(self) -> int:
        """Sessions the eye has had."""
        return int(self.forecast.done[0])

    @property
    def next(self) -> Further:
        """The next session."""
        return self.further[0]

    @property
    def within_two(self) -> Further | None:
        """The session after the next: its `relieved_by` and `stopped_by` are within two; None if not looked at."""
        return self.further[1] if len(self.further) > 1 else None

    def table(self) -> pd.DataFrame:
        """The curve as a table: one row a further session.

        Returns
        -------
        pandas.DataFrame
            Columns session, reached, relieved, stopped, relieved_by and stopped_by, each of the last four with
            `_low` and `_high`, bother (NaN where not known), and `caution`.
        """
        import pandas as pd  # heavy: only whoever asks for a table pays for it

        rows = []
        for one in self.further:
            row: dict[str, object] = {"session": one.session, "reached": one.reached}
            for name in ("relieved", "stopped", "relieved_by", "stopped_by"):
                found: Estimate = getattr(one, name)
                row |= {name: found.estimate, f"{name}_low": found.low, f"{name}_high": found.high}
            rows.append(row | {"bother": one.bother})
        return pd.DataFrame(rows).assign(caution=" ".join(self.cautions))
