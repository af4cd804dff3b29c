"""Who was studied: plain counts of the registry and of its index exams, unknowns and hindsight included."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import polars as pl

from examtally.cohort.entered_after_reference import AMENDABLE, amended_late
from examtally.cohort.groupings import text
from examtally.contracts.catalogue.clinical import Catalogue
from examtally.contracts.records.engine import Engine

_ELIGIBILITY = ("complaint", "setting", "prior_surgery", "reference_known")
_OF_PARTICIPANTS = ("sex", "age_band", "bmi_band")
_OF_EXAMINERS = ("role", "setting", "site")
_SCHEMA = pl.Schema({"item": pl.String, "group": pl.String, "value": pl.Int64, "flag": pl.String, "note": pl.String})
_REFERENCES = "joint_references"
_INDEX_EXAMS = "index exams"
_INDEX_PARTICIPANTS = "participants with an index exam"


@dataclass(frozen=True)
class Count:
    """One item of the summary: `value`, counted in `source`, for `all` or for each value of the SQL `group`.

    Groups stand in the order of `place`, then alphabetically with `unknown` last. `flag` is set where the count is
    not 0.
    """

    item: str
    note: str
    source: str
    value: str = "count(*)"
    group: str = "'all'"
    place: str = "0"
    flag: str = ""

    @property
    def sql(self) -> str:
        """SELECT of item, group, value, flag, note, place."""
        flag = f"case when {self.value} > 0 then '{self.flag}' end" if self.flag else "null::varchar"
        grouped = "" if self.group.startswith("'") else f" group by {self.group}"
        return (
            f"select '{self.item}' as item, {self.group} as \"group\", {self.value} as value, {flag} as flag, "
            f"'{self.note}' as note, {self.place} as place from {self.source}{grouped}"
        )


def read_summary(con: Engine, catalogue: Catalogue, learners: Collection[str] = ()) -> pl.DataFrame:
    """Return item, group, value, flag, note: one count a row, `all` where the item has no groups.

    Index exams here are the first eligible exam of an episode for at least one condition. Where the note says so,
    participants with such an exam are counted. `unknown` counts blank and unknown alike; where the field could have
    left the exam out, the flag is unknown_kept. The first and last period are the group of their item, with the number
    of their exams. `learners` are the roles that learn; who held two of them is one learner.
    """
    counts = [*_whole(), _learners(learners), *_unknowns(catalogue), *_groups(catalogue), *_references(), *_late()]
    selects = " union all ".join(f"(select {place} as part, * from ({c.sql}))" for place, c in enumerate(counts))
    summary: pl.DataFrame = con.sql(
        f'select item, "group", value::bigint as value, flag, note from ({selects}) '
        'order by part, place, "group" = \'unknown\', "group"'
    ).pl()
    return summary.cast(_SCHEMA)


def _whole() -> list[Count]:
    examiners = "used_exams join reg.examiners using (examiner_id)"
    tie = "index exams with an equally early exam beside them, the tie broken by a preset rule"
    return [
        Count("exams", "exams in the registry", "cohort_exams"),
        Count("participants", "people examined", "cohort_exams", "count(distinct pk)"),
        Count("knees", "«nouns» examined", "cohort_exams", "count(distinct (pk, is_right))"),
        Count("episodes", "complaints of one «noun»", "cohort_exams", "count(distinct (pk, is_right, episode))"),
        Count("examiners", "people whose hands examined", "used_exams", "count(distinct examiner_id)"),
        Count("sites", "sites of these examiners", examiners, "count(distinct site_id)"),
        Count("findings", "rows, one a maneuver of one exam", "used_findings"),
        Count("impressions", "stated probabilities", "used_impressions"),
        Count("comparison_exams", "exams of «a noun» without a complaint", "used_exams where complaint = 'no'"),
        Count("index_exams", "first eligible exams of an episode", "cohort_exams where index_bits <> 0"),
        Count("index_participants", _INDEX_PARTICIPANTS, "cohort_exams where index_bits <> 0", "count(distinct pk)"),
        Count("index_ties", tie, "cohort_exams where is_tie"),
        *(
            Count(
                item,
                "exams in this period",
                f"used_exams where period = (select {extreme}(period) from used_exams)",
                group="period",
            )
            for item, extreme in (("first_period", "min"), ("last_period", "max"))
        ),
    ]


def _learners(roles: Collection[str]) -> Count:
    named = ", ".join(map(text, roles)) or "null"
    source = "cohort_exams join group_labels on group_by = 'role' and code = g_role"
    where = f"where own_bits <> 0 and label in ({named})"
    return Count("learners", "learners with an eligible exam", f"{source} {where}", "count(distinct g_examiner)")


def _unknowns(catalogue: Catalogue) -> list[Count]:
    own = [catalogue.groupings[name].column for name in catalogue.coded]
    other = ("other_exam_known", catalogue.other_side_column, "days_since_onset", "mechanism", *own, "guarding")
    columns = [(column, "exams", "used_exams") for column in (*_ELIGIBILITY, *other)]
    columns.append(("exam_known", "reference rows", _REFERENCES))
    return [
        Count(
            "unknown",
            note,
            f"{source} where coalesce({column}::varchar, 'unknown') = 'unknown'",
            group=f"'{column}'",
            flag="unknown_kept" if column in _ELIGIBILITY else "",
        )
        for column, note, source in columns
    ]


def _groups(catalogue: Catalogue) -> list[Count]:
    of_index_exams = ("role", "setting", "acuity", *catalogue.groupings, "guarding", "site")
    kinds = (
        (_OF_PARTICIPANTS, _INDEX_PARTICIPANTS, "count(distinct pk)"),
        (of_index_exams, _INDEX_EXAMS, "count(*)"),
    )
    coded = [
        Count(
            name,
            note,
            f"cohort_exams join group_labels on group_by = '{name}' and code = g_{name} where index_bits <> 0",
            value,
            "label",
            "any_value(code)",
        )
        for names, note, value in kinds
        for name in names
    ]
    hands = [
        Count(
            f"examiners_by_{name}",
            "examiners with an eligible exam",
            f"cohort_exams join group_labels on group_by = '{name}' and code = g_{name} where own_bits <> 0",
            "count(distinct g_examiner)",
            "label",
            "any_value(code)",
        )
        for name in _OF_EXAMINERS
    ]
    other = catalogue.other_side_column
    exams = "cohort_exams join used_exams using (exam_id) where index_bits <> 0"
    people = (
        "participant_keys people left join reg.participants using (participant_id) "
        "where pk in (select pk from cohort_exams where index_bits <> 0)"
    )
    return [
        *coded,
        *hands,
        Count("mechanism", _INDEX_EXAMS, exams, group="coalesce(mechanism, 'unknown')"),
        Count(other, _INDEX_EXAMS, exams, group=f"coalesce({other}, 'unknown')"),
        Count("activity", _INDEX_PARTICIPANTS, people, group="coalesce(activity, 'unknown')"),
    ]


def _references() -> list[Count]:
    """Reference rows by modality; those no rule can use; those of episodes nobody examined."""
    unused = (
        f"{_REFERENCES} s join conditions using (condition) left join accepted_modalities a on a.bit = conditions.bit "
        "and a.modality = s.modality and a.status = s.status and (s.exam_known = 'no' or not a.is_blinded) "
        "where a.rank is null"
    )
    examined = "used_exams e where (e.participant_id, e.side, e.episode) = (r.participant_id, r.side, r.episode)"
    return [
        Count("references", "reference rows", _REFERENCES, group="modality"),
        Count("references_unused", "rows that cannot settle their condition", unused, group="s.modality"),
        Count(
            "references_without_exam",
            "reference rows of an episode that nobody examined",
            f"{_REFERENCES} r where not exists (from {examined})",
        ),
    ]


def _late() -> list[Count]:
    """Records later than the first reference of their episode: a first entry stays in, an amendment does not."""
    kept = "entered after the first reference of their episode, and kept"
    passed_over = "amended after the first reference of their episode; the version before is used"
    entered = {"exams": "used_exams"}
    for table in ("findings", "impressions"):
        entered[table] = f"(from used_{table} where batch_no > (select min(answered_no) from first_answers))"
    return [
        *(
            Count(
                "entered_late",
                kept,
                f"{late} t join first_answers using (exam_id) where t.batch_no > answered_no",
                group=f"'{table}'",
            )
            for table, late in entered.items()
        ),
        *(Count("amended_late", passed_over, amended_late(table), group=f"'{table}'") for table in AMENDABLE),
    ]
