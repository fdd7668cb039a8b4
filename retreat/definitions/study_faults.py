"""What published results, and the eyes they are about, must agree with: each other, the features, the terms."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence, Set
from itertools import pairwise

from retreat.definitions.entries import TermEntry
from retreat.definitions.file import File
from retreat.definitions.studies import Kind, LeftOut, Study
from retreat.errors import Fault
from retreat.features import FEATURES

# numbers that each statistic needs, and those it may have besides; any other would be ignored in silence
_NEEDED: Mapping[str, tuple[str, ...]] = {
    "share_with": ("count", "n"),
    "mean_sessions": ("mean", "sd"),
    "share_relieved": ("count", "n"),
    "share_stopped": ("count", "n"),
}
_ALLOWED: Mapping[str, tuple[str, ...]] = {
    "share_with": ("counts_as", "more_than", "reads"),
    "mean_sessions": ("n", "counts_as", "eyes_per_patient"),
    "share_relieved": ("counts_as", "reads"),
    "share_stopped": ("counts_as", "reads"),
}
_NUMBERS = ("count", "n", "mean", "sd", "eyes_per_patient", "counts_as", "more_than", "reads")
# what the reading of studies is written for
_BESIDE: Mapping[str, str] = {"outcome": "course", "link": "logit", "sessions": "smooth"}
# shares written with two decimals may miss 1 by so much
_ROUNDING = 0.011


def study_faults(
    source: str,
    file: File,
    studies: Mapping[int, Study],
    terms: Mapping[int, TermEntry],
    written: Sequence[tuple[str, ...]],
    *,
    broken: Set[object],
) -> list[Fault]:
    """Faults of the published results of a file, of the eyes they are about, and of what they need beside them.

    Parameters
    ----------
    source : str
        Name of the file.
    file : File
        Its other entries; one of a name in `broken` is not the file's own.
    studies, terms : mapping of int to Study, to TermEntry
        Those that are sound in themselves, by position from 0.
    written : sequence of tuple of str
        Features of every term, broken ones too.
    broken : set of str
        Names of the entries that are broken in themselves.
    """
    faults = [
        fault
        for position, study in studies.items()
        for fault in _faults_of(f"{source}: studies {position + 1} ({', '.join(study.ids)})", study)
    ]
    faults += _id_faults(source, tuple(studies.values()), () if "left_out" in broken else file.left_out)
    if "kinds" not in broken:
        faults += _kind_faults(source, file)
    if studies:
        faults += _faults_beside(source, file, terms, broken=broken)
        if "terms" not in broken:
            faults += _term_faults(source, terms, written)
        if "kinds" not in broken:
            faults += _coverage_faults(source, file.kinds, tuple(studies.values()), written)
    return faults


def _faults_of(where: str, study: Study) -> list[Fault]:
    needed, allowed = _NEEDED[study.statistic], _ALLOWED[study.statistic]
    faults = [
        Fault(f"{where}, {name}", f"missing for {study.statistic}", fix="add it")
        for name in needed
        if getattr(study, name) is None
    ]
    if study.n is None and study.counts_as is None and "n" not in needed:
        faults.append(Fault(f"{where}, counts_as", "missing where n is not known", fix="say how it weighs"))
    faults += [
        Fault(f"{where}, {name}", f"not a number of {study.statistic}", ", ".join((*needed, *allowed)))
        for name in _NUMBERS
        if name in study.model_fields_set and name not in (*needed, *allowed)
    ]
    first, last = study.sessions
    if last < first:
        faults.append(Fault(f"{where}, sessions", f"{first} to {last}", "the first, then the last"))
    if study.statistic == "mean_sessions" and first != 1:
        faults.append(Fault(f"{where}, sessions", f"a mean from session {first}", "a mean counts from 1"))
    fewest, most = study.eyes_per_patient
    if most < fewest:
        faults.append(
            Fault(f"{where}, eyes_per_patient", f"{fewest:g} to {most:g}", "the fewest, then the most")
        )
    if study.more_than >= first:
        what = f"{study.more_than}, and the share begins at session {first}"
        faults.append(Fault(f"{where}, more_than", what, "fewer sessions than the share begins at"))
    if study.count is not None and study.n is not None and study.count > study.n:
        faults.append(Fault(f"{where}, count", f"{study.count} of {study.n}", "at most n"))
    if study.n is not None and study.weight > study.n:
        faults.append(Fault(f"{where}, counts_as", f"{study.weight:g} of {study.n}", "at most n"))
    return faults + _share_faults(f"{where}, kinds", study.kinds, FEATURES["opacity"].levels)


def _share_faults(where: str, shares: Mapping[str, float], levels: Sequence[str]) -> list[Fault]:
    faults = [
        Fault(where, f"unknown level {name}", ", ".join(levels)) for name in shares if name not in levels
    ]
    total = sum(shares.values())
    if abs(total - 1.0) > _ROUNDING:
        faults.append(Fault(where, f"shares add to {total:g}", "1"))
    return faults


def _id_faults(source: str, studies: Sequence[Study], left_out: Sequence[LeftOut]) -> list[Fault]:
    used = [one for study in studies for one in study.ids]
    passed_over = [one for entry in left_out for one in entry.ids]
    return [
        Fault(f"{source}: left_out", f"{one} is used by a study", fix="name it once")
        for one in _once(passed_over)
        if one in used
    ] + [
        Fault(f"{source}: studies", f"{one} in two studies", fix="one result counts once")
        for one in _once(used)
        if used.count(one) > 1
    ]


def _kind_faults(source: str, file: File) -> list[Fault]:
    faults: list[Fault] = []
    names = [kind.opacity for kind in file.kinds]
    for position, kind in enumerate(file.kinds, start=1):
        where = f"{source}: kinds {position} ({kind.opacity})"
        if kind.opacity not in FEATURES["opacity"].levels:
            allowed = ", ".join(FEATURES["opacity"].levels)
            faults.append(Fault(where, f"unknown level {kind.opacity}", allowed))
        if kind.opacity in names[: position - 1]:
            faults.append(Fault(where, "a second entry of the kind", fix="keep one"))
        faults += _feature_faults(where, kind)
    total = sum(kind.share for kind in file.kinds)
    if file.kinds and abs(total - 1.0) > _ROUNDING:
        faults.append(Fault(f"{source}: kinds", f"shares add to {total:g}", "1"))
    return faults


def _feature_faults(where: str, kind: Kind) -> list[Fault]:
    faults: list[Fault] = []
    for name, values in kind.numbers.items():
        feature = FEATURES.get(name)
        if feature is None or feature.kind != "number":
            faults.append(Fault(f"{where}, numbers", f"{name} is no number among the features"))
            continue
        if any(b <= a for a, b in pairwise(values)):
            faults.append(Fault(f"{where}, {name}", f"{list(values)}", "rising numbers"))
        outside = [
            v
            for v in values
            if (feature.low is not None and v < feature.low)
            or (feature.high is not None and v > feature.high)
        ]
        if outside:
            allowed = f"{feature.low} to {feature.high}"
            faults.append(Fault(f"{where}, {name}", f"{outside[0]:g} is out of range", allowed))
    for name, shares in kind.levels.items():
        feature = FEATURES.get(name)
        if feature is None or feature.kind != "category" or name == "opacity":
            faults.append(Fault(f"{where}, levels", f"{name} is no other category among the features"))
            continue
        faults += _share_faults(f"{where}, {name}", shares, feature.levels)
    return faults


def _faults_beside(
    source: str, file: File, terms: Mapping[int, TermEntry], *, broken: Set[object]
) -> list[Fault]:
    """What a file with studies must say besides, and must not ask for."""
    faults = []
    if file.between_studies is None and "between_studies" not in broken:
        fix = "say how far practices differ and what their reports hide"
        faults.append(Fault(f"{source}: between_studies", "missing beside studies", fix=fix))
    asked = {"outcome": file.outcome, "link": file.link, "sessions": file.sessions.effect}
    return faults + [
        Fault(f"{source}: {key}", f"{value} beside studies", _BESIDE[key])
        for key, value in asked.items()
        if key not in broken and value != _BESIDE[key]
    ]


def _term_faults(
    source: str, terms: Mapping[int, TermEntry], written: Sequence[tuple[str, ...]]
) -> list[Fault]:
    faults = [
        Fault(
            f"{source}: term {position + 1} ({entry.features[0]})",
            "a spline beside studies: its knots need cases",
            "linear, log",
        )
        for position, entry in terms.items()
        if entry.form == "spline"
    ]
    if ("opacity",) not in written:
        faults.append(Fault(f"{source}: terms", "no term of opacity beside studies", fix="add it"))
    return faults


def _coverage_faults(
    source: str, kinds: Sequence[Kind], studies: Sequence[Study], written: Sequence[tuple[str, ...]]
) -> list[Fault]:
    described = {kind.opacity: {"opacity", *kind.numbers, *kind.levels} for kind in kinds}
    about = _once(name for study in studies for name in study.kinds if name in FEATURES["opacity"].levels)
    needed = _once(name for features in written for name in features if name in FEATURES)
    return [
        Fault(f"{source}: kinds", f"{name} is not described, and a study is about it", fix="add an entry")
        for name in about
        if name not in described
    ] + [
        Fault(f"{source}: kinds ({kind})", f"nothing of {name}, which a term needs", fix="add it")
        for kind, told in described.items()
        for name in needed
        if name not in told
    ]


def _once(names: Iterable[str]) -> list[str]:
    return list(dict.fromkeys(names))
