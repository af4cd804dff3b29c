"""What a declared file may hold, for others than its reader: JSON Schema for editors, keys for the dictionary."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

from examtally.contracts.declaration import Section, adapter, described, plain

_DIALECT = "https://json-schema.org/draft/2020-12/schema"
_SHORT = 300  # characters of a value's schema up to which every key of a closed mapping is listed with it


@dataclass(frozen=True)
class DeclaredKey:
    """One key: the section it stands in, whether it must be there, what is legal in words, its codes and meanings.

    `type` is the kind of value in a word or two; `default` is plain data, None where there is none.
    """

    section: str
    name: str
    is_required: bool
    type: str
    legal: str
    codes: Mapping[str, str]
    default: Any
    description: str


@cache
def json_schema(kind: Any, title: str, is_partial: bool = False) -> Mapping[str, Any]:
    """JSON Schema (2020-12) of one kind of file; where a file may be a part of one, no key is required."""
    from pydantic.json_schema import GenerateJsonSchema

    class Generator(GenerateJsonSchema):
        def field_title_should_be_set(self, schema: Any) -> bool:  # noqa: ARG002  (a name says nothing more than its key)
            return False

        def default_schema(self, schema: Any) -> dict[str, Any]:
            made: dict[str, Any] = self.generate_inner(schema["schema"])
            given = schema["default_factory"]() if "default_factory" in schema else schema.get("default")
            default = plain(given)
            is_said = default not in (None, "", [], {}) and not isinstance(given, Section)
            return made | ({"default": default} if is_said else {})

        def dataclass_schema(self, schema: Any) -> dict[str, Any]:
            made: dict[str, Any] = super().dataclass_schema(schema)
            texts = {name.removesuffix("_"): text for name, text in described(schema["cls"]).items()}
            keys = {key: {**one, "description": texts[key]} for key, one in made["properties"].items()}
            return made | {"properties": keys}

    made = _tidy(adapter(kind).json_schema(schema_generator=Generator))
    for name, section in made["$defs"].items():
        section["title"] = "".join(f"_{sign.lower()}" if sign.isupper() else sign for sign in name)[1:]
        section["title"] = section["title"].removesuffix("_entry")
    for section in (made, *made["$defs"].values()):
        for key in section["properties"].values():
            if "$ref" in key:  # a description that is that of the section as well is left out by the generator
                key.setdefault("description", made["$defs"][key["$ref"].rsplit("/", 1)[1]]["description"])
        if is_partial:
            section.pop("required", None)
    return {"$schema": _DIALECT, **made, "title": title}


def declared_keys(schema: Mapping[str, Any], name: str, apart: str = "") -> tuple[DeclaredKey, ...]:
    """Every key of a file by section; the whole file is the section `name`, others stand in order of first use.

    A section called `apart` is left out with all below it. Codes of the catalogue or a record table are not listed.
    """
    found: dict[str, tuple[DeclaredKey, ...]] = {}

    def visit(section: Mapping[str, Any], called: str) -> None:
        found[called] = tuple(_own(_key(key, one, called, section), one) for key, one in section["properties"].items())
        for one in section["properties"].values():
            for ref in _references(one):
                inner = schema["$defs"][ref]
                if inner["title"] not in (*found, apart):
                    visit(inner, inner["title"])

    visit(schema, name)
    return tuple(key for keys in found.values() for key in keys)


def declared_paths(schema: Mapping[str, Any]) -> tuple[DeclaredKey, ...]:
    """Every key of a file whose sections stand once: named by its path."""
    found = []
    for name, one in schema["properties"].items():
        inner = schema["$defs"][one["$ref"].rsplit("/", 1)[1]] if "$ref" in one else None
        if inner is None:
            found.append(_key(name, one, "", schema))
        else:
            found += [_key(f"{name}.{key}", two, "", inner) for key, two in inner["properties"].items()]
    return tuple(found)


def _key(name: str, schema: Mapping[str, Any], section: str, parent: Mapping[str, Any]) -> DeclaredKey:
    listed = schema.get("items", {}) if schema.get("type") == "array" else schema
    names = listed.get("enum", ())
    codes = dict(zip(names, listed.get("enumDescriptions", [""] * len(names)), strict=True))
    return DeclaredKey(
        section=section,
        name=name,
        is_required=name in parent.get("required", ()),
        type=_type(schema),
        legal=legal_words(schema),
        codes=codes,
        default=schema.get("default"),
        description=schema["description"],
    )


def _own(key: DeclaredKey, schema: Mapping[str, Any]) -> DeclaredKey:
    """The key without codes that are listed elsewhere in the dictionary."""
    source = schema.get("$comment") or schema.get("items", {}).get("$comment")
    return replace(key, codes={}, legal=f"one or more {source}" if "items" in schema else source) if source else key


def _type(schema: Mapping[str, Any]) -> str:
    if "anyOf" in schema:
        return " or ".join(dict.fromkeys(_type(one) for one in schema["anyOf"]))
    if "enum" in schema:
        return "code"
    kind = schema.get("type", "object" if "$ref" in schema else "")
    words = {"array": "list", "object": "mapping", "string": "text", "null": "blank"}
    return " or ".join(words.get(one, one) for one in ([kind] if isinstance(kind, str) else kind))


def legal_words(schema: Mapping[str, Any]) -> str:
    """The legal set of a value in words; empty where its description says all."""
    if schema.get("type") == "array" and "enum" not in schema["items"]:
        inner = legal_words(schema["items"])
        return f"{schema.get('title', 'a list')}, each {inner}" if inner else schema.get("title", "")
    return str(schema.get("title") or _words_of_kind(schema))


def _words_of_kind(schema: Mapping[str, Any]) -> str:
    kind = schema.get("type")
    if kind == "array":
        return "a list of the codes, none twice"
    if "enum" in schema:
        return "one of the codes"
    if kind == "boolean":
        return "true or false"
    if "exclusiveMinimum" in schema:
        return f"a number above {schema['exclusiveMinimum']:g} and below {schema['exclusiveMaximum']:g}"
    if kind in ("integer", "number") and {"minimum", "maximum"} <= schema.keys():
        noun = "a whole number" if kind == "integer" else "a number"
        return f"{noun} from {schema['minimum']} to {schema['maximum']}"
    return ""


def _references(schema: Any) -> Iterator[str]:
    """The sections a schema speaks of, in order."""
    if isinstance(schema, Mapping):
        if "$ref" in schema:
            yield schema["$ref"].rsplit("/", 1)[1]
        for one in schema.values():
            yield from _references(one)
    elif isinstance(schema, list):
        for one in schema:
            yield from _references(one)


def _tidy(schema: Any) -> Any:
    """List the keys of a closed mapping, so that an editor can offer them, and drop what says nothing."""
    if isinstance(schema, list):
        return [_tidy(one) for one in schema]
    if not isinstance(schema, dict):
        return schema
    tidy = {key: _tidy(one) for key, one in schema.items()}
    if isinstance(tidy.get("description"), str):
        tidy["description"] = " ".join(tidy["description"].split())
    if "enum" in tidy.get("propertyNames", {}) and len(json.dumps(tidy["additionalProperties"])) <= _SHORT:
        keys = tidy.pop("propertyNames")
        value = tidy["additionalProperties"]
        meanings = zip(keys["enum"], keys.get("enumDescriptions", keys["enum"]), strict=True)
        tidy["properties"] = {code: {**value, "description": meaning} for code, meaning in meanings}
        tidy["additionalProperties"] = False
    return tidy
