"""Reading the clinical side of a scenario file: conditions, maneuvers, stated probabilities, reference tests."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from examtally.contracts.catalogue.clinical import Condition, Maneuver
from examtally.contracts.yamlfile import Node
from examtally.synthesis.chance import Rate, Weight, Weights
from examtally.synthesis.grammar import amounts, factors, level, rate, share, span, weights
from examtally.synthesis.reading import pair
from examtally.synthesis.scenario import (
    ByResult,
    ConditionPlan,
    Family,
    Forecasts,
    Habits,
    ManeuverPlan,
    Measuring,
    Reading,
    ReferencePlan,
    Sheet,
    Stage,
)
from examtally.synthesis.vocabulary import Vocabulary, dotted

_HABITS = ("not_recorded", "not_done", "equivocal", "reasons", "sign_recorded", "pain_recorded", "pain")
_CERTAIN = 1e-4
_DRIVER, _GRADE = "driver", "grade"
_NEGATIVE_DAYS = 3650


def read_conditions(node: Node, known: Vocabulary) -> dict[str, ConditionPlan]:
    """The conditions in the order in which they come about: each may depend on those above it."""
    declared = {code: item for code, item in known.contract.catalogue.conditions.items() if not item.derived_from}
    plans: dict[str, ConditionPlan] = {}
    severities: dict[str, tuple[str, ...]] = {}
    for code, entry in node.record(optional=declared).items():
        plans[code] = _condition(entry, declared[code], known.truth(severities))
        severities[code] = plans[code].severity_codes
    return plans


def _condition(node: Node, condition: Condition, names: tuple[str, ...]) -> ConditionPlan:
    entries = node.record(required=("present",), optional=("severity", "severity_absent", "pattern", "half_life_days"))
    codes = {
        "severity": [each.code for each in condition.severity],
        "severity_absent": [each.code for each in condition.severity],
        "pattern": [each.code for each in condition.pattern],
    }
    coded = {key: weights(entries[key], codes[key], names) if key in entries else None for key in codes}
    return ConditionPlan(
        present=rate(entries["present"], names),
        half_life_days=entries["half_life_days"].number(0.1) if "half_life_days" in entries else None,
        **coded,
    )


def read_families(node: Node) -> dict[str, Family]:
    """What findings of one kind share."""
    families = {}
    for name, entry in node.table("a family of findings").items():
        entries = entry.record(required=("person", "knee", "hands"))
        families[name] = Family(**{key: each.number(0, 5) for key, each in entries.items()})
    return families


def read_maneuvers(
    node: Node, habits: Node, known: Vocabulary, conditions: tuple[str, ...], exam: tuple[str, ...]
) -> dict[str, ManeuverPlan]:
    """The maneuvers the clinic does, in the order of the catalogue; one without an entry is never done."""
    declared = known.contract.catalogue.maneuvers
    entries = node.record(optional=declared)
    usual = habits.record(required=_HABITS)
    reader = _Maneuvers(known, conditions, exam, usual)
    return {code: reader.read(entries[code], declared[code]) for code in declared if code in entries}


class _Maneuvers:
    """Reads one maneuver, with what is usual where it says nothing."""

    def __init__(
        self, known: Vocabulary, conditions: tuple[str, ...], exam: tuple[str, ...], usual: Mapping[str, Node]
    ) -> None:
        self.known, self.conditions, self.exam, self.usual = known, conditions, exam, usual

    def read(self, node: Node, maneuver: Maneuver) -> ManeuverPlan:
        optional = ("driver", "sensitivity", "specificity", "rate", "shift", "signs", "grades", "measure")
        entries = node.record(required=("family",), optional=(*optional, "end_point", "flexion_deg", *_HABITS))
        driver = (
            entries["driver"].code("a condition of this scenario", self.conditions) if "driver" in entries else None
        )
        if (driver is None) == ("rate" not in entries):
            raise node.fail("needs either a driver or a rate", "keep 'driver' with its accuracy, or 'rate'")
        return ManeuverPlan(
            driver=driver,
            accuracy=pair(_accuracy(node, entries), _CERTAIN, 1 - _CERTAIN) if driver else None,
            rate=None if driver else rate(entries["rate"], self.exam),
            family=entries["family"].code("a family of this scenario", self.known.families),
            shift=amounts(entries.get("shift"), self.exam),
            habits=self._habits({**self.usual, **{key: entries[key] for key in _HABITS if key in entries}}),
            signs=self._signs(entries.get("signs"), maneuver),
            grades=self._grades(entries["grades"], maneuver) if "grades" in entries else None,
            measure=self._measure(entries["measure"], maneuver) if "measure" in entries else None,
            end_point="end_point" in entries and entries["end_point"].flag(),
            flexion_deg=level(entries["flexion_deg"], self.exam) if "flexion_deg" in entries else None,
        )

    def _habits(self, entries: Mapping[str, Node]) -> Habits:
        return Habits(
            not_recorded=rate(entries["not_recorded"], self.exam),
            not_done=rate(entries["not_done"], self.exam),
            equivocal=rate(entries["equivocal"], self.exam),
            reasons=weights(entries["reasons"], self.known.enum("findings", "reason"), self.exam),
            sign_recorded=share(entries["sign_recorded"]),
            pain_recorded=share(entries["pain_recorded"]),
            pain=rate(entries["pain"], (*self.exam, "positive")),
        )

    def _signs(self, node: Node | None, maneuver: Maneuver) -> Weights | None:
        if node is not None:
            return weights(node, maneuver.signs, self.exam)
        even = {sign: Weight(1.0, MappingProxyType({})) for sign in maneuver.signs}
        return Weights(MappingProxyType(even)) if even else None

    def _grades(self, node: Node, maneuver: Maneuver) -> ByResult:
        entries = node.record(required=("recorded", "positive", "negative"))
        legal = [str(grade) for grade in maneuver.grades]
        names = (*self.exam, _DRIVER)
        positive, negative = (weights(entries[key], legal, names) for key in ("positive", "negative"))
        return ByResult(share(entries["recorded"]), positive, negative)

    def _measure(self, node: Node, maneuver: Maneuver) -> Measuring:
        if maneuver.unit is None:
            raise node.fail("the catalogue gives this maneuver no unit", "remove the measure")
        entries = node.record(required=("recorded", "decimals", "positive", "negative", "by"))
        names = (*self.exam, _DRIVER, *((_GRADE,) if maneuver.grades else ()))
        return Measuring(
            recorded=share(entries["recorded"]),
            decimals=entries["decimals"].integer(0, 3),
            positive=level(entries["positive"], names),
            negative=level(entries["negative"], names),
            by=weights(entries["by"], self.known.enum("findings", "measured_by"), self.exam),
        )


def _accuracy(node: Node, entries: Mapping[str, Node]) -> Node:
    """The two figures of a maneuver as the node of a pair, so that one of them missing is said where it is."""
    return node.holding({key: entries[key] for key in ("sensitivity", "specificity") if key in entries})


def read_writing(node: Node, known: Vocabulary, exam: tuple[str, ...]) -> Sheet:
    """What concerns the findings of one exam together."""
    entries = node.record(required=("end_points", "flexion_recorded", "order"))
    ends = entries["end_points"].record(required=("recorded", "positive", "negative"))
    order = entries["order"].record(required=("recorded", "shuffle"))
    legal = known.enum("findings", "end_point")
    positive, negative = (weights(ends[key], legal, (*exam, _DRIVER)) for key in ("positive", "negative"))
    return Sheet(
        end_points=ByResult(share(ends["recorded"]), positive, negative),
        flexion_recorded=share(entries["flexion_recorded"]),
        order_recorded=share(order["recorded"]),
        order_shuffle=order["shuffle"].number(0),
    )


def read_history(node: Node, known: Vocabulary, exam: tuple[str, ...]) -> tuple[dict[str, Rate], float, float]:
    """How often each question is answered with yes, how often it is asked, and how often the answer is unknown."""
    entries = node.record(required=("asked", "unsure", "items"))
    items = entries["items"].record(optional=known.contract.catalogue.history)
    return {code: rate(each, exam) for code, each in items.items()}, share(entries["asked"]), share(entries["unsure"])


def read_forecasts(node: Node, known: Vocabulary, conditions: tuple[str, ...], names: tuple[str, ...]) -> Forecasts:
    """How often, when and in which numbers probabilities are stated."""
    entries = node.record(required=("conditions", "comparison", "stages", "numbers"))
    stages = {}
    for code, each in entries["stages"].record(optional=known.enum("impressions", "stage")).items():
        stage = each.record(required=("stated", "confidence", "noise", "findings", "terms"))
        stages[code] = Stage(
            stated=share(stage["stated"]),
            confidence=stage["confidence"].number(0, 10),
            noise=stage["noise"].number(0, 5),
            findings=stage["findings"].flag(),
            terms=stage["terms"].codes("a name known at this point", names),
        )
    return Forecasts(
        conditions={code: share(each) for code, each in entries["conditions"].record(optional=conditions).items()},
        comparison=share(entries["comparison"]),
        stages=stages,
        numbers=read_numbers(entries["numbers"]),
    )


def read_numbers(node: Node) -> dict[str, tuple[float, ...]]:
    """The scales in which people say a probability: rising numbers from 0 to 1."""
    scales = {}
    for name, each in node.table("a scale").items():
        scales[name] = tuple(item.number(0, 1) for item in each.items())
        if len(scales[name]) < 2 or list(scales[name]) != sorted(set(scales[name])):
            raise each.fail("is not a rising list of numbers", "write two or more, each larger than the one before")
    return scales


def read_references(
    node: Node, known: Vocabulary, conditions: tuple[str, ...], names: tuple[str, ...]
) -> dict[str, ReferencePlan]:
    """The reference tests in the order in which they are thought of: each may depend on those above it."""
    plans: dict[str, ReferencePlan] = {}
    for code, entry in node.record(optional=known.enum("references", "modality")).items():
        plans[code] = _reference(entry, known, conditions, names, tuple(plans))
        names = (*names, code, *dotted(code, plans[code].covers))
    return plans


def _reference(
    node: Node, known: Vocabulary, conditions: tuple[str, ...], names: tuple[str, ...], earlier: tuple[str, ...]
) -> ReferencePlan:
    entries = node.record(
        required=("ordered", "days", "exam_known", "covers"),
        optional=(
            "after",
            "operation",
            "elsewhere",
            "readers",
            "reader_roles",
            "indeterminate",
            "read_twice",
            "severity_right",
        ),
    )
    days = entries["days"].record(required=("median", "spread"), optional=("times",))
    elsewhere = entries["elsewhere"].record(required=("chance", "days_before")) if "elsewhere" in entries else None
    roles = known.enum("examiners", "role")
    return ReferencePlan(
        ordered=rate(entries["ordered"], names),
        after=entries["after"].code("a reference test above this one", earlier) if "after" in entries else None,
        operation="operation" in entries and entries["operation"].flag(),
        median_days=days["median"].number(0),
        spread=days["spread"].number(0, 5),
        times=factors(days.get("times"), names),
        elsewhere=rate(elsewhere["chance"], names) if elsewhere else Rate(0.0, {}),
        elsewhere_days=span(elsewhere["days_before"], 1, _NEGATIVE_DAYS) if elsewhere else (1, 1),
        readers=entries["readers"].texts("[A-Z]-[0-9]{2,4}") if "readers" in entries else (),
        reader_roles=entries["reader_roles"].codes("a role", roles) if "reader_roles" in entries else (),
        exam_known=weights(entries["exam_known"], known.enum("references", "exam_known"), names),
        **{key: share(entries[key]) if key in entries else 0.0 for key in ("indeterminate", "read_twice")},
        severity_right=share(entries["severity_right"]) if "severity_right" in entries else 1.0,
        covers={
            condition: _covered(each, names)
            for condition, each in entries["covers"].record(optional=conditions).items()
        },
    )


def _covered(node: Node, names: tuple[str, ...]) -> Reading:
    entries = node.record(required=("sensitivity", "specificity"), optional=("mention",))
    return Reading(
        mention=share(entries["mention"]) if "mention" in entries else 1.0,
        sensitivity=rate(entries["sensitivity"], names),
        specificity=rate(entries["specificity"], names),
    )
