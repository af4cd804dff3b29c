"""JSON Schema of every kind of file that people write: protocol, study, mapping, scenario, interventions."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from examtally.contracts.catalogue.clinical import Noun
from examtally.contracts.mapping.file import TITLE as MAPPING
from examtally.contracts.mapping.sections import MappingFile
from examtally.contracts.protocol.interventions import TITLE as INTERVENTIONS
from examtally.contracts.protocol.interventions import InterventionsFile
from examtally.contracts.protocol.protocol import Protocol
from examtally.contracts.schema import json_schema
from examtally.contracts.study.file import StudyFile
from examtally.contracts.study.study import TITLE as STUDY
from examtally.errors import ContractError
from examtally.synthesis.scenario import TITLE as SCENARIO
from examtally.synthesis.scenario import ScenarioFile

NAMES = ("protocol", "study", "mapping", "scenario", "interventions")
_OF_NO_JOINT = Noun("joint", "joints", "joint")


def schema_text(name: str) -> str:
    """The JSON Schema of one of NAMES as the text of a file; raises ContractError for another.

    A scenario may be based on another and then names only what it changes: no key of it is required.
    """
    if name not in NAMES:
        raise ContractError(f"schema: '{name}' is not a kind of file; use one of {', '.join(NAMES)}")
    schemas: Mapping[str, Mapping[str, Any]] = {
        "protocol": json_schema(Protocol, "Protocol"),
        "study": json_schema(StudyFile, STUDY),
        "mapping": json_schema(MappingFile, MAPPING),
        "interventions": json_schema(InterventionsFile, INTERVENTIONS),
        "scenario": json_schema(ScenarioFile, SCENARIO, is_partial=True),
    }
    return _OF_NO_JOINT.said(json.dumps(schemas[name], indent=1, ensure_ascii=False)) + "\n"
