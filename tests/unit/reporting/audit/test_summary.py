"""What the first screen says can be said: each threshold from both of its sides, and which way figures err."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any, cast

import pytest
from examtally.reporting.audit.summary import CoreFigures, can_be_said, cannot_be_said

from examtally.contracts.contract import Contract
from examtally.reporting.audit import summary
from examtally.reporting.audit.audit import Audit
from examtally.reporting.engine.estimate import Estimate

CLOSE = 0.02


def _ratio_to(after: float, measure: str) -> Estimate:
    """A ratio whose interval ends, on the side that counts, at the odds that lift 30 % to `after`; 3:7 before."""
    limit = after / (1 - after) / (3 / 7)
    low, high = (limit, 2 * limit) if measure == "lr_positive" else (limit / 2, limit)
    return Estimate(measure, (low + high) / 2, low, high, 40, 90, 80, shown=True, note="")


def _proportion(measure: str, *, shown: bool = True) -> Estimate:
    return Estimate(measure, 0.8, 0.7, 0.9, 40, 50, 45, shown=shown, note="")


def _figures(contract: Contract, up: float = 0.5, down: float = 0.1) -> CoreFigures:
    seen = {name: _proportion(name) for name in ("sensitivity", "specificity")}
    seen |= {"lr_positive": _ratio_to(up, "lr_positive"), "lr_negative": _ratio_to(down, "lr_negative")}
    absent = {name: Estimate.absent(name) for name in seen}
    catalogue = contract.catalogue
    return CoreFigures(catalogue.conditions["acl_tear"], catalogue.maneuvers["lachman"], seen, absent)


def _audit(monkeypatch: pytest.MonkeyPatch, figures: CoreFigures, **tally: int) -> Audit:
    monkeypatch.setattr(summary, "core_figures", lambda _: [figures])
    counts = dict.fromkeys(("tp", "fp", "fn", "tn"), 10)
    counts |= dict.fromkeys(("unverified_positive", "indeterminate_positive"), 0)
    counts |= dict.fromkeys(("unverified_negative", "indeterminate_negative"), 0)
    made = SimpleNamespace(
        is_corrected=False, unsettled=(), summed=lambda *_: 90, tally=lambda *_: counts | tally, bounds=lambda *_: None
    )
    return cast(Audit, made)


def _said(monkeypatch: pytest.MonkeyPatch, figures: CoreFigures, about: str) -> bool:
    return any(about in sentence for sentence in can_be_said(_audit(monkeypatch, figures)))


def test_likelier_than_not_is_a_whole_interval_above_one_half(
    contract: Contract, monkeypatch: pytest.MonkeyPatch
) -> None:
    above, under = _figures(contract, up=0.5 + CLOSE), _figures(contract, up=0.5 - CLOSE)
    assert _said(monkeypatch, above, "likelier than not: Lachman test")
    assert not _said(monkeypatch, under, "likelier than not")


def test_unlikely_is_a_whole_interval_under_one_tenth(contract: Contract, monkeypatch: pytest.MonkeyPatch) -> None:
    under, above = _figures(contract, down=0.1 - CLOSE), _figures(contract, down=0.1 + CLOSE)
    assert _said(monkeypatch, under, "under 10%: Lachman test")
    assert not _said(monkeypatch, above, "under 10%")


def test_a_corrected_ratio_that_says_less_takes_the_sentence_away(
    contract: Contract, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen = _figures(contract, up=0.8)
    less = {**seen.corrected, "lr_positive": _ratio_to(0.4, "lr_positive")}
    assert _said(monkeypatch, seen, "likelier than not")
    assert not _said(monkeypatch, replace(seen, corrected=less), "likelier than not")


@pytest.mark.parametrize("hidden", ["sensitivity", "specificity"])
def test_a_maneuver_counts_only_with_both_figures(
    contract: Contract, monkeypatch: pytest.MonkeyPatch, hidden: str
) -> None:
    whole = _figures(contract)
    part = replace(whole, seen={**whole.seen, hidden: _proportion(hidden, shown=False)})
    assert _said(monkeypatch, whole, "Of 1 main maneuver")
    assert not _said(monkeypatch, part, "main maneuver")


@pytest.mark.parametrize(("unknown", "errs"), [("unverified_negative", True), ("unverified_positive", False)])
def test_figures_err_upward_where_positive_findings_are_imaged_more_often(
    contract: Contract, monkeypatch: pytest.MonkeyPatch, unknown: str, *, errs: bool
) -> None:
    """All knees of one finding have an answer, 20 of 60 of the other: imaging follows the finding, or shuns it."""
    counts: dict[str, Any] = {unknown: 40}
    sentences = cannot_be_said(_audit(monkeypatch, _figures(contract), **counts))
    assert any("in knees that nobody imaged" in sentence for sentence in sentences) is errs
