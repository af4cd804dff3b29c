"""Where the declared data of the package lies: beside it in a checkout, inside it in a wheel."""

from __future__ import annotations

from pathlib import Path

_HERE = Path(__file__).resolve().parent


def resource(kind: str) -> Path:
    """Return the folder of packaged data called `kind` (schemas, reports, synthetic or docs)."""
    inside = _HERE / kind
    return inside if inside.is_dir() else _HERE.parents[1] / kind
