"""Every number of the invented clinic that a scenario file may change, with where it comes from.

An anchor with a row id (``L37``) points at a published value, named with it the first time it is used;
``invented`` means that no published value was found and the number is ours. ``ABOUT.txt`` prints this table.
"""

from __future__ import annotations

from typing import NamedTuple

INVENTED = "invented"


class Setting(NamedTuple):
    """One number of a scenario: its default, the values allowed, its source and its meaning."""

    section: str
    name: str
    default: float
    low: float
    high: float
    anchor: str
    meaning: str


L37 = "L37: Janekova et al. 2022, Czech and Slovak Ophthalmology 78:288-295 (ring 46%, others 54%)"
E38 = "E38: 281 of 3382 eyes with earlier laser surgery, University of Colorado Cataract Outcomes Registry"
E35 = "E35: Beaver Dam Offspring Study, ARVO abstract IOVS 2364851 (85% of them LASIK, taken as myopic)"
EYES = "between L37 (89 eyes of 84 patients) and L01 (296 eyes of 198 patients, Singh 2016)"
E25 = "above E25 (30.6%, Williams et al. 2015) as myopes complain more (E21, Webb et al. 2013); size invented"
L25 = "between L21 (3.8 mJ, Ernest et al. 2023) and L24 (6 mJ, Singh 2017)"
L20 = "between L20 (118, Ernest et al. 2023) and L22 (315, Singh 2016)"
L60 = "L60: 10 adverse events in 1272 procedures, Singh 2017"
O34 = "O34: Vogel et al. 1999, Appl Opt 38:3636-3643 (18.5 waves raise the threshold 8.5 times)"
O40 = "O40: zone programmed 6.0 mm less a loss of 1.2 mm; agrees with O41: Woodcock et al. 2013 (4.8 mm)"
O41 = "O41: Woodcock et al. 2013, Cont Lens Anterior Eye 36:259-264 (8.1 mm)"

