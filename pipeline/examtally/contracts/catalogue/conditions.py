"""The conditions of a catalogue file: read, checked, and the derived ones filled in from their parts."""

from __future__ import annotations

from collections.abc import Collection, Mapping

from examtally.contracts.catalogue.clinical import AssumedAccuracy, Condition, NamedCode, ReferenceAccuracy, SettledBy
from examtally.contracts.yamlfile import Node

WITHOUT_CONDITION = "none"
TRADE_NAME = r"[^A-Z]+"
SOURCE = r".*\b(19|20)\d\d\b.*"

_WORDS = ("name", "plain", "present_means")
_LONGEST_WINDOW_DAYS = 3650


def read_conditions(
    section: Node, modalities: Collection[str], statuses: Collection[str], unsettled_note: str
) -> dict[str, Condition]:
    """Conditions by code in file order; `modalities` and `statuses` are legal sets, the note goes to the unsettled."""
    nodes = section.table("a condition code")
    if WITHOUT_CONDITION in nodes:
        raise nodes[WITHOUT_CONDITION].fail("'none' is kept for maneuvers without a condition", "use another code")
    own = {
        code: _condition(code, node, modalities, statuses, unsettled_note)
        for code, node in nodes.items()
        if not (isinstance(node.content, dict) and "derived_from" in node.content)
    }
    return {code: own[code] if code in own else _derived(code, node, own) for code, node in nodes.items()}


def assumed_accuracy(node: Node) -> AssumedAccuracy:
    """What a catalogue assumes of a reference without a publication; a figure of 0 or 1 has no logit and is refused."""
    entry = node.record(("sensitivity", "specificity", "logit_sd"))
    sensitivity, specificity = (entry[measure].number(0.01, 0.99) for measure in ("sensitivity", "specificity"))
    return AssumedAccuracy(sensitivity, specificity, entry["logit_sd"].number(0.01, 5))


def figures(entry: Mapping[str, Node], measure: str) -> tuple[float | None, float | None, float | None]:
    """(estimate, lower, upper) of a published measure as proportions, from the keys `measure` and `measure_ci`."""
    limits_key = f"{measure}_ci"
    if measure not in entry:
        if limits_key in entry:
            raise entry[limits_key].fail(f"stands without '{measure}'", f"add '{measure}' or remove the interval")
        return None, None, None
    estimate = entry[measure].number(0, 1)
    if limits_key not in entry:
        return estimate, None, None
    limits = [item.number(0, 1) for item in entry[limits_key].items()]
    if len(limits) != 2 or not limits[0] <= estimate <= limits[1]:
        raise entry[limits_key].fail("does not hold its estimate", "write [lower, upper], both proportions")
    return estimate, limits[0], limits[1]


def _condition(
    code: str, node: Node, modalities: Collection[str], statuses: Collection[str], unsettled_note: str
) -> Condition:
    entry = node.record(
        (*_WORDS, "settled_by"),
        ("core", "taken_as_true", "window_days", "severity", "pattern", "reference_accuracy", "stated_in", "synonyms"),
    )
    settled = tuple(_settled_by(item, modalities, statuses) for item in entry["settled_by"].items())
    own = [item.modality for item in settled]
    if len(set(own)) < len(own):
        raise entry["settled_by"].fail("names a modality twice", "keep it once, in its order of authority")
    if bool(settled) != ("window_days" in entry):
        mend = "add 'window_days'" if settled else "remove it"
        raise entry.get("window_days", node).fail(
            "a window goes with what settles a condition", f"{mend}, or mend 'settled_by'"
        )
    trusted = entry["taken_as_true"].codes(f"a modality that settles {code}", own) if "taken_as_true" in entry else ()
    return Condition(
        code=code,
        name=entry["name"].text(),
        plain=entry["plain"].text(),
        present_means=entry["present_means"].text(),
        settled_by=settled,
        taken_as_true=trusted,
        window_days=_window(entry["window_days"]) if settled else None,
        severity=_codes(entry, "severity"),
        pattern=_codes(entry, "pattern"),
        reference_accuracy=_reference_accuracy(entry, code, own),
        core="core" in entry and entry["core"].flag(),
        derived_from=(),
        unsettled_note=None if settled else unsettled_note,
        stated_in=tuple(item.text(r"[a-z_]+") for item in entry["stated_in"].items()) if "stated_in" in entry else (),
        synonyms=entry["synonyms"].texts(TRADE_NAME) if "synonyms" in entry else (),
    )


