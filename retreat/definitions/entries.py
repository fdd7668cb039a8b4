"""Entries of a definition file as written, each with its type and range."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from retreat.coding import Form

Outcome = Literal["course", "second_session"]
SessionEffect = Literal["free", "smooth", "linear"]

Why = Annotated[str, Field(min_length=10)]
# strict: true is not 1 and "0.5" is not 0.5
Number = Annotated[float, Field(strict=True)]
Whole = Annotated[int, Field(strict=True)]


class Entry(BaseModel):
    """An entry: no key it does not know, no number that is not finite, no reason of blanks."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, str_strip_whitespace=True)


class Prior(Entry):
    """Normal prior of a coefficient, for one level and end or for all; later entries overrule earlier ones."""

    mean: Number = 0.0
    sd: Annotated[Number, Field(gt=0, le=10)]
    why: Why
    level: str = ""
    end: str = ""


class Spread(Entry):
    """Scale of a step or of a half-normal prior of a standard deviation."""

    sd: Annotated[Number, Field(gt=0, le=5)]
    why: Why


class TermEntry(Entry):
    """A term as written: its feature or pair of features, form, reason and priors."""

    feature: str | tuple[str, str]
    form: Form
    why: Why
    prior: Annotated[tuple[Prior, ...], Field(min_length=1)]
    reference: str = ""
    centre: Number | None = None
    scale: Annotated[Number, Field(gt=0)] = 1.0
    knots: Annotated[Whole, Field(ge=3, le=7)] = 4

    @property
    def features(self) -> tuple[str, ...]:
        """The features, one or two."""
        return (self.feature,) if isinstance(self.feature, str) else self.feature


class Sessions(Entry):
    """How the chance of ending moves from session to session.

    `step.sd` is the standard deviation of a step itself in a logistic fit; in a Bayesian fit it is the scale of
    the half-normal prior of that standard deviation, which is learned.
    """

    effect: SessionEffect = "smooth"
    pool_below: Annotated[Whole, Field(ge=0, le=100)] = 5
    first: tuple[Prior, ...] = ()
    step: Spread | None = None


class PatientSpread(Spread):
    """Scale of the loadings of how hard a patient's eyes are.

    `learned_from` says when it enters a model: only where some patient has two cases (``pairs``), or also where a
    course of several sessions shows how hard an eye is (``courses``).
    """

    learned_from: Literal["pairs", "courses"] = "pairs"


class Share(Entry):
    """Beta prior of a share of patients: its mean, and how many patients it is worth."""

    mean: Annotated[Number, Field(gt=0, lt=1)]
    patients: Annotated[Number, Field(gt=0, le=1000)]
    why: Why


class Groups(Entry):
    """Priors of the spread between operators and between patients, and of the share that never responds."""

    operator: Spread | None = None
    patient: PatientSpread | None = None
    never: Share | None = None


class Gates(Entry):
    """Least numbers below which the definition refuses a table."""

    min_cases: Annotated[Whole, Field(ge=1)] = 20
    min_ended: Annotated[Whole, Field(ge=1)] = 10
    why: Why = "Below this a table of what happened serves better (our judgement)."


Limits = tuple[Annotated[Number, Field(gt=0)], Annotated[Number, Field(gt=0)]]


class Verdict(Entry):
    """Limits of the verdict on a validated model: within the first fit, within the second usable with a warning."""

    observed_expected: Limits = (0.8, 1.25)
    observed_expected_usable: Limits = (0.67, 1.5)
    slope: Limits = (0.8, 1.25)
    slope_usable: Limits = (0.5, 2.0)
    why: Why = (
        "A quarter more or fewer than said, or differences between eyes a quarter too bold or timid, still tell a "
        "patient the right thing; by half or more they do not (our judgement)."
    )


class Reference(Entry):
    """One reference."""

    text: Annotated[str, Field(min_length=10)]
