"""Small random registries in which every rule of the analysis set comes into play often."""

from __future__ import annotations

import random
from itertools import product
from typing import Any

from clinic import Records

from examtally.contracts.contract import Contract

MONTHS = ("2025-09", "2025-10", "2025-11", "2025-12", "2026-01", "2026-02", "2026-03", "2026-04")
ORDINALS = ("P001", "P002", "P004", "P007", "P008", "P009", "P010")
REASONS = ("pain", "guarding", "declined", None)


def random_clinic(seed: int, contract: Contract, people: int = 40) -> Records:
    """A registry of this many people, in calendar months or in ordinals."""
    draw = random.Random(seed)
    records = Records()
    periods = draw.choice((MONTHS, ORDINALS))
    for number in range(1, people + 1):
        _person(draw, records, contract, f"PT{number}", periods)
    _lists(draw, records, people)
    for table in records.tables.values():
        draw.shuffle(table)
    return records


def _person(draw: random.Random, records: Records, contract: Contract, person: str, periods: tuple[str, ...]) -> None:
    """One to three episodes, each with exams, findings, impressions and readings."""
    likely = draw.random()
    episodes = draw.sample(list(product(("left", "right"), (1, 2))), draw.choice((1, 1, 1, 2, 3)))
    for side, episode in episodes:
        start = draw.choice((0, 0, 1, 2, 3, len(periods) - 2, len(periods) - 1))
        for _ in range(draw.choice((1, 1, 1, 2, 2, 3, 4))):
            period = periods[min(start + draw.choice((0, 0, 1)), len(periods) - 1)]
            _exam(draw, records, contract, (person, side, episode), period)
        for _ in range(draw.choice((0, 1, 1, 1, 2, 3))):
            _reading(draw, records, contract, (person, side, episode), likely)


def _exam(draw: random.Random, records: Records, contract: Contract, knee: tuple[str, str, int], period: str) -> None:
    person, side, episode = knee
    name = f"EX{draw.getrandbits(40)}"
    seldom = {"complaint": "no", "setting": "operating_room", "prior_surgery": "yes", "reference_known": "yes"}
    fields: dict[str, Any] = {
        **{field: draw.choice((None, None, None, "unknown")) for field in seldom},
        "days_since_onset": draw.choice((None, 0, 21, 22, 84, 85, 400)),
        "thigh_cm": draw.choice((None, 44, 45, 54, 55)),
        "effusion": draw.choice((None, "none", "small", "unknown")),
        "guarding": draw.choice((None, "yes", "no")),
        "examiner_role": draw.choice((None, None, "student", "fellow")),
        "examiner_order": draw.choice((None, 1, 1, 2)),
        "batch_no": draw.choice((1, 2, 3)),
    }
    fields |= {field: value for field, value in seldom.items() if draw.random() < 0.06}
    records.exam(
        name,
        person,
        day=draw.choice((-20, 0, 0, 0, 1, 5, 30)),
        side=side,
        episode=episode,
        examiner_id=f"E{draw.randint(1, 4)}",
        period=period,
        **fields,
    )
    for maneuver in contract.catalogue.maneuvers:
        if draw.random() < 0.85:
            result = draw.choice(("positive", "positive", "negative", "negative", "negative", "equivocal", "not_done"))
            reason = draw.choice(REASONS) if result in ("equivocal", "not_done") else None
            records.finding(name, maneuver, result, reason=reason, batch_no=draw.choice((1, 2, 3)))
    for condition, stage in product(contract.catalogue.conditions, ("after_history", "after_exam")):
        if draw.random() < 0.3:
            stated = draw.choice((0.0, 0.2, 0.5, 0.9, 1.0))
            records.add("impressions", exam_id=name, condition=condition, stage=stage, probability=stated, batch_no=2)


def _reading(
    draw: random.Random, records: Records, contract: Contract, knee: tuple[str, str, int], likely: float
) -> None:
    """One reading that speaks of some conditions."""
    person, side, episode = knee
    modalities = contract.tables["references"].field("modality").enum or ()
    modality = draw.choice((*["mri"] * 12, *["arthroscopy", "radiograph", "aspiration", "follow_up"] * 2, *modalities))
    day = draw.choice((-120, -60, -5, *[0, 1, 2, 3, 4, 20, 30, 39, 40] * 3, 41, 50, 60, 61, 70, 90, 150))
    name, known = f"RD{draw.getrandbits(40)}", draw.choice((None, "yes", "no", "no"))
    for condition in contract.catalogue.conditions:
        if draw.random() < 0.55:
            status = "present" if draw.random() < likely else draw.choice(("absent", "absent", "indeterminate"))
            records.reference(
                condition,
                status,
                day,
                modality,
                person,
                reference_id=name,
                side=side,
                episode=episode,
                exam_known=known,
                batch_no=draw.choice((1, 2)),
            )


def _lists(draw: random.Random, records: Records, people: int) -> None:
    """Participants and examiners, some of them not in their table."""
    for number in range(1, people + 1):
        if draw.random() < 0.9:
            records.add(
                "participants",
                participant_id=f"PT{number}",
                age_years=draw.choice((None, 15, 16, 25, 26, 39, 40, 59, 60, 90)),
                sex=draw.choice((None, "female", "male", "unknown")),
                bmi=draw.choice((None, 24, 25, 29, 30)),
            )
    for number in range(1, 4):
        role, site = draw.choice((None, "attending", "resident")), draw.choice((None, "SITE1", "SITE2"))
        records.add("examiners", examiner_id=f"E{number}", role=role, site_id=site)