def _derived(code: str, node: Node, own: Mapping[str, Condition]) -> Condition:
    """A condition resolved from others; they are settled alike, so that a direct row of it means the same."""
    entry = node.record((*_WORDS, "derived_from"), ("core", "synonyms"))
    parts = [own[part] for part in entry["derived_from"].codes("a condition that is not derived itself", own)]
    if len(parts) < 2 or not parts[0].settled_by:
        raise entry["derived_from"].fail("names too little", "name two or more conditions that something settles")
    if len({(part.settled_by, part.window_days, part.taken_as_true) for part in parts}) > 1:
        raise entry["derived_from"].fail(
            "its parts differ in settled_by, window_days or taken_as_true", "give all parts the same"
        )
    return Condition(
        code=code,
        name=entry["name"].text(),
        plain=entry["plain"].text(),
        present_means=entry["present_means"].text(),
        settled_by=parts[0].settled_by,
        taken_as_true=parts[0].taken_as_true,
        window_days=parts[0].window_days,
        severity=tuple({item.code: item for part in parts for item in part.severity}.values()),
        pattern=tuple({item.code: item for part in parts for item in part.pattern}.values()),
        reference_accuracy=(),
        core="core" in entry and entry["core"].flag(),
        derived_from=tuple(part.code for part in parts),
        unsettled_note=None,
        synonyms=entry["synonyms"].texts(TRADE_NAME) if "synonyms" in entry else (),
    )


def _settled_by(node: Node, modalities: Collection[str], statuses: Collection[str]) -> SettledBy:
    """`mri`, or `{modality: aspiration, only: [present]}`."""
    if isinstance(node.content, str):
        return SettledBy(node.code("a modality", modalities), frozenset(statuses))
    entry = node.record(("modality", "only"))
    only = entry["only"].codes("a status", statuses)
    if not only:
        raise entry["only"].fail("is an empty list", f"name one or more of {', '.join(statuses)}")
    return SettledBy(entry["modality"].code("a modality", modalities), frozenset(only))


def _window(node: Node) -> tuple[int, int]:
    days = [item.integer(-_LONGEST_WINDOW_DAYS, _LONGEST_WINDOW_DAYS) for item in node.items()]
    if len(days) != 2 or days[0] > days[1]:
        raise node.fail("is not an ordered pair of days", "write [first, last], for example [0, 90]")
    return days[0], days[1]


def _codes(entry: Mapping[str, Node], key: str) -> tuple[NamedCode, ...]:
    table = entry[key].table(f"a {key} code") if key in entry else {}
    return tuple(NamedCode(code, node.text()) for code, node in table.items())


def _reference_accuracy(entry: Mapping[str, Node], code: str, own: Collection[str]) -> tuple[ReferenceAccuracy, ...]:
    rows = entry["reference_accuracy"].items() if "reference_accuracy" in entry else ()
    return tuple(_reference_row(row, code, own) for row in rows)


def _reference_row(row: Node, code: str, own: Collection[str]) -> ReferenceAccuracy:
    entry = row.record(("modality", "sensitivity", "specificity", "source"), ("sensitivity_ci", "specificity_ci"))
    return ReferenceAccuracy(
        entry["modality"].code(f"a modality that settles {code}", own),
        entry["sensitivity"].number(0, 1),
        *figures(entry, "sensitivity")[1:],
        entry["specificity"].number(0, 1),
        *figures(entry, "specificity")[1:],
        entry["source"].text(SOURCE),
    )
