"""What a methods reviewer would miss in a study protocol, in the reviewer's words."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from examtally.contracts.study.study import Study
from examtally.studies.aims import contradiction, measures_of, needs, published_of

_MOST_PRIMARY = 3
_RESEARCH = "research"
_OUTCOME_TABLES = ("findings", "references")


@dataclass(frozen=True)
class Remark:
    """One remark: the key it is about, what it says, and whether a lock waits for it (`must`)."""

    key: str
    says: str
    must: bool


def check_study(study: Study) -> tuple[Remark, ...]:
    """Return every remark, those that stand in the way of a lock first.

    For example `[remark.says for remark in et.check_study(et.load_study("study.yaml"))]`.
    """
    remarks = [remark for ask in _ASKED for remark in ask(study)]
    return tuple(sorted(remarks, key=lambda remark: not remark.must))


def _question(study: Study) -> Iterator[Remark]:
    if not study.question:
        yield Remark("question", "State the question in one sentence: test, people, condition, standard.", must=True)
    if not study.hypotheses:
        yield Remark("hypotheses", "No hypothesis is stated; say what you expect, and in which direction.", must=True)


def _population(study: Study) -> Iterator[Remark]:
    if not study.selection.population:
        says = "No filter: everybody whom the registry holds is eligible. Say so in the paper, or say who is not."
        yield Remark("population", says, must=False)
    for one in study.selection.population:
        if one.table in _OUTCOME_TABLES:
            says = (
                f"The filter on {one.name} chooses people by a finding or a reference: this is partial verification or "
                "incorporation, and flatters the test. Choose by what was known before."
            )
            yield Remark("population", says, must=False)
        if one.column.endswith("_id") and one.column != "site_id" and one.values:
            says = f"The filter on {one.name} names single persons or records; choose by what they have in common."
            yield Remark("population", says, must=True)


def _analyses(study: Study) -> Iterator[Remark]:
    if len(study.primary) > _MOST_PRIMARY:
        says = f"{len(study.primary)} primary analyses: choose the one that answers the question."
        yield Remark("primary", says, must=False)
    if study.family == "none" and any(one.kind in ("paired", "by_group") for one in study.analyses):
        yield Remark("family", "Several tests, none adjusted for the others: say why, or name a family.", must=False)
    used = {test for one in study.analyses for test in one.tests}
    for test in study.selection.tests:
        if test.code not in used:
            yield Remark(f"tests.{test.code}", "Declared, and used by no analysis: part of another rule?", must=False)
    for one in study.analyses:
        if one.group_by is not None and one.kind != "accuracy" and one not in (*study.primary, *study.secondary):
            says = "A subgroup without a hypothesis of its own is a hint, not a finding."
            yield Remark(f"subgroups.{one.group_by}", says, must=False)


def _standard(study: Study) -> Iterator[Remark]:
    target = study.selection.target
    if target is None:
        return
    if target.condition not in study.protocol.reference.accepted:
        condition = study.base.catalogue.conditions[target.condition]
        says = condition.unsettled_note or "No accepted test settles this condition."
        yield Remark("target.condition", f"{says} Study agreement, or write a case definition.", must=True)
    if study.protocol.is_clinical(target.condition):
        says = "The standard is a clinical diagnosis: every figure will be labelled so."
        yield Remark("reference.standard", says, must=False)
    if "bias_adjusted" not in study.adjustments and study.missing_references == "corrected":
        says = "Positive exams are imaged more often and readings err: only bias_adjusted allows for both."
        yield Remark("adjustments", says, must=False)


def _blinding(study: Study) -> Iterator[Remark]:
    if study.selection.target is not None and not study.blinding_stated:
        says = "Say who knew what: whether the examiner may have known a reference, and its reader the exam."
        yield Remark("blinding", says, must=True)
    if any(one.kind == "paired" for one in study.analyses) and not study.between_tests:
        says = (
            "Two tests by one pair of hands are not blind to each other; say how this was handled, or that it was not."
        )
        yield Remark("blinding.between_tests", says, must=True)


def _size(study: Study) -> Iterator[Remark]:
    plan = study.planned_size
    if plan.aim is None:
        says = "Say what the study is large enough for: a half-width, a lower limit or a difference."
        yield Remark("planned_size.aim", says, must=True)
    elif missing := [name for name in needs(plan) if name not in plan.numbers]:
        yield Remark("planned_size", f"For {plan.aim}, also state {', '.join(missing)}.", must=True)
    elif fault := contradiction(plan, study.alpha / 2):
        yield Remark("planned_size", f"No size has these numbers: {fault}.", must=True)
    elif set(published_of(plan)) != set(measures_of(plan)):
        says = (
            "Say how many «nouns» stand behind the published figures; the plan then gives the chance that they leave."
        )
        yield Remark("planned_size.published", study.base.catalogue.noun.said(says), must=False)
    if plan.knees is None:
        yield Remark("planned_size.knees", "No size is planned; `study plan` computes one.", must=False)


def _harms(study: Study) -> Iterator[Remark]:
    if not study.harms and any(one.kind != "agreement" for one in study.analyses):
        says = "Not stated. A reader asks for harms of the tests and the reference; you may fill this in last."
        yield Remark("harms", says, must=False)


def _governance(study: Study) -> Iterator[Remark]:
    given = study.governance
    if given.purpose is None:
        yield Remark("governance.purpose", "Not stated. Research, quality improvement or teaching?", must=True)
    is_research = given.purpose == _RESEARCH
    stated = {
        "determination": given.determination,
        "learners_covered": given.learners_covered,
        "data_use_agreement": given.data_use_agreement,
    }
    for name, value in stated.items():
        if value is None:
            says = "Not stated" + (
                ": research cannot be locked without it." if is_research else "; printed on page one."
            )
            yield Remark(f"governance.{name}", says, must=is_research)
        elif value == "pending":
            says = "Pending: research cannot be locked before it is decided." if is_research else "Pending."
            yield Remark(f"governance.{name}", says, must=is_research)


_ASKED: tuple[Callable[[Study], Iterator[Remark]], ...] = (
    *(_question, _population, _analyses, _standard, _blinding, _size, _harms, _governance),
)
