"""One narrow row an exam for the methods that ask who was verified: findings, statuses, and what may drive imaging."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import polars as pl

from examtally.cohort.cells import RESULTS, STATUSES
from examtally.cohort.groupings import Grouping, text
from examtally.contracts.catalogue.clinical import Condition
from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import Protocol
from examtally.contracts.records.engine import Engine

_MOST = 64


def graded(conditions: Iterable[Condition], bits: Mapping[str, int]) -> str:
    """SQL for `ek` and `severity_<condition>` of each condition with degrees: the place of one in the catalogue.

    The most authoritative reading inside the window that agrees with the status and names a degree counts; of several
    as authoritative the degree declared first. A derived condition takes the first declared of its parts, and a reading
    of its own where they have none. Null where no such reading names one. It reads the tables of a cohort's connection.
    """
    chosen = tuple(conditions)
    degrees = [(bits[c.code], degree.code, place) for c in chosen for place, degree in enumerate(c.severity)]
    if not degrees:
        return "select ek from cohort_exams where false"
    values = ", ".join(f"({bit}::ubigint, '{degree}', {place})" for bit, degree, place in degrees)
    columns = ", ".join(_column(condition, bits) for condition in chosen if condition.severity)
    return f"""
        select ek, {columns} from (
            select x.ek, s.bit, min(a.rank::integer * {_MOST} + d.place) % {_MOST} as place
            from reference_rows s join cohort_exams x using (pk, is_right, episode) join conditions c on c.bit = s.bit
                join (values {values}) d(bit, severity, place) on d.bit = s.bit and d.severity = s.severity
                join accepted_modalities a on a.bit = s.bit and a.modality = s.modality and a.status = s.status
                    and (s.is_blinded or not a.is_blinded)
            where s.reference_day - x.exam_day between c.first_day and c.last_day
                and (case s.status when 'present' then x.present_bits when 'absent' then x.absent_bits end & s.bit) <> 0
            group by x.ek, s.bit
        ) group by ek
    """


def _column(condition: Condition, bits: Mapping[str, int]) -> str:
    def of(code: str) -> str:
        return f"min(place) filter (bit = {bits[code]})"

    parts = [of(code) for code in condition.derived_from if code in bits]
    own = of(condition.code)
    first = f"coalesce(least({', '.join(parts)}), {own})" if parts else own
    return f"{first}::utinyint as severity_{condition.code}"


_BITS = 3
_A_WORD = 20  # codes of three bits, and the sign of a whole number of eight bytes left alone


@dataclass(frozen=True)
class Packed:
    """Many rows an exam, each a name with a code from 0 to 6, read as a column a name: one pass for all.

    The rows are held as digits of a few whole numbers, by the SQL `sums` over a source joined with `places`; of the
    frame that selects these `words`, `code` gives the code of one name again.
    """

    names: tuple[str, ...]
    column: str

    @property
    def places(self) -> str:
        """A table of the names in `column`, each with the word it stands in and the factor of its digit."""
        rows = ", ".join(
            f"({text(name)}, {at // _A_WORD}, {2 ** (_BITS * (at % _A_WORD))}::ubigint)"
            for at, name in enumerate(self.names)
        )
        return f"(select * from (values {rows or '(null, 0, 0::ubigint)'}) d({self.column}, word, factor))"

    def sums(self, code: str) -> str:
        """The words of a group of rows, `code` being SQL for the code of a row."""
        return ", ".join(
            f"bit_or((1 + {code})::ubigint * factor) filter (word = {word}) as {name}"
            for word, name in enumerate(self._words)
        )

    @property
    def words(self) -> str:
        """SELECT expressions of the whole numbers, 0 for an exam without a row."""
        return ", ".join(f"coalesce({name}, 0)::ubigint as {name}" for name in self._words)

    def code(self, name: str, blank: int) -> pl.Expr:
        """The code of `name`, `blank`, the one after all others, where it has no row."""
        at = self.names.index(name)
        held: pl.Expr = pl.col(self._word(at // _A_WORD)) // 2 ** (_BITS * (at % _A_WORD)) % 2**_BITS
        return ((held + blank) % (blank + 1)).cast(pl.UInt8)

    @property
    def _words(self) -> list[str]:
        return [self._word(word) for word in range(-(-len(self.names) // _A_WORD) or 1)]

    def _word(self, word: int) -> str:
        return f"{self.column}_word_{word}"


def places_of(codes: Sequence[str], column: str) -> str:
    """SQL for the place of a code in `codes`, null where it is none of them."""
    return f"case {column} {' '.join(f'when {text(code)} then {place}' for place, code in enumerate(codes))} end"


RECORDED = (*RESULTS, "not_recorded")
_OF_THEIR_OWN = ("overall", "examiner")


def verification_groups(groups: Iterable[Grouping]) -> tuple[str, ...]:
    """Names of the groupings that are columns of the frame."""
    return tuple(grouping.name for grouping in groups if grouping.public and grouping.name not in _OF_THEIR_OWN)


def read_verification_frame(
    con: Engine, groups: Iterable[Grouping], contract: Contract, protocol: Protocol
) -> pl.DataFrame:
    """Return the mature index exams of a cohort's connection, in the order of participants and exams.

    - `participant`, `examiner`: numbers that stand for the person within this frame
    - the public groupings by name (`role`, `setting`, `acuity`, `effusion`, …) with their labels
    - `result_<maneuver>`: positive, negative, equivocal, not_done, not_recorded; an equivocal finding as the protocol
      counts it
    - for each condition that something settles: `status_<condition>` (present, absent, indeterminate, unverified), null
      where the exam is not its examiner's first of the episode or its window is open; `index_<condition>`, whether it
      is the episode's first; `impression_<condition>`, the probability stated after the exam; where the condition has
      degrees, `severity_<condition>`, the one named by the reading that settled it, null where none is named

    Everything but pooling by examiner uses rows with `index_<condition>` and a status.
    """
    named = [grouping for grouping in groups if grouping.public and grouping.name not in _OF_THEIR_OWN]
    maneuvers = tuple(contract.catalogue.maneuvers)
    conditions = tuple(code for code in contract.catalogue.conditions if code in protocol.reference.accepted)
    bits = dict(con.sql("select condition, bit from conditions").fetchall())
    degrees = {code: contract.catalogue.conditions[code] for code in conditions}
    degrees = {code: condition for code, condition in degrees.items() if condition.severity}
    results = Packed(maneuvers, "maneuver")
    frame: pl.DataFrame = con.sql(
        f"""
        with taken as (select * from cohort_exams where (own_bits & ~open_bits) <> 0),
        found as (
            select ek, {results.sums(result_place(protocol.equivocal))}
            from used_findings join {results.places} using (maneuver) join taken using (exam_id) group by ek
        ),
        stated as (
            select ek, {_impressions(conditions)}
            from used_impressions join taken using (exam_id) where stage = 'after_exam' group by ek
        ),
        graded as ({graded(degrees.values(), bits)})
        select dense_rank() over (order by participant_id)::uinteger as participant, g_examiner as examiner,
            {"".join(f"{grouping.column} as {grouping.name}, " for grouping in named)}
            {results.words}, own_bits & ~open_bits as own_bits, index_bits, present_bits, absent_bits, inside_bits,
            {"".join(f"severity_{code}, " for code in degrees)}
            {", ".join(f"impression_{code}" for code in conditions) or "null as none"}
        from taken left join found using (ek) left join stated using (ek) left join graded using (ek)
            join participant_keys using (pk)
        order by participant_id, exam_id
        """
    ).pl()
    labels = con.sql("select group_by, label from group_labels order by group_by, code").pl()
    return frame.select(
        "participant",
        "examiner",
        *(coded(g.name, labels.filter(group_by=g.name)["label"].to_list(), first=1) for g in named),
        *(coded(f"result_{m}", RECORDED, of=results.code(m, len(RESULTS))) for m in maneuvers),
        *(column for code in conditions for column in _status(code, bits[code])),
        *(
            coded(f"severity_{code}", [degree.code for degree in condition.severity])
            for code, condition in degrees.items()
        ),
        *([f"impression_{code}" for code in conditions] or ["none"]),
    )


def coded(name: str, words: Iterable[str], first: int = 0, of: pl.Expr | None = None) -> pl.Expr:
    """Column `name` of places, counted from `first`, as the words at those places, in an ordered set of them.

    The places are those of the column itself, or of the expression `of`.
    """
    places = pl.col(name) if of is None else of
    return (places - first).cat.to(pl.Enum(list(words))).alias(name)


def has_bit(column: str, bit: int) -> pl.Expr:
    """Whether a column of bits has that of a condition."""
    return pl.col(column) & pl.lit(bit, pl.UInt64) != 0


def result_place(equivocal: str) -> str:
    """SQL for the place of a finding's result in RESULTS, an equivocal one as `equivocal` says."""
    recoded = equivocal if equivocal in RESULTS else "equivocal"
    return places_of(RESULTS, f"(case result when 'equivocal' then {text(recoded)} else result end)")


def _impressions(conditions: tuple[str, ...]) -> str:
    if not conditions:
        return "null as none"
    return ", ".join(
        f"max(probability) filter (condition = {text(code)})::float as impression_{code}" for code in conditions
    )


def _status(condition: str, bit: int) -> tuple[pl.Expr, pl.Expr]:
    """Columns for the status of a condition, and for whether the exam is the episode's first."""
    place = {status: pl.lit(place, pl.UInt8) for place, status in enumerate(STATUSES)}
    found = (
        pl.when(has_bit("present_bits", bit))
        .then(place["present"])
        .when(has_bit("absent_bits", bit))
        .then(place["absent"])
        .when(has_bit("inside_bits", bit))
        .then(place["indeterminate"])
        .otherwise(place["unverified"])
    )
    own = pl.when(has_bit("own_bits", bit)).then(found)
    return coded(f"status_{condition}", STATUSES, of=own), has_bit("index_bits", bit).alias(f"index_{condition}")
