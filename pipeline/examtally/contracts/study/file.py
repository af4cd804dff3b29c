"""A study protocol as a file says it: the analyses, what they are planned for, and the whole file."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any, TypeAlias, TypeVar

from examtally.contracts.checks import CODE, Fault
from examtally.contracts.contract import Contract
from examtally.contracts.declaration import Section
from examtally.contracts.kinds import (
    Between,
    Checked,
    Code,
    Default,
    Distinct,
    Flag,
    Maybe,
    Name,
    Text,
)
from examtally.contracts.periods import PERIOD
from examtally.contracts.protocol.estimates import SEVERITY
from examtally.contracts.protocol.protocol import Protocol
from examtally.contracts.study.parts import Target
from examtally.contracts.study.planned import PlannedSizeEntry
from examtally.contracts.study.selection import (
    BlindingEntry,
    FilterEntry,
    ReferenceEntry,
    Sentence,
    TestEntry,
)

T = TypeVar("T")
MEASURES = ("sensitivity", "specificity")
STATISTICS = ("observed_agreement", "gwet_ac1", "cohen_kappa")
_MOST_TEXTS, _MOST_FILTERS, _MOST_TESTS, _MOST_ANALYSES = 10, 50, 20, 20


def _few_texts(texts: Sequence[Any], _contract: Contract) -> Iterator[Fault]:
    if len(texts) > _MOST_TEXTS:
        yield Fault(f"holds {len(texts)} texts", f"write at most {_MOST_TEXTS}")


def _few_filters(filters: Sequence[Any], _contract: Contract) -> Iterator[Fault]:
    if len(filters) > _MOST_FILTERS:
        yield Fault(f"holds {len(filters)} filters", f"write at most {_MOST_FILTERS}")


def _few_analyses(analyses: Sequence[Any], _contract: Contract) -> Iterator[Fault]:
    if len(analyses) > _MOST_ANALYSES:
        yield Fault(f"holds {len(analyses)} analyses", f"declare at most {_MOST_ANALYSES}")


def _one_or_more(analyses: Sequence[Any], _contract: Contract) -> Iterator[Fault]:
    if not analyses:
        yield Fault("is empty", "declare one primary analysis")


def _own_codes(tests: Mapping[str, TestEntry], contract: Contract) -> Iterator[Fault]:
    if not 1 <= len(tests) <= _MOST_TESTS:
        yield Fault(f"names {len(tests)} index tests", f"name 1 to {_MOST_TESTS}")
    for code in tests:
        if code in contract.catalogue.maneuvers:
            yield Fault(f"'{code}' is a maneuver of the catalogue", "give the index test a code of its own", code)


_USELESS = {"agreement": ("measures", "group_by"), "change": ("statistics", "pairs_of", "group_by")}
"""Keys of an analysis that its kind does not use."""
Few: TypeAlias = Annotated[tuple[T, ...], Checked(_few_texts)]
AnalysisKind: TypeAlias = Annotated[
    str,
    Code(
        "a kind of analysis",
        {
            "accuracy": "each test against the reference",
            "paired": "two tests on the same «nouns»",
            "by_group": "each test, compared between the groups of group_by",
            "agreement": "two examiners of one «noun»",
            "change": "each test before and after a dated intervention, within examiners",
        },
    ),
]
Measure: TypeAlias = Annotated[
    str,
    Code(
        "a measure",
        {
            "sensitivity": "share positive among those with the condition",
            "specificity": "share negative among those without it",
            "ppv": "share with the condition among the positive",
            "npv": "share without it among the negative",
            "lr_positive": "likelihood ratio of a positive finding",
            "lr_negative": "likelihood ratio of a negative finding",
            "diagnostic_odds_ratio": "ratio of the odds of a positive finding",
            "accuracy": "share of findings that agree with the reference",
        },
    ),
]
Statistic: TypeAlias = Annotated[
    str,
    Code(
        "a statistic of agreement",
        {
            "observed_agreement": "share of pairs that found the same",
            "positive_agreement": "agreement on positive findings",
            "negative_agreement": "agreement on negative findings",
            "cohen_kappa": "Cohen's kappa",
            "pabak": "kappa if half the findings were positive",
            "gwet_ac1": "Gwet's AC1",
            "weighted_kappa": "weighted kappa of grades",
            "fleiss_kappa": "Fleiss' kappa of all examiners",
            "krippendorff_alpha": "Krippendorff's alpha of all examiners",
        },
    ),
]
Group: TypeAlias = Annotated[str, Code("a group", "study_groups")]
PairsOf: TypeAlias = Annotated[
    str,
    Code(
        "a kind of pair",
        {
            "overall": "any two examiners",
            "learner_supervisor": "a learner and a supervisor",
            "same_examiner": "one examiner, twice",
        },
    ),
]
MissingFindings: TypeAlias = Annotated[
    str,
    Code(
        "a way",
        {"excluded": "left out and counted", "scenarios": "left out and counted; the four scenarios stand beside"},
    ),
]
MissingReferences: TypeAlias = Annotated[
    str,
    Code(
        "a way",
        {
            "excluded": "verified «nouns» only",
            "corrected": "corrected as `adjustments` says, and bounds without assumptions",
        },
    ),
]
Purpose: TypeAlias = Annotated[
    str,
    Code(
        "a purpose",
        {
            "research": "generalizable knowledge, to be published",
            "quality_improvement": "improvement of local practice",
            "teaching": "education",
        },
    ),
]
Determination: TypeAlias = Annotated[
    str,
    Code(
        "a determination",
        {
            "approved": "approved by an ethics board",
            "exempt": "determined exempt by an ethics board or its delegate",
            "not_research": "determined not to be human-subjects research",
            "pending": "submitted, not decided",
        },
    ),
]
Covered: TypeAlias = Annotated[str, Code("an answer", {"yes": "yes", "no": "no"})]
DataUse: TypeAlias = Annotated[
    str,
    Code(
        "an answer",
        {"in_force": "signed and in force", "not_needed": "determined not to be needed", "pending": "not yet signed"},
    ),
]
Equivocal: TypeAlias = Annotated[
    str,
    Code(
        "an answer",
        {"excluded": "left out and counted", "positive": "counted as positive", "negative": "counted as negative"},
    ),
]
Adjustment: TypeAlias = Annotated[
    str,
    Code(
        "a correction",
        {
            "none": "verified «nouns» as they are",
            "begg_greenes": "corrected for verification by the test's own result",
            "ipw": "weighted by the chance of verification",
            "multiple_imputation": "the condition of unverified «nouns» imputed",
            "verification": "corrected for verification bias alone, doubly robust",
            "bias_adjusted": "who was imaged and the errors of the reference allowed for together",
        },
    ),
]
Family: TypeAlias = Annotated[
    str,
    Code(
        "a family",
        {
            "primary": "the tests of the primary analyses",
            "all": "the tests of all declared analyses",
            "none": "none; every test stands alone",
        },
    ),
]


@dataclass(frozen=True)
class AnalysisEntry(Section):
    """One declared analysis; `group_by` is None where it is not asked by group."""

    name: Annotated[str, Text(CODE)]
    """Code of the analysis."""
    kind: AnalysisKind
    """What is estimated."""
    tests: Distinct[Annotated[str, Text()]]
    """List of index tests; exactly two for paired."""
    measures: Annotated[Maybe[Distinct[Measure]], Default(MEASURES)] = None
    """Measures of accuracy; not used by agreement."""
    statistics: Annotated[Maybe[Distinct[Statistic]], Default(STATISTICS)] = None
    """Statistics of agreement; used by agreement only."""
    group_by: Maybe[Group] = None
    """The groups to compare; required by by_group, and possible for the others."""
    pairs_of: Annotated[Maybe[PairsOf], Default("overall")] = None
    """Whose exams make a pair; used by agreement only."""
    since: Maybe[Annotated[str, Text(PERIOD)]] = None
    """The first period after the intervention, as 2026-03 or P007; required by change and used by it only."""
    reached_roles: Distinct[Annotated[str, Code("a role", "examiners.role")]] = ()
    """Roles that the intervention reached, for change; everybody where neither roles nor sites are named."""
    reached_sites: Distinct[Annotated[str, Text()]] = ()
    """Sites that it reached, by their codes, likewise."""

    def faults(self, _contract: Contract) -> Iterator[Fault]:
        if not self.tests or (self.kind == "paired" and len(self.tests) != 2):
            mend = "name exactly two" if self.kind == "paired" else "name at least one"
            yield Fault(f"names {len(self.tests)} tests", mend, "tests")
        if self.kind == "by_group" and self.group_by is None:
            yield Fault("does not say which groups to compare", "add `group_by`")
        if self.group_by == SEVERITY and self.kind == "paired":
            yield Fault("severity is not for paired", "write kind: accuracy or by_group", "group_by")
        if self.group_by == SEVERITY and self.kind != "agreement" and self.measures != ("sensitivity",):
            yield Fault("by severity there is sensitivity alone", "write `measures: [sensitivity]`", "measures")
        if self.kind == "change" and self.since is None:
            yield Fault("does not say when the intervention was", "add `since`, the first period after it")
        if self.kind == "change" and not {*(self.measures or ())} <= {*MEASURES}:
            yield Fault("a change is one of sensitivity or specificity", "name these alone", "measures")
        of_change = () if self.kind == "change" else ("since", "reached_roles", "reached_sites")
        for name in (*_USELESS.get(self.kind, ("statistics", "pairs_of")), *of_change):
            if getattr(self, name) not in (None, ()):
                yield Fault(f"is not used by {self.kind}", "remove it", name)
                return


@dataclass(frozen=True)
class MissingEntry(Section):
    """What is done about what is missing."""

    findings: MissingFindings = "scenarios"
    """Findings that are equivocal, not done or not recorded."""
    references: MissingReferences = "corrected"
    """«Nouns» without a reference."""


@dataclass(frozen=True)
class Governance(Section):
    """Purpose and permission; None is printed as *not stated*."""

    purpose: Maybe[Purpose] = None
    """What the study is done for."""
    determination: Maybe[Determination] = None
    """What the ethics board or its delegate decided."""
    learners_covered: Maybe[Covered] = None
    """Whether the determination covers learners as subjects of the study."""
    data_use_agreement: Maybe[DataUse] = None
    """Whether a data-use agreement is in force."""
    registration: Maybe[Sentence] = None
    """Register and number of the study, or that it is not registered."""
    funding: Maybe[Sentence] = None
    """Who paid or supported it, and what part they had; or that nobody did."""


Analyses: TypeAlias = Annotated[tuple[AnalysisEntry, ...], Checked(_few_analyses)]


@dataclass(frozen=True, kw_only=True)
class StudyFile(Section):
    """A study protocol as it is written: one question with everything that is decided before its results are seen."""

    study: Annotated[str, Text(CODE, longest=60)]
    """Short code of the study, such as drop_leg_by_girth; it names the lock in the registry's log."""
    title: Sentence
    """The title of the paper, in one line."""
    question: Maybe[Sentence] = None
    """The question in one sentence: which test, in whom, for which condition, against which standard."""
    background: Maybe[Sentence] = None
    """What is known and what is not, in one or two sentences, for the introduction. May be filled in last."""
    intended_use: Maybe[Sentence] = None
    """What the index test is meant for in practice: before, beside or in place of which other test. May be filled in
    last.
    """
    hypotheses: Few[Sentence] = ()
    """List of the hypotheses, each in one sentence with its direction."""
    population: Annotated[tuple[FilterEntry, ...], Checked(_few_filters)] = ()
    """List of filters; an exam must pass each. They are asked before the index exam is chosen. See filter."""
    tests: Annotated[Mapping[Annotated[str, Name("the code of an index test")], TestEntry], Checked(_own_codes)]
    """The index tests, each under a code of your own that is no maneuver of the catalogue; see test."""
    equivocal: Equivocal = "excluded"
    """What an equivocal finding counts as."""
    target: Maybe[Target] = None
    """The target condition; may be left out only where nothing but agreement is studied. See target."""
    reference: Maybe[ReferenceEntry] = None
    """The reference standard; that of the catalogue where left out. See reference."""
    blinding: Maybe[BlindingEntry] = None
    """Who may have known what; see blinding."""
    primary: Annotated[Analyses, Checked(_one_or_more)]
    """The primary analyses, one or few; see analysis."""
    secondary: Analyses = ()
    """The secondary analyses; see analysis."""
    subgroups: Distinct[Group] = ()
    """Groups in which the primary analyses are repeated."""
    adjustments: Distinct[Adjustment] = ("none", "bias_adjusted")
    """Corrections under which accuracy is given."""
    main: Maybe[Adjustment] = None
    """The correction whose figures lead in the paper, one of `adjustments`; where left out bias_adjusted
    if it is one of them, else the first. Verified «nouns» as they are stand beside it.
    """
    alpha: Annotated[float, Between(0, 0.5)] = 0.05
    """Chance of a false claim that is accepted, above 0 and below 0.5; every interval has the level 1 - alpha."""
    family: Family = "primary"
    """The tests that share alpha (Holm)."""
    missing: Maybe[MissingEntry] = None
    """What is done about what is missing; see missing."""
    planned_size: Maybe[PlannedSizeEntry] = None
    """What the study is large enough for; see planned_size."""
    persons: Annotated[bool, Flag()] = False
    """true: rows about single examiners are written, to a folder of their own."""
    harms: Maybe[Sentence] = None
    """One sentence: harms of the index tests and of the reference that were seen, or that none were looked for. May be
    filled in last.
    """
    governance: Maybe[Governance] = None
    """Purpose and permission; printed on page one. See governance."""
    analysis: Maybe[Protocol] = None
    """Further keys of the analysis protocol, as `examtally dictionary --table protocol` lists them."""
