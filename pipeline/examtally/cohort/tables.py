"""The temporary tables that the queries of a cohort hand on to each other: name, what a row is, columns.

A group column is written `g_*`: one a grouping, see the module `groupings`. A column that ends in `_bits` holds the
conditions for which something is so, see the module `conditions`. Views stand for the record tables that they are named
after and have their columns. The tests hold this list against the SQL.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class TemporaryTable:
    """One table, columns parted by blanks; with `is_brief` it is dropped by the function that wrote it."""

    name: str
    meaning: str
    columns: str
    is_brief: bool = False


_VERSIONS = "of records with several versions, the one that counts: what stood there before the answer was out"
_KEYS = "ek exam_id pk is_right episode exam_day examiner_order period"
_ELIGIBLE = f"{_KEYS} g_* open_bits base_reason eligible_bits index_bits own_bits is_tie"

TABLES: dict[str, TemporaryTable] = {
    table.name: table
    for table in (
        TemporaryTable("used_exams", "an exam as it counts; `record` numbers them", "record"),
        TemporaryTable("used_findings", "a finding as it counts, with those of a study's index tests", ""),
        TemporaryTable("used_impressions", "a stated probability as it counts", ""),
        TemporaryTable("joint_references", "a reference row of the joint", ""),
        TemporaryTable("used_history", "an answer of the joint's exams", ""),
        TemporaryTable("used_references", "a reference row, severities read as a study says", ""),
        TemporaryTable("recorded_findings", "a finding as it counts, without those of a study's index tests", ""),
        TemporaryTable("dealt_references", "in a rehearsal: a reference row with the status of another", ""),
        TemporaryTable("used_versions_exams", f"exams: {_VERSIONS}", ""),
        TemporaryTable("used_versions_findings", f"findings: {_VERSIONS}", ""),
        TemporaryTable("used_versions_impressions", f"impressions: {_VERSIONS}", ""),
        TemporaryTable(
            "first_answers", "an exam and the batch of the first reference of its episode", "exam_id answered_no"
        ),
        TemporaryTable(
            "conditions",
            "a condition, its bit, its window in days after the exam, and how long periods are immature",
            "place condition bit first_day last_day immature_periods",
        ),
        TemporaryTable("pairs", "a maneuver and a condition that it speaks of", "pair condition maneuver bit"),
        TemporaryTable(
            "accepted_modalities",
            "a modality that settles a condition, by rank (0 most authoritative), and a status that it may settle",
            "bit modality rank status is_blinded",
        ),
        TemporaryTable(
            "barring_modalities",
            "a modality whose reading before the exam bars the exam from a condition",
            "bit modality first_day last_day",
        ),
        TemporaryTable("group_labels", "the label of a code of a grouping", "group_by code label"),
        TemporaryTable(
            "period_windows", "a period and the conditions whose window had not closed by then", "period open_bits"
        ),
        TemporaryTable("population_filters", "an exam and the first filter that it fails, 0 none", "exam_id failed"),
        TemporaryTable(
            "target_severities",
            "a severity that counts as the target condition, and the status of any other",
            "condition severity other",
        ),
        TemporaryTable(
            "rule_parts", "an exam and what each part of the index tests' rules says of it", "v*", is_brief=True
        ),
        TemporaryTable("index_test_findings", "a finding of an index test", ""),
        TemporaryTable("participant_keys", "a participant and the number that stands for them", "participant_id pk"),
        TemporaryTable(
            "exam_keys",
            "an exam: numbers of exam and participant, knee, episode, groups, and what may bar it",
            f"{_KEYS} complaint setting prior_surgery reference_known is_chosen g_*",
        ),
        TemporaryTable(
            "reference_rows",
            "a reference row of a participant with an exam, by number, with the bit of its condition",
            "pk is_right episode modality reference_day bit status severity is_blinded",
        ),
        TemporaryTable("surgery_days", "an episode and its first day of surgery", "pk is_right episode surgery_day"),
        TemporaryTable("barred_exams", "an exam and the conditions whose answer was out before it", "ek bits"),
        TemporaryTable(
            "exam_eligibility",
            "an exam: why it is barred, the conditions it is eligible and index exam for, and those still open",
            _ELIGIBLE,
        ),
        TemporaryTable(
            "reference_status",
            "an eligible exam and what the reference standard says of each condition, derived conditions not yet set",
            "ek row_bits accepted_bits inside_bits present_bits absent_bits",
        ),
        TemporaryTable(
            "cohort_exams",
            "an exam with its eligibility and reference standard: what later methods join by `ek`",
            f"{_ELIGIBLE} row_bits accepted_bits inside_bits present_bits absent_bits is_repeat",
        ),
        TemporaryTable(
            "cells",
            "a finding of an index exam and a condition: pair, result and status in one number, see the module `cells`",
            "cell reason ek is_index",
        ),
        TemporaryTable(
            "repeat_cells",
            "a cell of a 2x2 table of a participant with several index exams",
            "pair cell pk is_right is_index g_*",
        ),
        TemporaryTable(
            "scenario_findings",
            "a cell of an index exam with what a scenario may ask of it",
            "cell ek is_index unsure blinded complete late",
            is_brief=True,
        ),
        TemporaryTable(
            "status_exams",
            "an exam of the verification frame by its row, its knee, and the conditions it is mature index exam for",
            "row ek exam_id pk is_right episode exam_day model_bits knee",
            is_brief=True,
        ),
        TemporaryTable(
            "exam_pairs",
            "two exams of one episode, by two examiners or by one",
            "participant unit ek_a ek_b exam_a exam_b examiner_a examiner_b role_a role_b is_unknown",
            is_brief=True,
        ),
        TemporaryTable(
            "rated_pairs",
            "two findings of one maneuver, of a pair of exams",
            "maneuver participant unit examiner_a examiner_b role_a role_b is_unknown exam_a exam_b a b "
            "grade_a grade_b",
            is_brief=True,
        ),
        TemporaryTable(
            "monitored_exams",
            "an exam: what was recorded in it and whether its answers are in",
            "ek period g_site is_seen is_complete is_stated is_blinded equivocal done is_index is_open is_verified "
            "is_imaged days",
            is_brief=True,
        ),
        TemporaryTable(
            "stated_outcomes",
            "an index exam and a core condition whose answer is known: what was thought of it and what it was",
            "period g_site place condition is_present is_open probability is_suspected is_unlikely",
            is_brief=True,
        ),
    )
}
