"""The bundle described as an RO-Crate 1.1: one JSON-LD file that says what each file is and how they belong together.

Source: RO-Crate Metadata Specification 1.1, https://w3id.org/ro/crate/1.1 (root data entity, data entities).
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

CRATE = "ro-crate-metadata.json"
_VERSION = "https://w3id.org/ro/crate/1.1"
_KINDS = {
    ".csv": "text/csv",
    ".json": "application/json",
    ".md": "text/markdown",
    ".py": "text/x-python",
    ".txt": "text/plain",
    ".lock": "text/plain",
    ".yaml": "application/yaml",
}
_LICENSE, _RUN, _PROGRAM, _PYTHON = "#license", "#run", "#examtally", "#python"


def crate(
    folder: Path,
    *,
    title: str,
    about: str,
    date: str,
    told: Mapping[str, str],
    script: str,
    results: Iterable[str],
    protocol: str,
    versions: Mapping[str, str],
) -> str:
    """Return the metadata of a folder whose files are all there; `told` says what a file is, by its path.

    `date` is the day on which the bundle was made (ISO 8601), `results` the files that the run of `script` gave from
    `protocol`. The license is left to the author and said so.
    """
    paths = sorted(path for path in folder.rglob("*") if path.is_file())
    files = [_file(path, folder, told) for path in paths]
    for one in files:
        if one["@id"] == script:
            one |= {"@type": ["File", "SoftwareSourceCode"], "programmingLanguage": {"@id": _PYTHON}}
    graph = [
        {
            "@id": CRATE,
            "@type": "CreativeWork",
            "conformsTo": {"@id": _VERSION},
            "about": {"@id": "./"},
        },
        {
            "@id": "./",
            "@type": "Dataset",
            "name": title,
            "description": about,
            "datePublished": date,
            "license": {"@id": _LICENSE},
            "hasPart": [{"@id": one["@id"]} for one in files],
            "mentions": {"@id": _RUN},
        },
        *files,
        {
            "@id": _RUN,
            "@type": "CreateAction",
            "name": "The run of the study",
            "instrument": {"@id": _PROGRAM},
            "object": {"@id": protocol},
            "result": [{"@id": path} for path in results],
        },
        {
            "@id": _PROGRAM,
            "@type": "SoftwareApplication",
            "name": "examtally",
            "softwareVersion": versions.get("examtally", "unknown"),
            "softwareRequirements": [
                f"{name} {version}" for name, version in sorted(versions.items()) if name != "examtally"
            ],
        },
        {"@id": _PYTHON, "@type": "ComputerLanguage", "name": "Python", "version": versions.get("python", "unknown")},
        {
            "@id": _LICENSE,
            "@type": "CreativeWork",
            "name": "Not yet chosen",
            "description": "The author states the license before the bundle is published.",
        },
    ]
    return json.dumps({"@context": f"{_VERSION}/context", "@graph": graph}, indent=1, ensure_ascii=False) + "\n"


def _file(path: Path, folder: Path, told: Mapping[str, str]) -> dict[str, Any]:
    place = path.relative_to(folder).as_posix()
    return {
        "@id": place,
        "@type": "File",
        "name": told.get(place, path.name),
        "encodingFormat": _KINDS.get(path.suffix, "application/octet-stream"),
        "contentSize": str(path.stat().st_size),
    }
