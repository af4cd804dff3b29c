"""Everything that is true of a synthetic clinic, as aggregates for `truth.json`."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from examtally.synthesis.clinic import Clinic
from examtally.synthesis.dependence import declared_families, implied_rows, joint_rows
from examtally.synthesis.estimands import Row, Truth, accuracy_rows, prevalence_rows
from examtally.synthesis.membership import Members
from examtally.synthesis.statements import calibration_rows

DEFINITIONS = {
    "probability": "p, for one exam and maneuver: the probability of a positive finding given everything but the coin "
    "(the knee and its true conditions, the person, the examiner's skill on that day, setting, guarding, effusion)",
    "sensitivity": "mean of p over the exams of a set whose condition is truly present",
    "specificity": "1 minus the mean of p over the exams of a set whose condition is truly absent",
    "parameter": "over the reference population: first exams of a very large clinic of the same scenario with the same "
    "examiners (first complaint, first visit, first hands, knee of the complaint, not operated on before, not in the "
    "operating room); _error is its Monte-Carlo standard error",
    "eligible": "over the records' mature index exams under the default protocol, recorded or not",
    "interpretable": "over those of them with a positive or negative finding",
    "verified": "over those of these whose condition was settled inside its window: what accuracy on verified knees "
    "would estimate if the finding itself had no part in who is imaged",
    "_rows": "exams in that mean; where it is 0 there is no value",
    "group": "groups are those of the records; `unknown` has no parameter where it stands for a blank; for examiners "
    "the index exam is each examiner's own first exam of an episode",
}
DEPENDENCE = (
    "Findings share normal quantities within a person, a knee (by driver) and an exam (by driver); SDs on the logit "
    "scale. implied: correlation of two results given the condition, at the centre of the scenario: on one knee by two "
    "pairs of hands, and on both knees of a person. joint: of two maneuvers in one exam, over the reference population."
)


def truth_of(clinic: Clinic, truth: Truth, members: Members) -> dict[str, object]:
    """Return the content of `truth.json`; tables as columns and rows. Aggregates only."""
    scenario = clinic.context.scenario
    return {
        "scenario": scenario.title,
        "seed": clinic.context.streams.seed,
        "definitions": DEFINITIONS,
        "prevalence": table(prevalence_rows(clinic, truth, members)),
        "accuracy": table(accuracy_rows(clinic, truth, members)),
        "dependence": {
            "about": DEPENDENCE,
            "families": declared_families(scenario),
            "implied": table(implied_rows(scenario)),
            "joint": table(joint_rows(clinic)),
        },
        "calibration": table(calibration_rows(clinic)),
        "references": table(_reference_rows(truth)),
    }


def table(rows: Iterable[Row]) -> dict[str, object]:
    """Rows of one shape as `{columns, rows}`."""
    listed = list(rows)
    return {"columns": list(listed[0]) if listed else [], "rows": [list(row.values()) for row in listed]}


def _reference_rows(truth: Truth) -> Iterator[Row]:
    """How often each modality said what, by what is true; indeterminate readings and what none mentions left out."""
    names = ("truly_present", "truly_present_called_present", "truly_absent", "truly_absent_called_absent")
    for (modality, condition), counts in truth.readings.items():
        yield {"modality": modality, "condition": condition, **dict(zip(names, counts.tolist(), strict=True))}
