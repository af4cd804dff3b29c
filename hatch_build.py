"""The README as an index of packages shows it: pictures and links into this tree lead nowhere there, so they go."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

from hatchling.metadata.plugin.interface import MetadataHookInterface

PICTURES = re.compile(r"^\|.*!\[.*\n", re.MULTILINE)
EMPTY_TABLE = re.compile(r"^\| \| \|\n\|---\|---\|\n\n?", re.MULTILINE)
LINK = re.compile(r"\[([^\]]+)\]\((?!https?:)[^)]+\)")


def for_an_index(readme: str) -> str:
    """Leave out tables of pictures, and of links that lead into the tree keep the words."""
    return LINK.sub(r"\1", EMPTY_TABLE.sub("", PICTURES.sub("", readme)))


class ReadmeHook(MetadataHookInterface):
    """Gives the package its long description."""

    def update(self, metadata: dict[str, Any]) -> None:
        """Set `readme` from README.md."""
        text = (Path(self.root) / "README.md").read_text(encoding="utf-8")
        metadata["readme"] = {"content-type": "text/markdown", "text": for_an_index(text)}
