"""The actions file of the committee: what was decided on which signal, who owns it, what came of it."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path

from examtally.contracts.periods import PERIOD
from examtally.contracts.results import result_codes
from examtally.contracts.yamlfile import Node, load_yaml
from examtally.errors import ReportError
from examtally.reporting.engine.project import given

_ID = r"[A-Za-z][A-Za-z0-9-]{0,19}"
_ROLE = r"[a-z]+( [a-z]+){0,4}"
_LONGEST = 240
_REQUIRED = ("id", "decision", "indicator", "rule", "owner", "opened")


@dataclass(frozen=True)
class Action:
    """One decision; `outcome` is empty while it is open, `due` a period or empty; `indicator` and `rule` are codes."""

    id: str
    decision: str
    indicator: str
    rule: str
    owner: str
    opened: str
    outcome: str = ""
    due: str = ""

    @property
    def is_open(self) -> bool:
        """Whether nothing has come of it yet."""
        return not self.outcome


def read_actions(path: Path) -> tuple[Action, ...]:
    """Read an actions file; raise ReportError (one line: file, line, path, legal set, mend) where it is wrong."""
    entries = load_yaml(path, ReportError).record(required=("actions",))["actions"]
    if entries.content is None:
        return ()
    actions = tuple(_action(node) for node in entries.items())
    seen: set[str] = set()
    for node, action in zip(entries.items(), actions, strict=True):
        if action.id in seen:
            raise node.at("id").fail(f"the id '{action.id}' stands twice", "give each action its own")
        seen.add(action.id)
    return actions


def named(path: Path | None) -> str:
    """How a parameter of a report names an actions file; empty where there is none."""
    return "" if path is None else str(path.resolve())


def decided(name: str) -> tuple[Action, ...]:
    """The decisions in the actions file that a parameter names; none where it names none."""
    return read_actions(given(name)) if name else ()


def _action(node: Node) -> Action:
    entry = node.record(required=_REQUIRED, optional=("outcome", "due"))
    return Action(
        id=entry["id"].text(_ID),
        decision=_sentence(entry["decision"]),
        indicator=_code(entry["indicator"], "an indicator", result_codes()["indicator"]),
        rule=_code(entry["rule"], "a rule", result_codes()["rule"]),
        owner=_role(entry["owner"]),
        opened=_period(entry["opened"]),
        outcome=_sentence(entry["outcome"]) if "outcome" in entry and entry["outcome"].content else "",
        due=_period(entry["due"]) if "due" in entry and entry["due"].content else "",
    )


def _code(node: Node, what: str, legal: Collection[str]) -> str:
    return node.code(what, legal)


def _sentence(node: Node) -> str:
    text = " ".join(node.text().split())
    if len(text) > _LONGEST or not text.isprintable():
        raise node.fail("is too long", f"write at most {_LONGEST} printable characters")
    return text


def _role(node: Node) -> str:
    try:
        return node.text(_ROLE)
    except ReportError:
        raise node.fail(
            "is not a role", "write a role of one to five small words, as 'lead physician', never a name"
        ) from None


def _period(node: Node) -> str:
    try:
        return node.text(PERIOD)
    except ReportError:
        raise node.fail("is not a period", "write a period, as 2026-03 or P012") from None
