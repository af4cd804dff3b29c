"""Two exams of one knee-episode beside each other: the pairs that agreement is counted from."""

from __future__ import annotations

from collections.abc import Iterable

import polars as pl

from examtally.cohort.groupings import text
from examtally.contracts.protocol.protocol import Protocol
from examtally.contracts.records.engine import Engine

_ORDER = "e.exam_day, coalesce(e.examiner_order, 2147483647), md5(exam_id)"


def read_pairs(con: Engine, protocol: Protocol, *, with_examiners: bool) -> pl.DataFrame:
    """Return the pairs of exams of a cohort's connection, once for every group they belong to.

    An episode gives one pair for any two examiners who saw it: the exams nearest in days, then the earliest, at most
    `agreement.max_days` apart, chosen without regard to which maneuvers were done. Two exams by one examiner make a
    pair of their own, under `same_examiner` only. Settings, prior surgery and a known reference leave an exam out as
    the protocol says, and so does a colleague's exam that was known; comparison knees, windows still open and knees
    without a reference take part.

    Columns: maneuver, group_by (overall, learner_supervisor, same_examiner; with `with_examiners` examiner_pair,
    examiner, against everybody else, and examiner_supervisor, a learner against supervisors), group, participant, unit,
    exam_a, exam_b (integer keys), a, b (1 positive, 0 negative; other results make no pair), grade_a, grade_b (null
    where none), unknown (whether it is unrecorded if either examiner knew the other's findings). `a` is the learner
    under `learner_supervisor`, the examiner of the group under `examiner` and `examiner_supervisor`, else the exam that
    comes first. Groups of an examiner pair are there only where `display.min_participants` people stand behind them.
    Rows stand in no order.
    """
    con.execute(_pairs(protocol))
    con.execute(_RATED)
    pairs: pl.DataFrame = con.sql(_grouped(protocol, with_examiners=with_examiners)).pl()
    con.execute("drop table rated_pairs; drop table exam_pairs")
    return pairs


def _pairs(protocol: Protocol) -> str:
    """SQL that writes `exam_pairs`: one row a pair of exams, with their examiners and roles."""
    return f"""
        create temp table exam_pairs as
        with taking_part as (
            select ek, exam_id, participant_id, side, episode, e.exam_day, g_examiner as examiner, l.label as role,
                dense_rank() over (order by participant_id) as participant,
                dense_rank() over (order by participant_id, side, episode) as unit,
                row_number() over (order by participant_id, side, episode, {_ORDER}) as place,
                coalesce(e.other_exam_known, 'unknown') = 'unknown' as is_unknown
            from used_exams e join exam_keys using (exam_id, episode)
                join group_labels l on l.group_by = 'role' and l.code = g_role
            where is_chosen and {takes_part(protocol)}
        )
        select a.participant, a.unit, a.ek as ek_a, b.ek as ek_b, a.exam_id as exam_a, b.exam_id as exam_b,
            a.examiner as examiner_a, b.examiner as examiner_b, a.role as role_a, b.role as role_b,
            a.is_unknown or b.is_unknown as is_unknown
        from taking_part a join taking_part b
            on a.unit = b.unit and a.place < b.place and b.exam_day - a.exam_day <= {protocol.agreement.max_days}
        qualify row_number() over (
            partition by a.unit, least(a.examiner, b.examiner), greatest(a.examiner, b.examiner)
            order by b.exam_day - a.exam_day, a.place, b.place
        ) = 1
    """


def takes_part(protocol: Protocol) -> str:
    """SQL condition on an exam `e` that may be held against a colleague's."""
    rules = protocol.eligibility
    asked = [
        ("e.other_exam_known", ("yes",)),
        ("e.setting", rules.exclude_settings),
        ("e.prior_surgery", ("yes",) if rules.exclude_prior_surgery else ()),
        ("e.reference_known", ("yes",) if rules.exclude_reference_known else ()),
    ]
    return " and ".join(f"coalesce({column} not in ({listed(out)}), true)" for column, out in asked if out)


_RATED = """
    create temp table rated_pairs as
    select f.maneuver, p.* exclude (exam_a, exam_b, ek_a, ek_b), ek_a as exam_a, ek_b as exam_b,
        (f.result = 'positive')::tinyint as a, (g.result = 'positive')::tinyint as b,
        f.grade as grade_a, g.grade as grade_b
    from exam_pairs p join used_findings f on f.exam_id = p.exam_a
        join used_findings g on g.exam_id = p.exam_b and g.maneuver = f.maneuver
    where f.result in ('positive', 'negative') and g.result in ('positive', 'negative')
"""


def _grouped(protocol: Protocol, *, with_examiners: bool) -> str:
    """SQL for the rated pairs under each group, the learner first where learners meet supervisors."""
    grouped, who = protocol.comparisons.grouped, protocol.agreement
    learner, supervisor = (listed(grouped("role", roles)) for roles in (who.learners, who.supervisors))
    parts = [
        _part("overall", "'all'", "examiner_a <> examiner_b"),
        _part("same_examiner", "'all'", "examiner_a = examiner_b"),
    ]
    if learner and supervisor:
        met = "examiner_a <> examiner_b and role_{} in ({}) and role_{} in ({})"
        parts += [
            _part("learner_supervisor", "'all'", met.format("a", learner, "b", supervisor)),
            _part("learner_supervisor", "'all'", met.format("b", learner, "a", supervisor), swapped=True),
        ]
    if with_examiners:
        name = "least(x.label, y.label) || '/' || greatest(x.label, y.label)"
        named = "".join(
            f" join group_labels {t} on {t}.group_by = 'examiner' and {t}.code = examiner_{side}"
            for t, side in (("x", "a"), ("y", "b"))
        )
        large = (
            'examiner_a <> examiner_b qualify max(person_rank) over (partition by maneuver, "group") '
            f">= {protocol.display.min_participants}"
        )
        ranked = f"dense_rank() over (partition by maneuver, {name} order by participant) as person_rank"
        inner = f"(select rated_pairs.*, {name} as pair_name, {ranked} from rated_pairs{named})"
        parts.append(_part("examiner_pair", "pair_name", large, source=inner))
        parts += _own_parts(learner, supervisor)
    return " union all ".join(parts)


def _own_parts(learner: str, supervisor: str) -> list[str]:
    """Each examiner's pairs with everybody else, and each learner's with supervisors; their own finding first."""
    parts = []
    for own, other in (("a", "b"), ("b", "a")):
        named = (
            f"(select rated_pairs.*, label as own from rated_pairs join group_labels l on l.group_by = 'examiner' "
            f"and l.code = examiner_{own} where examiner_a <> examiner_b)"
        )
        parts.append(_part("examiner", "own", "true", swapped=own == "b", source=named))
        if learner and supervisor:
            met = f"role_{own} in ({learner}) and role_{other} in ({supervisor})"
            parts.append(_part("examiner_supervisor", "own", met, swapped=own == "b", source=named))
    return parts


def _part(group_by: str, group: str, where: str, *, swapped: bool = False, source: str = "rated_pairs") -> str:
    one, other = ("b", "a") if swapped else ("a", "b")
    return (
        f"(select maneuver, '{group_by}' as group_by, {group} as \"group\", participant, unit, "
        f"exam_{one} as exam_a, exam_{other} as exam_b, {one} as a, {other} as b, "
        f"grade_{one} as grade_a, grade_{other} as grade_b, is_unknown as unknown from {source} where {where})"
    )


def listed(values: Iterable[str]) -> str:
    """Values as SQL literals in a row; nothing where there are none."""
    return ", ".join(text(value) for value in values)
