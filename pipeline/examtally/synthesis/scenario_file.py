"""Reading a scenario file, or the one it is based on with its own words laid over it."""

from __future__ import annotations

from pathlib import Path
from types import MappingProxyType

from examtally.contracts.contract import Contract, load_contract
from examtally.contracts.yamlfile import Node, load_yaml
from examtally.resources import resource
from examtally.synthesis.grammar import joined, share, weights
from examtally.synthesis.reading import (
    read_complaints,
    read_examiners,
    read_people,
    read_periods,
    read_sheet,
    read_skill,
    read_visits,
)
from examtally.synthesis.reading_clinical import (
    read_conditions,
    read_families,
    read_forecasts,
    read_history,
    read_maneuvers,
    read_references,
    read_writing,
)
from examtally.synthesis.scenario import Scenario
from examtally.synthesis.vocabulary import Vocabulary

DEFAULT = "clinic"
_WHOLE = ("periods",)  # the keys of one kind mean nothing to the other
_HIGHEST_SEED = 2**32 - 1
_SITE = "[A-Z]-[0-9]{2,4}"
_GENERAL = ("title", "joint", "seed", "exams", "reference_people", "periods", "blanks")
_PEOPLE = ("sites", "examiners", "skill", "people", "complaints", "visits", "sheet")
_CLINICAL = (
    "conditions",
    "families",
    "habits",
    "maneuvers",
    "writing",
    "history",
    "forecasts",
    "decisions",
    "references",
)
_KEYS = (*_GENERAL, *_PEOPLE, *_CLINICAL)


def load_scenario(path: Path | None = None) -> Scenario:
    """Read the scenario at `path`, a file or the name of one that comes with the package; by default `clinic`.

    Raises ContractError with file, line, path in the file and mend for whatever is wrong with it.
    """
    place = _place(path)
    top = _based(load_yaml(place), place)
    return _scenario(top)


def _place(path: Path | None) -> Path:
    folder = resource("synthetic") / "scenarios"
    if path is None:
        return folder / f"{DEFAULT}.yaml"
    inside = folder / f"{path.name}.yaml"
    return inside if path.name == str(path) and not path.is_file() and inside.is_file() else path


def _based(top: Node, place: Path) -> Node:
    """`top`, laid over the scenario it names in `based_on`: one beside it, or one that comes with the package."""
    if not (isinstance(top.content, dict) and "based_on" in top.content):
        return top
    entries = dict(top.content)
    based_on = entries.pop("based_on")
    name = based_on.text("[a-z][a-z0-9_]*")
    beside, inside = place.with_name(f"{name}.yaml"), _place(Path(name))
    base = load_yaml(beside if beside.is_file() else inside)
    if isinstance(base.content, dict) and "based_on" in base.content:
        raise based_on.fail(f"'{name}' is based on another scenario itself", "name a scenario that stands alone")
    return joined(base, top.holding(entries), whole=_WHOLE)


def _scenario(top: Node) -> Scenario:
    entries = top.record(required=_KEYS)
    contract = load_contract(entries["joint"].text())
    families = read_families(entries["families"])
    sites = weights(_ids(entries["sites"]), None, ())
    known = Vocabulary(contract, tuple(families), sites.codes)
    conditions = read_conditions(entries["conditions"], known)
    severities = {code: plan.severity_codes for code, plan in conditions.items()}
    truth, visit, exam = known.truth(severities), known.visit(severities), known.exam(severities)
    present = tuple(code for code in contract.catalogue.conditions if code in truth)
    told = known.findings(severities)
    periods = read_periods(entries["periods"])
    forecasts = read_forecasts(entries["forecasts"], known, present, told)
    history, asked, unsure = read_history(entries["history"], known, exam)
    return Scenario(
        title=entries["title"].text(),
        joint=contract.catalogue.joint,
        seed=entries["seed"].integer(0, _HIGHEST_SEED),
        exams=entries["exams"].integer(1),
        reference_people=entries["reference_people"].integer(1),
        periods=periods,
        sites=sites,
        examiners=read_examiners(entries["examiners"], known, periods, forecasts.numbers),
        skill=read_skill(entries["skill"], known),
        people=read_people(entries["people"], known),
        complaints=read_complaints(entries["complaints"], known),
        visits=read_visits(entries["visits"], known, truth, visit),
        sheet=read_sheet(entries["sheet"], known, severities),
        conditions=MappingProxyType(conditions),
        families=MappingProxyType(families),
        maneuvers=MappingProxyType(read_maneuvers(entries["maneuvers"], entries["habits"], known, present, exam)),
        writing=read_writing(entries["writing"], known, exam),
        history=MappingProxyType(history),
        history_asked=asked,
        history_unsure=unsure,
        forecasts=forecasts,
        decided_by_last_hands=entries["decisions"].code("whose findings decide", ("last_hands", "first_hands"))
        == "last_hands",
        references=MappingProxyType(read_references(entries["references"], known, present, told)),
        blanks=MappingProxyType(_blanks(entries["blanks"], contract)),
    )


def _ids(node: Node) -> Node:
    node.table("a site's code such as S-01", _SITE)
    return node


def _blanks(node: Node, contract: Contract) -> dict[str, dict[str, float]]:
    """How often an optional column is left blank, by table and column."""
    return {
        table: {
            column: share(each)
            for column, each in entry.record(
                optional=[field.name for field in contract.tables[table].fields if not field.required]
            ).items()
        }
        for table, entry in node.record(optional=contract.tables).items()
    }
