"""No package that comes with examtally forbids its license, as far as their own metadata say."""

from __future__ import annotations

import re
from importlib.metadata import Distribution, PackageNotFoundError, distribution
from pathlib import Path

import pytest
from packaging.requirements import Requirement

ROOT = Path(__file__).resolve().parents[3]
LOCK = (ROOT / "requirements.lock").read_text(encoding="utf-8")
LOCKED = [Requirement(line.removesuffix("\\")) for line in re.findall(r"^[\w.-]+==.*$", LOCK, re.MULTILINE)]
NAMES = sorted({locked.name for locked in LOCKED if locked.marker is None or locked.marker.evaluate()})

ALLOWED = frozenset({
    "0BSD", "Apache-2.0", "BSD-2-Clause", "BSD-3-Clause", "CC0-1.0", "ISC", "MIT", "MIT-0", "MIT-CMU", "MPL-2.0",
    "PSF-2.0", "Zlib",
})  # fmt: skip
"""Short names of licenses whose terms an Apache-2.0 program that depends on the package can keep."""

SPOKEN = {
    "2-clause BSD": "BSD-2-Clause",
    "BSD 3-Clause License": "BSD-3-Clause",
    "ISC License": "ISC",
    "OSI Approved :: Apache Software License": "Apache-2.0",
    "OSI Approved :: BSD License": "BSD-3-Clause",
    "OSI Approved :: ISC License (ISCL)": "ISC",
    "OSI Approved :: MIT License": "MIT",
    "OSI Approved :: Mozilla Public License 2.0 (MPL 2.0)": "MPL-2.0",
    "OSI Approved :: Python Software Foundation License": "PSF-2.0",
}
"""What older metadata say, as short names."""


def licenses(package: Distribution) -> set[str]:
    """Short names of the licenses of a package; what is not known stays in the words of its metadata."""
    meta = package.metadata
    expression = meta.get("License-Expression")
    said = [line.split(" :: ", 1)[1] for line in meta.get_all("Classifier") or [] if line.startswith("License :: ")]
    free = (meta.get("License") or "").strip()
    words = [expression] if expression else said or ([free] if free else [])
    return {name for word in words for name in re.split(r" AND | OR ", SPOKEN.get(word, word))}


@pytest.mark.parametrize("name", NAMES)
def test_the_license_of_a_package_is_one_that_examtally_can_keep(name: str) -> None:
    try:
        found = licenses(distribution(name))
    except PackageNotFoundError:
        pytest.fail(f"{name} is locked and not installed; renew the environment")
    assert found, f"{name} names no license in its metadata"
    assert found <= ALLOWED, f"{name}: {found - ALLOWED}"


class Declared(Distribution):
    """A package of which only the metadata exist."""

    def __init__(self, *lines: str) -> None:
        self.lines = lines

    def read_text(self, filename: str) -> str | None:
        return (
            "\n".join(["Metadata-Version: 2.4", "Name: x", "Version: 1", *self.lines])
            if filename == "METADATA"
            else None
        )

    def locate_file(self, path: object) -> Path:
        return Path(str(path))


@pytest.mark.parametrize(
    ("line", "found"),
    [
        ("License-Expression: MIT AND GPL-3.0-only", {"MIT", "GPL-3.0-only"}),
        ("Classifier: License :: OSI Approved :: BSD License", {"BSD-3-Clause"}),
        ("License: ask us", {"ask us"}),
        ("Summary: says nothing", set()),
    ],
)
def test_metadata_are_read_in_the_words_of_each_age(line: str, found: set[str]) -> None:
    assert licenses(Declared(line)) == found
