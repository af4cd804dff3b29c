"""The form of coded identifiers: a new code has a form its site declares, or the look of the other codes of its kind.

What is stored under a code already, and codes that `deidentify` made, also with a side joined to them, pass in any
case. A site declares its own forms once, by example, in `site.yaml` beside the registry; then nothing else passes.
Without it a code passes where at least five codes of its kind (participants, exams, examiners and readers, references,
sites) are written like it and they are at least a twentieth of the kind. Few codes show no form yet. Among examiners
and sites, letters and a number of three digits or fewer pass too; where another kind has fewer than twenty codes, four
digits or fewer that are no year. So does a code that begins with that of a participant, as mappings make them. Zeros
that lead a number are no digits here.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from pathlib import Path

import duckdb

from examtally.contracts.records.pseudonym import PREFIXES, load_pseudonym_rule
from examtally.contracts.records.rules import literal, pseudonym_sql, quoted
from examtally.contracts.records.screening import FORM, ScreenRule, shape_sql
from examtally.contracts.yamlfile import load_yaml
from examtally.errors import FileFault
from examtally.ingestion.checking.gate import Checks, column_of, held
from examtally.ingestion.reading.staging import Staged

SITE_FILE = "site.yaml"
ALIKE = 5
"""So many codes written alike are a form."""
_SHARE = 20  # and at least one code in so many of the kind
_HAS_FEW = "(select count(*) from codes) < 20"  # a kind with fewer codes shows no form yet
_HAS_YEAR = "regexp_matches(code, '(19|20)[0-9][0-9]')"
_PERSON = "participant"
_STAFF = ("examiner", "site")
_FEW_DIGITS, _MOST_DIGITS = 3, 7
_JOINED = "(-+[A-Z]{0,4}[0-9]{0,5})+"  # what follows the participant: side, day, examiner, each short
_KEYED = "-([B-DF-HJ-NP-TV-XZ][0-9]){8}"  # deidentification.coding
_OF_SIDE = "(-[A-Z]{1,3}){0,2}"  # what a mapping joins to it: a side, the kind of a reading

Forms = Mapping[str, tuple[str, ...]]
"""The declared forms of each kind, as patterns that match a whole code."""


def read_forms(con: duckdb.DuckDBPyConnection, folder: Path) -> Forms | None:
    """Return the forms that `site.yaml` in `folder` declares, None where there is no such file.

    Raises FileFault for a form that an identifier could have, or a file of another form.
    """
    path = folder / SITE_FILE
    if not path.is_file():
        return None
    kinds = load_yaml(path, FileFault).record(required=("identifiers",))["identifiers"].record(optional=tuple(PREFIXES))
    examples = {kind: tuple(text.strip().upper() for text in node.texts()) for kind, node in kinds.items()}
    rule = load_pseudonym_rule()
    for kind, texts in examples.items():
        for place, text in enumerate(texts, start=1):
            query = (
                f"select {pseudonym_sql('code', rule)}, {shape_sql('code', ('any', 'coded'))} from (select ? as code)"
            )
            ((is_code, shape),) = con.execute(query, [text]).fetchall()
            if not is_code or shape is not None:
                raise FileFault(f"{SITE_FILE}: example {place} of {kind} must be {rule.words}, and like no identifier")
    return {kind: tuple(map(_pattern, texts)) for kind, texts in examples.items()}


def _pattern(example: str) -> str:
    """Letters and hyphens stand for themselves, a digit for any digit."""
    return re.sub(r"[0-9]+", lambda run: f"[0-9]{{{len(run[0])}}}", example)


def hold_unformed(
    con: duckdb.DuckDBPyConnection, staged: Mapping[str, Staged], checks: Mapping[str, Checks], forms: Forms | None
) -> None:
    """Hold back every line, not held back yet, with a new code that has no form of its kind."""
    con.execute("create or replace temp table persons (code varchar)")
    columns_of_codes = con.execute(
        "select schema_name, table_name, column_name from duckdb_columns() where database_name = 'reg' "
        "and schema_name in ('main', 'waiting') and ends_with(column_name, '_id') and table_name <> 'held_by'"
    ).fetchall()
    stored = [
        (_kind(name), f"select {quoted(name)} as code, true as is_stored from reg.{part}.{quoted(table)}")
        for part, table, name in columns_of_codes
    ]
    for kind, prefix in PREFIXES.items():  # participants first
        columns = [(one, name) for one in staged.values() for name in _columns_of(one, kind)]
        if not columns and kind != _PERSON:
            continue
        sent = [_sent(one, checks[one.table.name], name, kind) for one, name in columns]
        _list_codes(con, [*sent, *(query for one, query in stored if one == kind)])
        passes = f"regexp_full_match(code, {literal(prefix + _KEYED + _OF_SIDE)})"
        known = _declared(forms.get(kind, ())) if forms is not None else _like_others(kind)
        found = _made(con, f"{known} where not (is_stored or {passes} or is_formed)")
        if found:  # few codes come so far, and what is asked of them last takes long to plan
            found = _made(con, f"select code from unformed where not ({_BEGINS_WITH_A_PERSON})")
        if kind == _PERSON:
            con.execute("insert into persons select code from codes where code not in (from unformed)")
        for one, name in columns if found else ():
            number = checks[one.table.name].number(_rule(checks[one.table.name], name))
            con.execute(
                f"insert into {held(one.table)} select rid, {number} from {one.view} "
                f"where {quoted(name)} in (from unformed) and rid not in (select rid from {held(one.table)})"
            )


def _made(con: duckdb.DuckDBPyConnection, codes: str) -> int:
    """Make `unformed` of a query of codes; return how many there are."""
    ((found,),) = con.execute(f"create or replace temp table unformed as {codes}").fetchall()
    return int(found)


def _columns_of(staged: Staged, kind: str) -> Iterator[str]:
    for field in staged.table.fields:
        if field.is_pseudonym and field.name in staged.supplied and _kind(field.name) == kind:
            yield field.name


def _kind(column: str) -> str:
    """A reader has the code of the examiner who is the same person."""
    kind = column.removesuffix("_id")
    return "examiner" if kind == "reader" else kind


def _sent(staged: Staged, checks: Checks, name: str, kind: str) -> str:
    """SELECT of the codes of a column: those of the passing lines, of participants also of lines held for another cell.

    The codes of a participant's exams begin with that of the participant, whatever is wrong with one of these exams.
    """
    held_back = f"select rid from {held(staged.table)}"
    if kind == _PERSON:
        own = [number for number, check in enumerate(checks.all) if column_of(check) == name]
        held_back += f" where rule_no in ({', '.join(map(str, own))})"
    return f"select {quoted(name)} as code, false as is_stored from {staged.view} where rid not in ({held_back})"


def _list_codes(con: duckdb.DuckDBPyConnection, queries: list[str]) -> None:
    """Make `codes` (code, is_stored, skeleton, digits): those that are sent, and those the registry holds."""
    every = " union all ".join(["select null as code, false as is_stored", *queries])
    con.execute(
        "create or replace temp table codes as select code, bool_or(is_stored) as is_stored, "
        "regexp_replace(code, '[0-9]+', '#', 'g') as skeleton, "
        "length(regexp_replace(regexp_replace(code, '(^|[^0-9])0+', '\\1', 'g'), '[^0-9]', '', 'g')) as digits "
        f"from ({every}) where code is not null group by code"
    )


_BEGINS_WITH_A_PERSON = f"""code in (
    select code from (
        select code, unnest(list_transform(
            range(1, len(string_split(code, '-'))), lambda many: array_to_string(string_split(code, '-')[1:many], '-')
        )) as beginning from unformed where contains(code, '-')
    ) where beginning in (from persons) and regexp_full_match(substr(code, len(beginning) + 1), {literal(_JOINED)})
)"""


def _like_others(kind: str) -> str:
    are_few = f"digits <= {_FEW_DIGITS} and regexp_full_match(code, '[A-Z]{{1,4}}-?[0-9]+')"
    if kind not in _STAFF:
        are_few = f"digits <= {_FEW_DIGITS + 1} and not {_HAS_YEAR} and {_HAS_FEW}"
    return f"""
        with forms as (
            select skeleton from codes where digits <= {_MOST_DIGITS} group by skeleton
            having count(*) >= {ALIKE} and {_SHARE} * count(*) >= (select count(*) from codes)
        )
        select code from (
            select *, digits <= {_MOST_DIGITS} and skeleton in (from forms)
                or {are_few} as is_formed from codes
        )"""


def _declared(patterns: tuple[str, ...]) -> str:
    matches = " or ".join(f"regexp_full_match(code, {literal(one)})" for one in patterns) or "false"
    return f"select code from (select *, {matches} as is_formed from codes)"


def _rule(checks: Checks, column: str) -> ScreenRule:
    return next(rule for rule in checks.screens if rule.column == column and rule.id.endswith(f".{FORM}"))
