"""What a group gives for pooling with others: one sealed file of figures that a release would show, and no rows."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import sqrt
from pathlib import Path
from typing import Any

import polars as pl
from scipy.special import logit

from examtally.contracts.checks import CODE
from examtally.contracts.protocol.protocol import canonical_hash
from examtally.contracts.results import conform, result_tables
from examtally.disclosure.publishing import Publication
from examtally.disclosure.release import Scope
from examtally.disclosure.tables import CELLS, tables_of
from examtally.errors import DisclosureError
from examtally.files import write_whole
from examtally.results import Results
from examtally.results.pooled import pooled_results

SUMMARY = Scope((), ("accuracy",))
"""Everybody together and no group: what pooling needs and nothing else."""

_FORMAT, _VERSION = "examtally site summary", 1
_SITE = re.compile(r"[A-Z][A-Z0-9-]{1,19}")
_MOST_ALIKE = 0.9  # a covariance needs less than 1
_ADDED = ("status", "flag", "note")
_LARGEST = 5_000_000


@dataclass(frozen=True, eq=False)
class SiteSummary:
    """A group's code, the protocol behind its figures, and its rows of the table `site_summaries`."""

    site: str
    protocol: Mapping[str, Any]
    rows: pl.DataFrame
    seal: str


def summarize(results: Results, ready: Publication, site: str) -> tuple[str, int]:
    """The text of a group's summary, and how many pairs the release rules or the analysis held back.

    A pair is there where its counts and corrected figures may be released and both leading figures are shown. Raises
    DisclosureError for a code of the group that is none, and where no pair is left.
    """
    if not _SITE.fullmatch(site):
        raise DisclosureError(
            "--site: 2 to 20 capital letters, digits and hyphens, beginning with a letter, such as S-01"
        )
    counts = ready.made.release.counts.filter(group_by="overall")
    led = results.leading.filter(group_by="overall")
    shown = led.drop_nulls(["var_sensitivity", "var_specificity", "covariance"])
    rows = shown.join(counts.select("condition", "maneuver", *CELLS), on=["condition", "maneuver"], how="inner")
    corrected = [
        (row.condition, row.maneuver)
        for row, one in tables_of(SUMMARY.rows(results.tallies)).items()
        if one.may_be_corrected
    ]
    pairs = pl.DataFrame(corrected, schema=dict.fromkeys(("condition", "maneuver"), pl.String()), orient="row")
    rows = rows.join(pairs, on=["condition", "maneuver"], how="semi")
    if rows.is_empty():
        raise DisclosureError("no pair has both leading figures and counts that may be released; nothing was written")
    lines = [
        {
            "condition": row["condition"],
            "maneuver": row["maneuver"],
            **{f"logit_{one}": round(float(logit(row[one])), 2) for one in ("sensitivity", "specificity")},
            **_spread(row),
            **{cell: row[cell] for cell in CELLS},
        }
        for row in rows.sort("condition", "maneuver").iter_rows(named=True)
    ]
    content = {
        "format": _FORMAT,
        "version": _VERSION,
        "site": site,
        "protocol": dict(results.provenance.protocol),
        "rows": lines,
    }
    text = json.dumps(content | {"seal": canonical_hash(content)}, indent=1, ensure_ascii=False)
    return f"{text}\n", led.height - len(lines)


def _spread(row: Mapping[str, float]) -> dict[str, float]:
    """Variances and covariance, whole and shared, from standard errors of two digits and correlations of one.

    More digits would tell how many joints of either finding have no answer, and subtract a group from everybody. What
    is the group's own and what is shared are rounded apart, so that each stays a covariance.
    """
    names = ("var_sensitivity", "var_specificity", "covariance")
    shared = _rounded([row[f"shared_{name}"] for name in names])
    own = _rounded([row[name] - row[f"shared_{name}"] for name in names])
    parts = {"": [one + other for one, other in zip(own, shared, strict=True)], "shared_": shared}
    return {
        f"{part}{name}": round(value, 10)
        for part, values in parts.items()
        for name, value in zip(names, values, strict=True)
    }


def _rounded(spread: Sequence[float]) -> list[float]:
    errors = [sqrt(max(0.0, variance)) for variance in spread[:2]]
    digits = [float(f"{error:.1e}") for error in errors]
    alike = round(spread[2] / (errors[0] * errors[1]), 1) if min(errors) > 0 else 0.0
    alike = min(_MOST_ALIKE, max(-_MOST_ALIKE, alike))
    return [digits[0] ** 2, digits[1] ** 2, alike * digits[0] * digits[1]]


def write_summary(text: str, out: Path) -> Path:
    """Write the file, all of it or nothing; raises DisclosureError where that is not possible."""
    try:
        return write_whole(out, text)
    except OSError as fault:
        raise DisclosureError(f"the summary cannot be written: {fault.strerror}; name another --out") from None


def read_summaries(paths: Sequence[Path]) -> list[SiteSummary]:
    """Read summaries that belong together, in the order of their codes.

    Raises DisclosureError for a file that is none or was changed, for two of one group, and for protocols that differ.
    """
    found = sorted((_read(path) for path in paths), key=lambda one: one.site)
    codes = [one.site for one in found]
    twice = sorted({code for code in codes if codes.count(code) > 1})
    if twice:
        raise DisclosureError(f"{', '.join(twice)}: more than one summary of a group; name one of each")
    if len(found) < 2:
        raise DisclosureError("pooling needs the summaries of two groups or more")
    for one in found[1:]:
        differing = [key for key in one.protocol if one.protocol[key] != found[0].protocol.get(key)]
        if differing:
            raise DisclosureError(
                f"{found[0].site} and {one.site} were analyzed under different protocols ({', '.join(differing)}): "
                "agree on one, analyze and summarize again"
            )
    return found


def pool(paths: Sequence[Path]) -> Results:
    """The tables `site_summaries` and `pooled_sites` of several summaries, as results that a page is made from.

    Raises DisclosureError as `read_summaries`.
    """
    found = read_summaries(paths)
    rows = conform("site_summaries", pl.concat([one.rows for one in found]))
    return pooled_results(rows, found[0].protocol, {one.site: one.seal for one in found})


def _read(path: Path) -> SiteSummary:
    try:
        if path.stat().st_size > _LARGEST:
            raise ValueError
        content = json.loads(path.read_text(encoding="utf-8"))
        seal = content.pop("seal")
        if content["format"] != _FORMAT or content["version"] != _VERSION or seal != canonical_hash(content):
            raise ValueError
        site = str(content["site"])
        codes = [str(row[name]) for row in content["rows"] for name in ("condition", "maneuver")]
        if not _SITE.fullmatch(site) or not all(re.fullmatch(CODE, code) for code in codes):
            raise ValueError
        schema = {name: kind for name, kind in result_tables()["site_summaries"].schema.items() if name not in _ADDED}
        rows = pl.DataFrame([row | {"site_code": site} for row in content["rows"]], schema=schema)
        return SiteSummary(site, content["protocol"], conform("site_summaries", rows), seal)
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError, pl.exceptions.PolarsError):
        raise DisclosureError(
            f"{path.name} is no summary of a group, or was changed; name files that `examtally site summary` wrote"
        ) from None
