"""Which groups of a design have effects: what its definition says, and whether its cases can tell."""

from __future__ import annotations

from retreat.fitting.design import Design


def has_operator_effect(design: Design) -> bool:
    """Whether there are two operators and the definition says how alike they may be."""
    return design.definition.groups.operator is not None and design.n_operators > 1


def has_patient_effect(design: Design) -> bool:
    """Whether the definition says how alike the cases of a patient may be, and the cases can tell."""
    patient = design.definition.groups.patient
    if patient is None:
        return False
    pairs = design.n_patients < len(design.sessions)
    return pairs or (patient.learned_from == "courses" and bool((design.sessions > 1).any()))


def has_never_share(design: Design) -> bool:
    """Whether the definition has a share of patients whose eyes never respond."""
    return design.definition.groups.never is not None
