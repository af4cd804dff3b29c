"""SQL that turns what an export says into the codes and numbers of a record table, worked out once for each value.

Text that has no translation stays as it is, so that the gate holds the line back by rule; it is shown to nobody.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from examtally.contracts.mapping.mapping import FromColumn
from examtally.contracts.records.rules import in_list, literal, quoted
from examtally.contracts.records.synonyms import own_words
from examtally.contracts.records.tables import Field

Wanted = Sequence[tuple[Field, FromColumn]]

FOLDED = "trim(regexp_replace(replace(replace(lower({text}), '_', ' '), chr(160), ' '), '\\s+', ' ', 'g'))"
"""SQL of `fold` for a text."""
_NUMBER = r"-?[0-9]+(\.[0-9]+)? *(mm|cm|°|deg|degrees|grad)?"
_MARK = "chr(1) || '{}' || chr(2)"


def is_translated(field: Field, value: FromColumn) -> bool:
    """Whether the text of a column is not taken as it stands."""
    return (
        field.enum is not None
        or field.type != "string"
        or value.codes is not None
        or value.in_parts
        or bool(value.matches)
    )


def dictionary(distinct: str, wanted: Wanted, *, decimal_comma: bool) -> str:
    """Return a query of one row a distinct text `s` of the query `distinct`, with a column for each wanted field."""
    in_parts = [(field, value) for field, value in wanted if value.in_parts]
    inner = f"select s, {FOLDED.format(text='s')} as f, {_number(decimal_comma)} as n from ({distinct})"
    if in_parts:
        inner = f"select *, {_marked(in_parts, decimal_comma)} as m from ({inner})"
        inner = f"select *, {_is_unknown(in_parts)} as unknown from ({inner})"
    holder = _holder(in_parts)
    columns = ", ".join(
        f"{_translated(field, value, in_parts, decimal_comma, field is holder)} as {quoted(field.name)}"
        for field, value in wanted
    )
    for field, value in wanted:
        if value.unreadable:
            plain = _translated(field, replace(value, unreadable=False), in_parts, decimal_comma, field is holder)
            columns += f", {plain} is not null and {_readable(field, plain)} is null as {quoted(unread(field.name))}"
    return f"select s, {columns} from ({inner})"


def unread(name: str) -> str:
    """The column of a dictionary that says whether a text was no legal value and is left out."""
    return f"{name}__unread"


def _number(decimal_comma: bool) -> str:
    """The text of a cell as a number with a point, or NULL."""
    text = "replace(trim(s, ' %'), ',', '.')" if decimal_comma else "trim(s, ' %')"
    return f"try_cast({text} as double)"


def _translated(field: Field, value: FromColumn, in_parts: Wanted, decimal_comma: bool, holds: bool) -> str:
    if value.in_parts:
        return _part(field, value, in_parts, holds)
    if value.unreadable:
        return _readable(field, _translated(field, replace(value, unreadable=False), in_parts, decimal_comma, holds))
    if value.matches:
        cases = " ".join(
            f"when regexp_matches(f, {literal(one)}, 'i') then nullif({literal(code)}, '')"
            for one, code in value.matches
        )
        return f"case {cases} else s end"
    words = {**({} if value.same_as else own_words(field)), **(value.codes or {})}
    otherwise = _stepped(value) if value.steps else _plain(field, value, decimal_comma)
    return _cases("f", words, otherwise)


def _readable(field: Field, text: str) -> str:
    """The text where it is a legal value of the field, else a blank."""
    if field.enum is not None:
        return f"case when {text} in {in_list(field.enum)} then {text} end"
    limits = [f">= {field.minimum}"] * (field.minimum is not None) + [f"<= {field.maximum}"] * (
        field.maximum is not None
    )
    number = f"try_cast({text} as {field.sql_type})"
    holds = " and ".join(f"{number} {limit}" for limit in limits) or f"{number} is not null"
    return f"case when {holds} then {text} end"


def _cases(text: str, words: Mapping[str, str], otherwise: str) -> str:
    if not words:
        return otherwise
    cases = " ".join(f"when {literal(word)} then {literal(code) if code else 'null'}" for word, code in words.items())
    return f"case {text} {cases} else {otherwise} end"


def _stepped(value: FromColumn) -> str:
    steps = " ".join(f"when n >= {start!r} then {literal(code)}" for start, code in reversed(value.steps))
    return f"case {steps} else s end"


def _plain(field: Field, value: FromColumn, decimal_comma: bool) -> str:
    """Numbers in the unit of the column; anything else as it is written."""
    if field.type == "string":
        return "s"
    if field.type == "number" and field.maximum == 1:
        return _probability(value, decimal_comma)
    if value.factor is not None:
        number = f"n * {value.factor!r}"
        written = f"cast(cast(round({number}) as bigint) as varchar)" if field.type == "integer" else _decimal(number)
        return f"case when abs({number}) < 1e15 then {written} else s end"
    if field.type == "integer":
        return "case when n = trunc(n) and abs(n) < 1e15 then cast(cast(n as bigint) as varchar) else s end"
    return _pointed(decimal_comma)


def _pointed(decimal_comma: bool) -> str:
    """The text as it is, a number with a point."""
    return "case when n is not null then replace(s, ',', '.') else s end" if decimal_comma else "s"


def _probability(value: FromColumn, decimal_comma: bool) -> str:
    """A probability: a cell with its sign is percent; one between 0 and 1 in a column of percent is held back.

    Such a cell may be a share that somebody pasted: 0.7 taken for 0.7 % would be wrong a hundredfold.
    """
    if value.factor is None:
        share = _decimal("n / 100")
        return f"case when n is not null and contains(s, '%') then {share} else {_pointed(decimal_comma)} end"
    number = _decimal(f"n * {value.factor!r}")
    return f"case when n > 0 and n < 1 and not contains(s, '%') then '(' || s || ')' else coalesce({number}, s) end"


def _decimal(number: str) -> str:
    return f"cast(round({number}, 6) as varchar)"


def _keys(in_parts: Wanted) -> list[str]:
    """Every known part, longest first, so that `not done` is found before `done`."""
    keys = {key for field, value in in_parts for key in (*own_words(field), *(value.parts or {}))}
    return sorted(keys, key=lambda key: (-len(key), key))


def _marked(in_parts: Wanted, decimal_comma: bool) -> str:
    """The parts of a cell, each known one replaced by a mark with its number; parts stand between two spaces each."""
    separators = "[ ;]" if decimal_comma else "[ ,;]"
    text = f"'  ' || regexp_replace(f, '{separators}+', '  ', 'g') || '  '"
    for number, key in enumerate(_keys(in_parts)):
        text = f"replace({text}, {literal(' ' + key.replace(' ', '  ') + ' ')}, ' ' || {_MARK.format(number)} || ' ')"
    return text


def _rest() -> str:
    """What is left of a cell without its known parts."""
    return "trim(regexp_replace(regexp_replace(m, chr(1) || '[0-9]+' || chr(2), '', 'g'), ' +', ' ', 'g'))"


def _is_unknown(in_parts: Wanted) -> str:
    allowed = f"|({_NUMBER})" if any(value.is_number for _, value in in_parts) else ""
    return f"not regexp_full_match(replace({_rest()}, ',', '.'), {literal('()' + allowed)})"


def _holder(in_parts: Wanted) -> Field | None:
    """The column that keeps the whole text of a cell with an unknown part, and is held back for it."""
    return next((field for field, _ in in_parts if field.required), in_parts[0][0] if in_parts else None)


def _part(field: Field, value: FromColumn, in_parts: Wanted, holds: bool) -> str:
    """The value of the part that speaks of this column: none is a blank, two that differ are no value."""
    words = {**own_words(field), **(value.parts or {})}
    keys = _keys(in_parts)
    found = ", ".join(
        f"case when contains(m, {_MARK.format(keys.index(word))}) then {literal(code)} end"
        for word, code in words.items()
    )
    if value.is_number:
        number = f"nullif(regexp_extract(replace({_rest()}, ',', '.'), '^-?[0-9]+([.][0-9]+)?'), '')"
        found = f"{found}, {number}" if found else number
    values = f"list_distinct(list_filter([{found}], lambda one: one is not null))"
    one = f"case len({values}) when 0 then null when 1 then nullif({values}[1], '') else s end"
    return f"case when unknown then s else {one} end" if holds else f"case when not unknown then {one} end"
