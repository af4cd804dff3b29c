"""How severe the reading that settled a condition called it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from examtally.contracts.clinical import Condition

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
        return "select ek from ex where false"
    values = ", ".join(f"({bit}::ubigint, '{degree}', {place})" for bit, degree, place in degrees)
    columns = ", ".join(_column(condition, bits) for condition in chosen if condition.severity)
    return f"""
        select ek, {columns} from (
            select x.ek, s.bit, min(a.rank::integer * {_MOST} + d.place) % {_MOST} as place
            from statements s join ex x using (pk, is_right, episode) join conditions c on c.bit = s.bit
                join (values {values}) d(bit, severity, place) on d.bit = s.bit and d.severity = s.severity
                join accepted a on a.bit = s.bit and a.modality = s.modality and a.status = s.status
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
