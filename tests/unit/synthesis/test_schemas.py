"""JSON Schemas of the files that people write: shipped as generated, and of one mind with the reader."""

from __future__ import annotations

import json
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import Protocol, load_protocol
from examtally.contracts.yamlfile import load_yaml
from examtally.errors import ContractError, ProtocolError
from examtally.resources import resource
from examtally.synthesis.schemas import NAMES, schema_text

if TYPE_CHECKING:
    from jsonschema.protocols import Validator

DOCS = resource("docs")
WRITTEN = [
    *(("mapping", path) for path in sorted((DOCS / "exports").glob("*.yaml"))),
    *(("study", path) for path in sorted((DOCS / "studies").glob("*.yaml"))),
    *(("scenario", path) for path in sorted((resource("synthetic") / "scenarios").glob("*.yaml"))),
]


@cache
def _checker(name: str) -> Validator:
    import jsonschema  # takes seconds: here, not in every process that collects tests

    schema: Mapping[str, Any] = json.loads(schema_text(name))
    jsonschema.Draft202012Validator.check_schema(schema)
    return jsonschema.Draft202012Validator(schema)


def _places(name: str, content: object) -> list[str]:
    return sorted("/".join(map(str, fault.absolute_path)) for fault in _checker(name).iter_errors(content))


@pytest.mark.parametrize("name", NAMES)
def test_the_shipped_schema_is_the_generated_one(name: str) -> None:
    shipped = (resource("schemas") / "json" / f"{name}.schema.json").read_text(encoding="utf-8")
    assert shipped == schema_text(name), "run `make schemas`"


@pytest.mark.parametrize(("name", "path"), WRITTEN, ids=lambda one: getattr(one, "stem", one))
def test_what_the_package_ships_is_legal_by_its_schema(name: str, path: Path) -> None:
    assert _places(name, load_yaml(path).plain()) == []


def test_every_key_says_what_it_means() -> None:
    for name in NAMES:
        schema = json.loads(schema_text(name))
        for section in (schema, *schema["$defs"].values()):
            assert section["description"]
            for key, entry in section["properties"].items():
                assert entry.get("description"), f"{name}: {section['title']}.{key}"


def test_the_resolved_defaults_are_legal_by_the_schema(protocol: Protocol) -> None:
    assert _places("protocol", protocol.to_dict()) == []


@pytest.mark.parametrize(
    "source",
    [
        {"display": {"min_participants": 0}},
        {"intervals": {"level": 1}},
        {"equivocal": "maybe"},
        {"windows": {"acl_tear": [0]}},
        {"windows": {"acl": [0, 90]}},
        {"core": ["lachman", "lachman"]},
        {"modelling": {"seconds": {"lachman": "ten"}}},
        {"predictive_values": {"prevalence": 2}},
        {"comparisons": {"groups": {"period": []}}},
        {"unheard": 1},
    ],
)
def test_schema_and_reader_refuse_the_same(source: dict[str, Any], contract: Contract) -> None:
    assert _places("protocol", source) != []
    with pytest.raises(ProtocolError):
        load_protocol(source, contract)


@pytest.mark.parametrize("source", [{}, {"predictive_values": {"prevalence": None}}, {"windows": {"acl_tear": [0, 9]}}])
def test_schema_and_reader_take_the_same(source: dict[str, Any], contract: Contract) -> None:
    assert _places("protocol", source) == []
    load_protocol(source, contract)


def test_an_unknown_kind_is_refused_with_the_legal_set() -> None:
    with pytest.raises(ContractError, match="use one of protocol, study, mapping, scenario"):
        schema_text("results")