SETTINGS: tuple[Setting, ...] = (
    Setting("mix", "ring", 0.46, 0, 1, L37, "share of eyes with a ring"),
    Setting("mix", "strand", 0.24, 0, 1, INVENTED, "share of eyes with strands"),
    Setting("mix", "cloud", 0.23, 0, 1, INVENTED, "share of eyes with a cloud"),
    Setting("mix", "sheet", 0.07, 0, 1, INVENTED, "share of eyes with a sheet"),
    Setting("mix", "two_eyes", 0.25, 0, 1, EYES, "share of patients with both eyes treated"),
    Setting("mix", "corneal_surgery", 0.083, 0, 1, E38, "share of patients with earlier corneal surgery"),
    Setting(
        "mix", "myopic_ablation", 0.85, 0, 1, E35, "share of the corneal surgery that is myopic ablation"
    ),
    Setting("mix", "hyperopic_ablation", 0.08, 0, 1, INVENTED, "share that is hyperopic ablation"),
    Setting("mix", "myopes", 0.45, 0, 1, E25, "share of myopes among eyes without corneal surgery"),
    Setting("mix", "multifocal", 0.10, 0, 1, INVENTED, "share of implants that are multifocal"),
    Setting("mix", "size_step_mm", 0.1, 0.1, 1, INVENTED, "grid on which size is recorded"),
    Setting("practice", "operator_sd", 0.25, 0, 3, INVENTED, "spread of operators, log share removed"),
    Setting("practice", "policy_sd", 0.45, 0, 3, INVENTED, "spread of operators in calling relief, logits"),
    Setting("practice", "site_sd", 0.20, 0, 3, INVENTED, "spread of sites in calling relief, logits"),
    Setting(
        "practice", "rare_operator_cases", 0, 0, 1000, INVENTED, "cases of the last operator; 0 is no rule"
    ),
    Setting("practice", "energy_mj", 4.7, 2, 9, L25, "energy an operator starts from"),
    Setting("practice", "pulses", 190, 20, 600, L20, "pulses in a session of ordinary size"),
    Setting("practice", "missed", 0.06, 0, 0.9, INVENTED, "share of bookings missed"),
    Setting("practice", "not_begun", 0.01, 0, 0.5, INVENTED, "share of cases booked and not begun"),
    Setting("practice", "max_sessions", 20, 8, 40, INVENTED, "sessions after which no case is followed"),
    Setting("missing", "gaps", 0.15, 0, 1, INVENTED, "neither distance measured, only the zone"),
    Setting("missing", "one_gap", 0.05, 0, 1, INVENTED, "one of the two distances not measured"),
    Setting("missing", "zone", 0.06, 0, 1, INVENTED, "zone left out although distances were measured"),
    Setting("missing", "axial", 0.45, 0, 1, INVENTED, "axial length, natural lens (implant: half as often)"),
    Setting(
        "missing", "sphere", 0.12, 0, 1, INVENTED, "refraction (after corneal surgery: three times as often)"
    ),
    Setting("missing", "pupil", 0.05, 0, 1, INVENTED, "pupil"),
    Setting("missing", "pvd", 0.05, 0, 1, INVENTED, "vitreous detachment not known"),
    Setting("missing", "other", 0.02, 0, 1, INVENTED, "size, number, eccentricity, lens, rating before"),
    Setting("missing", "relief_after", 0.06, 0, 1, INVENTED, "rating after"),
    Setting("missing", "visit", 0.05, 0, 1, INVENTED, "each cell of a visit"),
    Setting("missing", "late", 0.40, 0, 1, INVENTED, "visit of the last three weeks not yet written up"),
    Setting("burden", "ring_rate", 1.2, 0.01, 10, INVENTED, "removal rate in a session: ring"),
    Setting("burden", "strand_rate", 0.55, 0.01, 10, INVENTED, "removal rate: strand"),
    Setting("burden", "cloud_rate", 0.46, 0.01, 10, INVENTED, "removal rate: cloud"),
    Setting("burden", "sheet_rate", 0.22, 0.01, 10, INVENTED, "removal rate: sheet"),
    Setting("burden", "size_power", 0.8, 0, 3, INVENTED, "removal rate falls with this power of size"),
    Setting("burden", "luck_sd", 0.45, 0, 2, INVENTED, "luck of one session, log removal rate"),
    Setting("burden", "healing_sd", 0.40, 0, 2, INVENTED, "patient effect on the removal rate, log"),
    Setting("burden", "patience_sd", 0.7, 0, 3, INVENTED, "patient effect on going on, logits"),
    Setting(
        "burden", "demand_sd", 1.0, 0, 3, INVENTED, "patient effect on the bother accepted, points of 10"
    ),
    Setting(
        "burden", "accepted", 3.2, 0, 10, INVENTED, "bother at which half call themselves relieved, of 10"
    ),
    Setting("burden", "adapting", 0.04, 0, 1, INVENTED, "share of bother got used to between sessions"),
    Setting("burden", "deep_loss", 0.55, 0, 3, INVENTED, "log energy lost from lens to retina"),
    Setting("burden", "push", 0.06, 0, 0.5, INVENTED, "share of the way to the retina pushed in a session"),
    Setting("burden", "zone_mm", 4.8, 3, 8, O40, "diameter of the treated centre of an operated cornea"),
    Setting("burden", "outer_mm", 8.1, 6, 11, O41, "outer diameter of its ring of transition"),
    Setting("burden", "decentring_mm", 0.3, 0, 1.5, INVENTED, "spread of the centre of the treated zone"),
    Setting("burden", "waves_per_dioptre", 2.4, 0, 20, INVENTED, "aberration where zones mix, per dioptre"),
    Setting(
        "burden", "threshold_18_waves", 8.5, 1, 20, O34, "threshold at 18.5 waves; straight line to 1 at none"
    ),
    Setting(
        "burden", "multifocal_light", 0.80, 0.1, 1, INVENTED, "share of energy past a multifocal implant"
    ),
    Setting("burden", "fragments", 0.30, 0, 1, INVENTED, "share of removed material thrown as fragments"),
    Setting(
        "burden", "returning", 0.35, 0, 1, INVENTED, "share of thrown fragments back by the next session"
    ),
    Setting("burden", "event", 0.008, 0, 0.5, L60, "adverse events in a session"),
    Setting("burden", "event_stops", 0.5, 0, 1, INVENTED, "share of adverse events that end the course"),
    Setting("burden", "futility", -3.1, -20, 20, INVENTED, "logit of stopping for no benefit, good progress"),
    Setting("burden", "choice", -3.6, -20, 20, INVENTED, "logit of the patient's wish to stop, session 1"),
    Setting("burden", "surgery", -4.3, -20, 20, INVENTED, "logit of surgery instead, bother 5, session 1"),
    Setting(
        "burden",
        "lost",
        -3.1,
        -20,
        20,
        INVENTED,
        "logit of loss between sessions at bother 5 (L56: no source)",
    ),
    Setting("burden", "lost_slope", 0.10, 0, 2, INVENTED, "logit of loss for each point of bother less"),
    Setting("truth", "repeats", 500, 20, 100000, INVENTED, "simulated courses for each case"),
)


def defaults() -> dict[str, dict[str, float]]:
    """Return the default of every setting as ``{section: {name: value}}``."""
    table: dict[str, dict[str, float]] = {}
    for setting in SETTINGS:
        table.setdefault(setting.section, {})[setting.name] = setting.default
    return table
