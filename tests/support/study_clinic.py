"""A small registry for studies: 90 people, two examiners of each knee, five maneuvers, MRI oftener where positive."""

from __future__ import annotations

import random
from pathlib import Path

from records import send

MANEUVERS = {
    "lachman": ("acl_tear", 0.8, 0.85),
    "drop_leg_lachman": ("acl_tear", 0.9, 0.9),
    "lever_sign": ("acl_tear", 0.7, 0.8),
    "mcmurray_medial": ("medial_meniscus_tear", 0.6, 0.8),
    "medial_joint_line_tenderness": ("medial_meniscus_tear", 0.7, 0.7),
}
EXAMINERS = {"EM-1": "attending", "EM-2": "attending", "EM-3": "resident", "EM-4": "resident"}


def make_registry(folder: Path, people: int = 90, seed: int = 11) -> Path:
    """Write and ingest the records; the registry stands in `folder`."""
    draw = random.Random(seed)
    tables: dict[str, list[dict[str, object]]] = {
        name: [] for name in ("participants", "exams", "findings", "references")
    }
    examiners = [{"examiner_id": code, "role": role, "site_id": "S-1"} for code, role in EXAMINERS.items()]
    for number in range(1, people + 1):
        _person(draw, number, tables)
    registry = folder / "registry.duckdb"
    send(folder, registry, examiners=examiners, **tables)
    return registry


def _person(draw: random.Random, number: int, tables: dict[str, list[dict[str, object]]]) -> None:
    code = f"PT-{number}"
    sex = draw.choice(("female", "male"))
    tables["participants"].append({"participant_id": code, "sex": sex, "age_years": draw.randrange(14, 60)})
    truth = {"acl_tear": draw.random() < 0.4, "medial_meniscus_tear": draw.random() < 0.4}
    knee = {"participant_id": code, "side": "left", "episode": 1}
    thigh = draw.choice((42, 50, 58))
    hands = [draw.choice(("EM-1", "EM-2")), draw.choice(("EM-3", "EM-4"))]
    draw.shuffle(hands)
    first: dict[str, str] = {}
    for place, examiner in enumerate(hands, 1):
        exam = f"EX-{number}-{place}"
        period = f"P{1 + number * 12 // 91:03d}"
        row = {"exam_id": exam, **knee, "examiner_id": examiner, "examiner_order": place, "period": period}
        row |= {"exam_day": 0, "thigh_cm": thigh, "days_since_onset": draw.choice((5, 20, 60)), "complaint": "yes"}
        row |= {"setting": "clinic", "other_exam_known": "no", "reference_known": "no"}
        tables["exams"].append(row)
        for maneuver in MANEUVERS:
            found = _finding(draw, maneuver, truth, thigh)
            tables["findings"].append({"exam_id": exam, "maneuver": maneuver, **found})
            first.setdefault(maneuver, str(found["result"]))
    if draw.random() < (0.9 if first["lachman"] == "positive" else 0.6):
        for condition, present in truth.items():
            reading = {"reference_id": f"RD-{number}", **knee, "modality": "mri", "reference_day": 10}
            reading |= {"condition": condition, "status": "present" if present else "absent", "exam_known": "no"}
            severity = draw.choice(("partial", "complete")) if present and condition == "acl_tear" else None
            tables["references"].append(reading | ({"severity": severity} if severity else {}))


def _finding(draw: random.Random, maneuver: str, truth: dict[str, bool], thigh: int) -> dict[str, object]:
    condition, sensitivity, specificity = MANEUVERS[maneuver]
    if draw.random() < 0.04:
        return {"result": "equivocal", "reason": "guarding"}
    chance = (
        sensitivity - (0.15 if maneuver == "lachman" and thigh > 55 else 0) if truth[condition] else 1 - specificity
    )
    if draw.random() >= chance:
        return {"result": "negative"}
    grade = {"grade": draw.choice((1, 2))} if maneuver == "lachman" else {}
    return {"result": "positive", **grade}
