"""Batches of random lines go where a plain reading of the rules sends them, whatever came before."""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from records import EXAM, send, state

PARTICIPANT = st.fixed_dictionaries(
    {"participant_id": st.sampled_from(["PT-1", "PT-2", "Jane"]), "sex": st.sampled_from(["male", "", "m"])}
)
EXAMS = st.fixed_dictionaries(
    {
        "exam_id": st.sampled_from(["EX-1", "ex-1", "EX-2", "EX-3", ""]),
        "participant_id": st.sampled_from(["PT-1", "PT-2"]),
        "side": st.sampled_from(["left", "both"]),
        "episode": st.sampled_from(["", "1", "2"]),
    }
)
FINDING = st.fixed_dictionaries(
    {
        "exam_id": st.sampled_from(["EX-1", "EX-2", "EX-3", "EX-4"]),
        "maneuver": st.sampled_from(["lachman", "ober"]),
        "result": st.sampled_from(["positive", "negative", "perhaps"]),
    }
)
BATCH = st.fixed_dictionaries(
    {
        "participants": st.lists(PARTICIPANT, max_size=3),
        "exams": st.lists(EXAMS, max_size=4),
        "findings": st.lists(FINDING, max_size=6),
    }
).filter(lambda tables: any(tables.values()))
COLUMNS = {
    "participants": ("participant_id", "sex"),
    "exams": ("exam_id", "participant_id", "side", "episode"),
    "findings": ("exam_id", "maneuver", "result"),
}
KEYS = {"participants": 1, "exams": 1, "findings": 2}
Line = dict[str, str]


@dataclass
class Model:
    """The registry as plain dictionaries, each table from key to content."""

    stored: dict[str, dict[tuple[str, ...], Line]] = field(
        default_factory=lambda: {"participants": {}, "exams": {}, "findings": {}}
    )
    waiting: dict[tuple[str, ...], Line] = field(default_factory=dict)

    def take(self, tables: dict[str, list[Line]]) -> dict[str, Counter[str]]:
        """Take a batch; return how many lines of each table went where."""
        counts = {}
        supplied = bool(tables["participants"] or self.stored["participants"])
        for name in COLUMNS:
            lines = tables[name]
            unsaid = [name == "exams" and not line["episode"] for line in lines]
            cleaned = [_clean(name, line) for line in lines]
            places, arriving = self._places(name, cleaned, unsaid, supplied=supplied)
            self.stored[name] |= arriving
            counts[name] = Counter(places)
        for key in [key for key in self.waiting if key[:1] in self.stored["exams"]]:
            self.stored["findings"][key] = self.waiting.pop(key)
            counts["findings"]["released"] += 1
        for (key, line), is_new in self._new_waiting.items():
            if is_new:
                self.waiting[key] = dict(line)
        return {name: +count for name, count in counts.items()}

    def _places(
        self, name: str, lines: list[Line], unsaid: list[bool], *, supplied: bool
    ) -> tuple[list[str], dict[tuple[str, ...], Line]]:
        self._new_waiting: dict[tuple[tuple[str, ...], tuple[tuple[str, str], ...]], bool] = {}
        lines = _brought_to_one(lines) if name == "participants" else lines
        by_key: dict[tuple[str, ...], list[Line]] = defaultdict(list)
        for line in lines:
            by_key[_key(name, line)].append(line)
        arriving: dict[tuple[str, ...], Line] = {}
        places = []
        for line, is_unsaid in zip(lines, unsaid, strict=True):
            key = _key(name, line)
            known = self.stored[name].get(key) or (self.waiting.get(key) if name == "findings" else None)
            if not _passes(name, line) or any(other != line for other in by_key[key] if all(key)):
                places.append("held_back")
            elif name == "participants" and known is not None and not known["sex"] and line["sex"]:
                places.append("unchanged" if key in arriving else "stored")  # a value fills a blank
                arriving[key] = line
            elif known is not None:
                is_blank = name == "participants" and not line["sex"]  # a blank never replaces a value
                said = line | {"episode": known["episode"]} if is_unsaid else line
                places.append("unchanged" if known == said or is_blank else "conflict")
            elif name == "exams" and supplied and (line["participant_id"],) not in self.stored["participants"]:
                places.append("held_back")
            elif key in arriving or (key, tuple(line.items())) in self._new_waiting:
                places.append("unchanged")
            elif name == "findings" and key[:1] not in self.stored["exams"]:
                self._new_waiting[key, tuple(line.items())] = True
                places.append("waiting")
            else:
                arriving[key] = line
                places.append("stored")
        return places, arriving


def _brought_to_one(lines: list[Line]) -> list[Line]:
    """Lines of one person that all pass and of which no two name another sex say what any of them says."""
    made = []
    for line in lines:
        alike = [other for other in lines if other["participant_id"] == line["participant_id"]]
        said = {other["sex"] for other in alike} - {""}
        is_one = len(said) == 1 and all(_passes("participants", other) for other in alike)
        made.append(line | {"sex": min(said)} if is_one else line)
    return made


def _clean(name: str, line: Line) -> Line:
    line = {each: line[each].upper() if each.endswith("_id") else line[each] for each in COLUMNS[name]}
    return line | {"episode": line["episode"] or "1"} if name == "exams" else line


def _key(name: str, line: Line) -> tuple[str, ...]:
    return tuple(line[column] for column in COLUMNS[name][: KEYS[name]])


def _passes(name: str, line: Line) -> bool:
    if name == "participants":
        return line["participant_id"] != "JANE" and line["sex"] != "m"
    return bool(line["exam_id"]) and line.get("side") != "both" and line.get("result") != "perhaps"


def _exam_alone(episode: str) -> dict[str, list[Line]]:
    exam = {"exam_id": "EX-1", "participant_id": "PT-1", "side": "left", "episode": episode}
    return {"participants": [], "exams": [exam], "findings": []}


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@example(batches=[_exam_alone("2"), _exam_alone("")])
@given(batches=st.lists(BATCH, min_size=1, max_size=3))
def test_every_line_goes_where_the_rules_say(
    tmp_path_factory: pytest.TempPathFactory, batches: list[dict[str, list[Line]]]
) -> None:
    folder: Path = tmp_path_factory.mktemp("random")
    registry, model = folder / "registry.duckdb", Model()
    for tables in batches:
        expected = model.take(tables)
        full = {name: [EXAM | line if name == "exams" else line for line in lines] for name, lines in tables.items()}
        report = send(folder, registry, **{name: lines for name, lines in full.items() if lines})
        found = {
            one.table: Counter(
                {
                    place: getattr(one, place)
                    for place in ("stored", "unchanged", "conflict", "waiting", "held_back", "released")
                    if getattr(one, place)
                }
            )
            for one in report.tables
        }
        assert {name: found.get(name, Counter()) for name in expected} == expected
    held = state(registry)
    for name, lines in model.stored.items():
        assert len(held[name]) == len(lines)
    assert {row[:3] for row in held["findings"]} == {tuple(line.values()) for line in model.stored["findings"].values()}
    assert {row[:3] for row in held["waiting.findings"]} == {tuple(line.values()) for line in model.waiting.values()}
