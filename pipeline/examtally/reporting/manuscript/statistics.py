"""The paragraph on statistics: only what this study used, each method with its source."""

from __future__ import annotations

from collections.abc import Iterator

from examtally.analytics.comparison.examiner_clusters import ENOUGH_EXAMINERS
from examtally.analytics.comparison.interactions import EXAMINER_GROUPS
from examtally.contracts.results import result_codes
from examtally.reporting.engine.numbers import counted, listed, percent
from examtally.reporting.manuscript.paper import Paper

_SOURCES = {"wilson": " [@wilson1927]", "score": " [@koopman1984]"}
_CORRECTIONS = {
    "begg_greenes": "corrected for verification by the test's own result [@begg1983]",
    "ipw": "weighted by the inverse of the chance of verification [@alonzo2005]",
    "multiple_imputation": "with the condition of unverified «nouns» imputed [@rubin1987]",
    "verification": "corrected for who was verified, not for errors of the reference, by a doubly robust estimator "
    "[@alonzo2005]",
    "bias_adjusted": "for all eligible «nouns» by a model of who has the condition, which allows for who was imaged "
    "and for the errors of the reference together [@lu2010]",
}
_AGREEMENT = {
    "cohen_kappa": "Cohen's kappa [@cohen1960]",
    "gwet_ac1": "Gwet's AC1 [@gwet2008]",
    "pabak": "prevalence-adjusted kappa [@byrt1993]",
    "observed_agreement": "observed agreement",
    "positive_agreement": "positive agreement [@cicchetti1990]",
    "negative_agreement": "negative agreement [@cicchetti1990]",
    "weighted_kappa": "weighted kappa",
    "fleiss_kappa": "Fleiss' kappa [@fleiss1971]",
    "krippendorff_alpha": "Krippendorff's alpha",
}


def statistics(paper: Paper) -> str:
    """Estimates, intervals, comparisons, errors, missing data, software."""
    return "\n\n".join(
        " ".join(part) for part in (list(_estimates(paper)), list(_tests(paper)), [software(paper)]) if part
    )


def _estimates(paper: Paper) -> Iterator[str]:
    study = paper.study
    level = percent(1 - study.alpha)
    ran = dict.fromkeys(
        line["interval"] for line in paper.rows("accuracy", adjustment="none") if line["estimate"] is not None
    )
    if ran:
        told = [
            f"{result_codes()['interval'][code]}{_SOURCES.get(code.removesuffix('_clustered'), '')}" for code in ran
        ]
        yield f"Figures on verified «nouns» have {level} limits: {listed(told)}."
    if any(code.endswith("_clustered") for code in ran):
        yield "An effective number of «nouns» allows for participants with several «nouns» or episodes [@rao1992]."
    corrections = [_CORRECTIONS[one] for one in study.adjustments if one in _CORRECTIONS]
    if corrections and paper.condition is not None:
        yield f"Accuracy is given for verified «nouns» as they are and {listed(corrections)}."
    if study.missing_references == "corrected" and paper.condition is not None:
        yield "Bounds without any assumption on the unverified «nouns» stand beside [@kosinski2003]."
    used = dict.fromkeys(one for analysis in study.analyses for one in analysis.statistics)
    if used:
        yield (
            f"Agreement is given as {listed([_AGREEMENT[one] for one in used])}, with {level} limits by leaving out "
            "participants in turn."
        )
    if study.missing_findings == "scenarios" and paper.condition is not None:
        yield (
            "Equivocal findings and undecided references were also counted otherwise, in scenarios named with their "
            "figures."
        )


def _tests(paper: Paper) -> Iterator[str]:
    study = paper.study
    if any(one.kind == "paired" for one in study.analyses):
        yield (
            "Two tests on the same «nouns» were compared with McNemar's mid-p test [@mcnemar1947; @fagerland2013], the "
            "difference with Newcombe's interval for paired proportions [@newcombe1998paired]; where participants have "
            "several «nouns», a robust test takes its place."
        )
    if any(one.group_by for one in study.analyses):
        yield (
            "Groups were compared by interaction tests: the difference of two independent proportions with Newcombe's "
            "interval [@newcombe1998independent] and the chi-square test with N − 1 [@campbell2007]. No claim rests on "
            "a test within one group."
        )
    if any(one.group_by in EXAMINER_GROUPS for one in study.analyses):
        yield (
            "Groups that are made of examiners have examiners as clusters in interval and test (t distribution, at "
            "most examiners minus two degrees of freedom) [@bell2002; @imbens2016]; with fewer than "
            f"{ENOUGH_EXAMINERS} examiners in a group a comparison is descriptive only."
        )
    if not any(one.kind == "paired" or one.group_by for one in study.analyses):
        return
    family = {
        "primary": "the tests of the primary analyses",
        "all": "the tests of all declared analyses",
    }.get(study.family)
    yield (
        f"Of {family} each p value was adjusted by Holm's method [@holm1979] at a family error rate of {study.alpha:g}."
        if family
        else f"Every test stands alone at {study.alpha:g}; no p value was adjusted."
    )


def software(paper: Paper) -> str:
    """The program, the packages behind it, and what makes the figures repeatable."""
    made = paper.results.provenance
    versions = [f"{name} {version}" for name, version in made.versions.items() if name != "examtally"]
    return (
        f"Computed with examtally {made.versions.get('examtally', '')} ({listed(versions)}), seed {made.seed}, on a "
        f"registry with fingerprint {made.registry[:16]}…; "
        f"{counted(len(paper.study.analyses), 'analysis was', 'analyses were')} declared."
    )
