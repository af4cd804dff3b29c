"""The paragraph on statistics: only what this study used, each method with its source."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

from examtally.analytics.bias_adjusted.density import TAU_SPREAD
from examtally.analytics.bias_adjusted.model import ANOTHER_PLACE
from examtally.analytics.bias_adjusted.terms import INTERCEPT, OWN, STATED
from examtally.analytics.comparison.examiner_clusters import ENOUGH_EXAMINERS
from examtally.analytics.comparison.interactions import EXAMINER_GROUPS
from examtally.contracts.results import result_codes
from examtally.contracts.study.parts import StudyAnalysis
from examtally.reporting.engine.numbers import listed, percent
from examtally.reporting.manuscript.contrasts import p_cell
from examtally.reporting.manuscript.pairs import WHO
from examtally.reporting.manuscript.paper import Paper
from examtally.reporting.manuscript.values import UNCORRECTED, measure_name
from examtally.studies.lock_status import PRESPECIFIED

_SOURCES = {"wilson": " [@wilson1927]", "score": " [@koopman1984]", "two_way_clustered": " [@cameron2011]"}
_CORRECTIONS = {
    UNCORRECTED: "of verified «nouns» only, as they are",
    "begg_greenes": "corrected for verification by the test's own result [@begg1983; @umemneku2019]",
    "ipw": "weighted by the inverse of the chance of verification [@alonzo2005]",
    "multiple_imputation": "with the condition of unverified «nouns» imputed [@rubin1987]",
    "verification": "corrected for verification bias, not for errors of the reference, by a doubly robust estimator "
    "[@alonzo2005; @umemneku2019]",
    "bias_adjusted": "of all eligible «nouns», bias-adjusted: a Bayesian latent class model of who has the condition "
    "allows for who was verified, by which reference, and for the errors of that reference together "
    "[@lu2010; @degroot2011]",
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
    """The declared analyses, estimates, intervals, comparisons, missing data."""
    declared = f"{_declared(paper)} {_bands_of_onset(paper)}".strip()
    parts = (declared, " ".join(one for one in _estimates(paper) if one), " ".join(_tests(paper)))
    return "\n\n".join(part for part in parts if part)


def _declared(paper: Paper) -> str:
    """What was declared, in a sentence a role, exceptions to pre-specification marked."""
    roles = (
        ("Primary analysis", paper.study.primary),
        ("Secondary", paper.study.secondary),
    )
    told = [f"{head}: {'; '.join(analysis_words(one, paper) for one in of)}." for head, of in roles if of]
    if paper.study.subgroups:
        groups = listed([paper.grouping_name(one) for one in paper.study.subgroups])
        told.append(f"Subgroups: the primary analysis by {groups}{_mark_of_subgroups(paper)}.")
    return " ".join(told)


def _bands_of_onset(paper: Paper) -> str:
    """What acute and the other bands of time since onset mean in days; nothing where no analysis is by them."""
    if "acuity" not in (*(one.group_by for one in paper.study.analyses), *paper.study.subgroups):
        return ""
    acute, subacute = paper.study.protocol.groups.acuity
    return f"Acute means up to {acute} days since onset, subacute {acute + 1} to {subacute} days and chronic later."


def _mark_of_subgroups(paper: Paper) -> str:
    rows = paper.rows("study_analyses", role="subgroup")
    return paper.mark(rows[0]) if rows and all(paper.mark(row) for row in rows) else ""


def analysis_words(one: StudyAnalysis, paper: Paper) -> str:
    """A declared analysis within a sentence."""
    tests = [f"{paper.the_test(test)}" for test in one.tests]
    status = next(row for row in paper.rows("study_analyses") if row["analysis"] == one.name)
    if one.kind == "agreement":
        return f"agreement on {listed(tests)} ({WHO[one.pairs_of]}){paper.mark(status)}"
    measures = listed([measure_name(measure) for measure in one.measures])
    if one.kind == "paired":
        said = f"difference in {measures} between {listed(tests)} in the same «nouns»"
    else:
        said = f"{measures} of {listed(tests)}"
    if one.change is not None:
        said = f"change in {said} since {one.change.since}"
    by = f" by {paper.grouping_name(one.group_by)}{_compared(one, paper)}" if one.group_by else ""
    return f"{said}{by}{paper.mark(status)}"


def _compared(one: StudyAnalysis, paper: Paper) -> str:
    """Which groups are compared."""
    rows = [line for line in paper.rows("interactions", group_by=one.group_by) if line["maneuver"] in one.tests]
    pairs = dict.fromkeys((line["group_a"], line["group_b"]) for line in rows)
    told = [" against ".join(paper.group_name(group) for group in pair) for pair in pairs]
    return f" ({', '.join(told)})" if told else ""


def _estimates(paper: Paper) -> Iterator[str]:
    study = paper.study
    level = percent(1 - study.alpha)
    if paper.condition is not None and any(one.kind != "agreement" for one in study.analyses):
        main, *others = dict.fromkeys((study.main, UNCORRECTED, *study.adjustments))
        yield f"The main estimates are {_CORRECTIONS.get(main, main.replace('_', ' '))}."
        beside = [_CORRECTIONS[one].split(",")[0] for one in others if one in study.adjustments]
        if beside:
            yield f"Beside them stand those {listed(beside)}."
        yield _model(paper)
        if main == "bias_adjusted":
            yield f"Its intervals are credible intervals: {level} of the posterior draws lie within."
    ran = dict.fromkeys(
        line["interval"] for line in paper.rows("accuracy", adjustment="none") if line["estimate"] is not None
    )
    if ran:
        kinds = dict.fromkeys(code if code in _SOURCES else code.removesuffix("_clustered") for code in ran)
        names = {code: result_codes()["interval"][code].replace(" - ", " − ") for code in kinds if code != "none"}
        told = [f"{name}{_SOURCES.get(code, '')}" for code, name in names.items()]
        yield f"Intervals ({level}) of verified «nouns»: {listed(told)}."
    if "two_way_clustered" in ran and study.main == "bias_adjusted":
        yield (
            "The bias-adjusted interval of a single group speaks of the examiners who took part; that of verified "
            "«nouns» in groups of examiners, and that of every difference between them, of examiners like them."
        )
    if any(code.endswith("_clustered") for code in ran):
        yield (
            "Several «nouns» or episodes of one person count as a cluster, by the effective number of «nouns» "
            "[@rao1992; @genders2012]."
        )
    if study.missing_references == "corrected" and paper.condition is not None:
        yield (
            "References were missing where nobody imaged or operated; beside the corrected estimates stand bounds that "
            "assume nothing of unverified «nouns» [@kosinski2003]."
        )
    used = dict.fromkeys(one for analysis in study.analyses for one in analysis.statistics)
    if used:
        yield (
            f"Agreement is given as {listed([_AGREEMENT[one] for one in used])}, with {level} limits by leaving out "
            "participants in turn."
        )
    if study.missing_findings == "scenarios" and paper.condition is not None:
        yield "Equivocal findings and undecided references were also counted otherwise."


def _tests(paper: Paper) -> Iterator[str]:
    study = paper.study
    used = {line["test"] for name in ("comparisons", "interactions") for line in paper.rows(name)}
    if paper.has_kind("paired"):
        yield (
            "Two tests in the same «nouns» were compared with McNemar's mid-p test [@mcnemar1947; @fagerland2013] and "
            "Newcombe's interval for paired proportions [@newcombe1998paired]"
            + (
                "; with several «nouns» of one person, with a test robust to clustering by person [@genders2012]"
                if used & {"robust", "permutation"}
                else ""
            )
            + "."
        )
    if any(one.group_by for one in study.analyses) and "chi_square" in used:
        yield (
            "Groups were compared by the difference of two independent proportions with Newcombe's interval "
            "[@newcombe1998independent] and the chi-square test with N − 1 [@campbell2007]."
        )
    if any(one.group_by in EXAMINER_GROUPS for one in study.analyses):
        yield (
            "Groups that are made of examiners have examiners as clusters in interval and test (t distribution, at "
            "most examiners minus two degrees of freedom) [@bell2002; @imbens2016]. With fewer than "
            f"{ENOUGH_EXAMINERS} examiners in a group a comparison is descriptive only, and its variance was never "
            "taken below that of independent exams."
        )
        yield from _other_ways(paper)
    if not any(one.kind == "paired" or one.group_by for one in study.analyses):
        return
    if study.subgroups:
        yield "Subgroups were compared by tests of interaction, never by tests within one group."
    yield from _p_values(paper)
    yield "Differences were computed before rounding."


def _other_ways(paper: Paper) -> Iterator[str]:
    """What else was done with a difference between groups of examiners, in verified «nouns»."""
    done = {line["method"]: line for line in paper.rows("study_group_comparisons") if line["difference"] is not None}
    if "permutation" in done:
        yield (
            "The difference was also tested in verified «nouns» by dealing the examiners to the groups in every way "
            "(a permutation test, which gives no interval)."
        )
    if "case_mix" in done:
        terms = [paper.grouping_name(one.strip()) for one in done["case_mix"]["adjusted_for"].split(",") if one.strip()]
        yield (
            f"It was adjusted for case mix by a logistic model of the group and {listed(terms)} (of the recorded case "
            "mix in a fixed order, as many variables as the events allow), averaged over the «nouns» of both groups, "
            "with examiners as clusters."
        )


def _p_values(paper: Paper) -> Iterator[str]:
    """How P values were adjusted, where any stands in the paper, and which differences have none."""
    study = paper.study
    lines = [line for name in ("comparisons", "interactions") for line in paper.rows(name)]
    shown = [line for line in lines if p_cell(line)[:1].isdigit() or p_cell(line)[:1] in "<>"]
    if not shown:
        yield "No P value is given."
        return
    family = {"primary": "the primary analyses", "all": "all declared analyses"}.get(study.family)
    adjusted = Counter(line["adjustment"] for line in shown if line["p_adjusted"] is not None)
    if family and adjusted and max(adjusted.values()) > 1:
        yield (
            f"P values of {family} were adjusted by Holm's method [@holm1979] at a family error rate of "
            f"{study.alpha:g}."
        )
    else:
        yield f"No P value was adjusted; every test stands alone at {study.alpha:g}."
    if any(line["adjustment"] == "bias_adjusted" and line["p_value"] is None for line in lines):
        yield "Bias-adjusted differences have an interval and no P value."


def _model(paper: Paper) -> str:
    """Priors and chains of the model behind the bias-adjusted estimates, where there is one."""
    condition = paper.condition
    fitted = next(iter(paper.rows("bias_models", condition=condition.code)), None) if condition is not None else None
    if fitted is None or fitted["r_hat"] is None:
        return ""
    spread = paper.study.protocol.bias_adjusted.delta_spread
    beliefs = paper.rows("reference_posterior", condition=condition.code) if condition is not None else []
    guessed = dict.fromkeys(paper.modality_name(line["modality"]) for line in beliefs if line["assumed"])
    wide = f"; a wide generic prior for {listed(list(guessed))}, for which nothing is published" if guessed else ""
    published = (
        f"the published accuracy of each fallible reference, its interval widened {ANOTHER_PLACE:g} times{wide}"
        if len(guessed) < len({line["modality"] for line in beliefs})
        else "a wide generic accuracy of each fallible reference, for nothing is published"
    )
    return (
        f"Priors are normal on the logit scale, mean (SD): {published}; in the log odds of the condition, intercept "
        f"{_prior(INTERCEPT)}, a positive index test {_prior(OWN)}, the stated probability {_prior(STATED)} for each "
        f"log odds, age, history, other findings and the rest 0 with one SD for all (half-normal, {TAU_SPREAD:g}); and "
        f"{_prior((fitted['delta'], spread))} added in «nouns» never verified, for what nobody wrote down. Drawn by "
        f"Hamiltonian Monte Carlo: largest R-hat {fitted['r_hat']:.2f}, smallest effective number of draws "
        f"{fitted['ess']:.0f}."
    )


def _prior(of: tuple[float, float]) -> str:
    mean, spread = of
    return f"{mean:g} ({spread:g})".replace("-", "−")


def fixed_words(paper: Paper) -> str:
    """How many analyses are pre-specified, and which are not: it stands once."""
    stands = paper.found.lock_status
    others = [one for one in paper.study.analyses if stands.status(one.name) != PRESPECIFIED]
    if not others:
        again = " as locked, after the same question had been asked before" if stands.asked_before else " pre-specified"
        return f"All analyses are{again}."
    if len(others) == len(paper.study.analyses):
        return "No analysis is pre-specified; all are exploratory."
    told = "; ".join(analysis_words(one, paper) for one in others)
    return f"All analyses are pre-specified but those marked †, which are exploratory: {told}."


def software(paper: Paper) -> str:
    """The program, the packages behind it, and what makes the figures repeatable."""
    made = paper.results.provenance
    versions = [f"{name} {version}" for name, version in made.versions.items() if name != "examtally"]
    return (
        f"Computed with examtally {made.versions.get('examtally', '')} ({listed(versions)}), seed {made.seed}, on a "
        f"registry with fingerprint {made.registry[:16]}…"
    )
