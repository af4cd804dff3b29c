"""Sites under names that single out nobody: those with few examiners go together."""

from __future__ import annotations

import polars as pl

LEAST_EXAMINERS = 3
MERGED = "merged"
NAMELESS = (MERGED, "unknown")


def merged_sites(sites: pl.DataFrame) -> dict[str, str]:
    """Return under which name each site is shown; empty where fewer than two names would remain.

    `sites`: site, examiners. A site with fewer than three examiners is merged; where the merged ones together still
    have fewer, the smallest other site joins them, so that nobody can be told by subtraction.

    >>> merged_sites(pl.DataFrame({"site": ["A", "B", "C", "D"], "examiners": [5, 4, 3, 1]}))
    {'A': 'A', 'B': 'B', 'C': 'merged', 'D': 'merged'}
    >>> merged_sites(pl.DataFrame({"site": ["A", "B"], "examiners": [5, 1]}))
    {}
    """
    ranked = sorted(sites.select("examiners", "site").iter_rows())
    small = [site for examiners, site in ranked if examiners < LEAST_EXAMINERS]
    held = sum(examiners for examiners, _ in ranked if examiners < LEAST_EXAMINERS)
    if 0 < held < LEAST_EXAMINERS and len(small) < len(ranked):
        small.append(ranked[len(small)][1])
    names = {site: MERGED if site in small else site for site in sorted(site for _, site in ranked)}
    return names if len(set(names.values())) > 1 else {}
