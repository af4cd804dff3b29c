"""A first mapping for an export nobody has described yet: valid, commented, and marked where a person must decide."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from examtally.contracts.contract import Contract, contract_for, registry_contract
from examtally.contracts.records.own_synonyms import OwnSynonyms, load_own_synonyms
from examtally.errors import FileFault
from examtally.ingestion.drafting.assigning import assign
from examtally.ingestion.drafting.column_inference import Guesser
from examtally.ingestion.drafting.drafted_identifiers import deidentify_lines
from examtally.ingestion.drafting.drafted_parts import Beside
from examtally.ingestion.drafting.drafted_tables import TableDrafter
from examtally.ingestion.drafting.fhir_sources import fhir_lines, tells_of_withdrawal, withdrawn_lines
from examtally.ingestion.drafting.profiling import Look, delimiter_name, is_harmless, look_at
from examtally.ingestion.drafting.yaml_text import UNSURE, flow, quoted_text
from examtally.ingestion.mapping.exports import ENDINGS, expand
from examtally.ingestion.reading.sources import ending_of
from examtally.registry.workspace import Workspace

_HEAD = """\
# A first mapping, guessed from the names and values of the export. Read every line; change what is wrong.
# A line with `unsure` is a guess that needs you; "???" stands where no column was found and must be replaced.
# Then:  examtally check EXPORT --mapping THIS_FILE      and when it is right:  examtally ingest … --mapping THIS_FILE
# All keys:  examtally dictionary --table mapping
"""


@dataclass(frozen=True)
class Draft:
    """A drafted mapping: its text, and of the columns how many it reads and how many stand under `ignore`.

    `unknown` counts, among those ignored, the ones of which nothing was recognized; `renamed` the files whose own name
    is not kept and that must be given the name in `files`; `patterns` those of which a pattern stands there.
    """

    text: str
    columns: int
    placed: int
    ignored: int
    unknown: int
    unsure: int
    renamed: int = 0
    patterns: int = 0


def draft(
    paths: Sequence[Path | str],
    *,
    joint: str | None = None,
    catalogue: Path | None = None,
    synonyms: Path | None = None,
    progress: Callable[[str], None] | None = None,
) -> Draft:
    """Look at an export, files or folders of them, and return a first mapping.

    Names of maneuvers and conditions are those of the `joint`, or of the group's own `catalogue`; `synonyms` is the
    file of the group's own words that `learn` writes.

    Raises FileFault where a file cannot be read; what lies in a folder and is of no readable form is passed over.
    """
    contract = contract_for(joint, catalogue)
    own = OwnSynonyms() if synonyms is None else load_own_synonyms(synonyms, registry_contract(joint, catalogue))
    files, faults = expand(paths)
    single = {Path(path).resolve() for path in paths if not Path(path).is_dir()}
    files = [file for file in files if file.resolve() in single or ending_of(file, ENDINGS) is not None]
    if faults or not files:
        raise FileFault(*(faults or ["no file that can be read lies there; name the files of the export"]))
    with Workspace(Path(tempfile.gettempdir())) as workspace:
        looks = look_at(workspace.con, files, workspace.folder, progress or (lambda _step: None))
    sources: list[str] = []
    tables: dict[str, list[list[str]]] = {}
    columns = ignored = unknown = 0
    drafters = _drafters(contract, own, looks)
    for drafter in drafters:
        look, made = drafter.look, drafter.tables()
        made = {} if tells_of_withdrawal(look.source) else made
        for name, entries in made.items():
            tables.setdefault(name, []).extend(entries)
        left, unread = drafter.ignored, drafter.unknown
        sources += _source(look, left, unread)
        columns += len(look.columns)
        ignored += sum(column.name in {*look.source.ignore, *left, *unread} for column in look.columns)
        unknown += len(unread)
    lines = [
        _HEAD,
        f"title: {quoted_text('Export of our clinic')}",
        "",
        "sources:",
        *sources,
        "",
        "tables:",
    ]
    for name in contract.tables:
        if name in tables:
            lines += [f"  {name}:", *_entries(tables[name]), ""]
    lines += withdrawn_lines([look.source for look in looks])
    lines += deidentify_lines(drafters)
    text = "\n".join(lines).rstrip() + "\n"
    named = {look.path: look for look in looks}.values()
    renamed = sum(not look.is_named for look in named)
    patterns = sum(look.is_named and look.source.files != look.path.name for look in named)
    return Draft(text, columns, columns - ignored, ignored, unknown, text.count(UNSURE), renamed, patterns)


def _drafters(contract: Contract, own: OwnSynonyms, looks: Sequence[Look]) -> list[TableDrafter]:
    """One for each export, which knows what the others are."""
    guessers = [
        Guesser(contract, look.columns, own, f"{look.source.files} {look.source.sheet or ''}") for look in looks
    ]
    alone = Beside(is_several=len(looks) > 1)
    made = [
        TableDrafter(contract, guesser, assign(guesser, look.columns), look, alone)
        for guesser, look in zip(guessers, looks, strict=True)
    ]
    return [replace(one, beside=_beside(one, [other for other in made if other is not one])) for one in made]


def _beside(own: TableDrafter, others: Sequence[TableDrafter]) -> Beside:
    visits = [one for one in others if one.found.field("exams.exam_id") is not None and not one.is_reading]
    is_of_visits = own.found.field("exams.exam_id") is not None
    return Beside(
        is_several=bool(others),
        has_people=any(one.has_person for one in visits),
        has_sides=is_of_visits and any(one.affected is not None and not one.has_person for one in visits),
        has_dates=any(one.visit_date is not None for one in others),
    )


def _source(look: Look, ignored: list[str], unknown: list[str]) -> list[str]:
    source = look.source
    doubt = "" if look.is_named else f"   {UNSURE} rename the file to this: its own name may name a person"
    lines = [f"  {source.name}:", f"    files: {quoted_text(source.files)}{doubt}"]
    if source.sheet is not None:
        doubt = "" if is_harmless(source.sheet) else f"   {UNSURE} does this name a person? rename the sheet"
        lines.append(f"    sheet: {quoted_text(source.sheet)}{doubt}")
    first, last = source.header_rows
    if (first, last) != (1, 1):
        lines.append(f"    header_rows: [{first}, {last}]")
    if source.encoding != "utf-8":
        lines.append(f"    encoding: {source.encoding}")
    if source.delimiter != ",":
        lines.append(f"    delimiter: {delimiter_name(source.delimiter)}")
    if source.decimal_comma:
        lines.append("    decimal: comma")
    if source.ends_before:
        lines.append(f"    ends_before: {flow(source.ends_before)}")
    for skip in source.skip:
        lines += ["    skip:", f"      - {{column: {quoted_text(skip.column)}, equals: {flow(skip.equals)}}}"]
    if source.fhir is not None:
        lines += fhir_lines(source.fhir)
    if source.ignore or ignored or unknown:
        lines.append("    ignore:")
        lines += [f"      - {quoted_text(name)}" for name in source.ignore]
        letters = {column.name: f"   # column {column.letters}" for column in look.columns if column.letters}
        lines += [f"      - {quoted_text(name)}{letters.get(name, '')}" for name in ignored]
        lines += [
            f"      - {quoted_text(name)}{letters.get(name, '')}   {UNSURE} nothing was recognized here; map it or not"
            for name in unknown
        ]
    return lines


def _entries(entries: Sequence[Iterable[str]]) -> list[str]:
    """One entry as a mapping, several as a list."""
    if len(entries) == 1:
        return [f"    {line}" for line in entries[0]]
    lines = []
    for entry in entries:
        lines += [f"    {'- ' if at == 0 else '  '}{line}" for at, line in enumerate(entry)]
    return lines
