"""Declared files: plain data with line numbers; anything else is refused with file, line, path and mend."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from examtally.contracts.yamlfile import Node, from_data, load_yaml
from examtally.errors import ContractError, ProtocolError

GOOD = """\
title: Left or right
answers: [yes, no]
when: 2026-03-14
conditions:
  one:
    window: [-365, 0.5]
    core: true
    note: >-
      Two lines
      of text.
"""


@pytest.fixture
def read(tmp_path: Path) -> Callable[[str], Node]:
    def reader(text: str) -> Node:
        file = tmp_path / "knee.yaml"
        file.write_text(text, encoding="utf-8")
        return load_yaml(file)

    return reader


def test_plain_data_comes_back_with_yes_no_and_dates_as_text(read: Callable[[str], Node]) -> None:
    assert read(GOOD).plain() == {
        "title": "Left or right",
        "answers": ["yes", "no"],
        "when": "2026-03-14",
        "conditions": {"one": {"window": [-365, 0.5], "core": True, "note": "Two lines of text."}},
    }


def test_every_value_knows_its_line_and_path(read: Callable[[str], Node]) -> None:
    one = read(GOOD).record(("title", "answers", "when", "conditions"))["conditions"].table()["one"]
    window = one.record(("window", "core"), ("note",))["window"]
    assert (one.line, one.path) == (5, "conditions.one")
    assert [(node.line, node.path) for node in window.items()] == [
        (6, "conditions.one.window[0]"),
        (6, "conditions.one.window[1]"),
    ]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("a: 1\nb:\n  c: 1\n  c: 2\n", "knee.yaml, line 4, b.c: the key 'c' stands twice; keep one of them"),
        ("a: &x 1\nb: *x\n", "knee.yaml, line 1: anchors and aliases are refused; write the value out"),
        ("a: 1\nb: *x\n", "knee.yaml, line 2: anchors and aliases are refused; write the value out"),
        ("a: !!python/name:os.system x\n", "knee.yaml, line 1: tags are refused; remove the '!' and its name"),
        ("a: !!set {x, y}\n", "knee.yaml, line 1: tags are refused; remove the '!' and its name"),
        ("a: 1\n" + "b: " + "[" * 3000, "knee.yaml, line 2: is nested too deeply; close the brackets"),
        ("? [a, b]\n: 1\n", "knee.yaml, line 1: a key is not a word; write a name before the colon"),
        ("", "knee.yaml: is empty; fill it in or remove it"),
        ("# only a comment\n", "knee.yaml: is empty; fill it in or remove it"),
        ("a: \x07\n", "knee.yaml: holds a character that YAML does not allow; remove control characters"),
    ],
    ids=["duplicate", "anchor", "alias", "tag", "set", "deep", "complex-key", "empty", "comment", "control"],
)
def test_what_is_not_plain_data_is_refused(read: Callable[[str], Node], text: str, message: str) -> None:
    with pytest.raises(ContractError) as caught:
        read(text)
    assert str(caught.value) == message


@pytest.mark.parametrize("text", ["a: [1\n", "a: b: c\n", "a: 'x\n", "--- 1\n--- 2\n", "\ta: 1\n", "a: {x\n"])
def test_broken_yaml_names_file_and_line_in_one_line(read: Callable[[str], Node], text: str) -> None:
    with pytest.raises(
        ContractError,
        match=r"^knee\.yaml, line \d+: is not YAML \(.*\); mend the line or the one above",
    ):
        read(text)


def test_a_file_that_is_missing_or_not_utf8_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ContractError, match=r"^gone\.yaml: there is no such file"):
        load_yaml(tmp_path / "gone.yaml")
    (tmp_path / "latin.yaml").write_bytes("a: é".encode("latin-1"))
    with pytest.raises(ContractError, match=r"^latin\.yaml: is not UTF-8"):
        load_yaml(tmp_path / "latin.yaml")


@pytest.mark.parametrize(
    ("value", "ask", "problem"),
    [
        ("a: 1", lambda n: n.record(("a", "b")), "'b' is missing; add the key 'b'"),
        ("a: 1\ntechnqiue: 1", lambda n: n.record(("a",), ("technique",)), "did you mean 'technique'?"),
        ("a: 1\nzz: 1", lambda n: n.record(("a",)), "unknown key 'zz'; use one of a"),
        ("A: 1", lambda n: n.table("a phase"), "'A' cannot be a phase; use a name that matches"),
        ("[1]", lambda n: n.record(), "is a list, not a mapping"),
        ("a: 1", lambda n: n.items(), "is a mapping, not a list"),
        ("12", lambda n: n.text(), "is a whole number, not text"),
        ("~", lambda n: n.text(), "is empty, not text"),
        ("'  '", lambda n: n.text(), "is blank; write some text"),
        ("x y", lambda n: n.text(r"\w+"), r"'x y' has the wrong form; use text that matches \w+"),
        ("[x, x]", lambda n: n.texts(), "'x' stands twice; keep it once"),
        ("x", lambda n: n.code("a phase", ("look", "feel")), "'x' is not a phase; use one of look, feel"),
        ("[look, x]", lambda n: n.codes("a phase", ("look",)), "'x' is not a phase; use one of look"),
        ("[look, look]", lambda n: n.codes("a phase", ("look",)), "'look' stands twice; keep it once"),
        ("6", lambda n: n.integer(0, 5), "6 is out of range; write a number from 0 to 5"),
        ("-1", lambda n: n.integer(low=0), "-1 is out of range; write a number of at least 0"),
        ("6", lambda n: n.number(high=5), "6 is out of range; write a number of at most 5"),
        ("true", lambda n: n.integer(), "is true or false, not a whole number; write a whole number"),
        ("1.0", lambda n: n.integer(), "is a number, not a whole number"),
        ("1e999", lambda n: n.number(), "is not a finite number"),
        (".nan", lambda n: n.number(), "is text, not a number"),
        ("yes", lambda n: n.flag(), "is text, not true or false; write true or false, without quotes"),
        ("9" * 40, lambda n: n.integer(), "is text, not a whole number"),
    ],
)
def test_a_node_refuses_to_be_what_it_is_not(
    read: Callable[[str], Node], value: str, ask: Callable[[Node], object], problem: str
) -> None:
    with pytest.raises(ContractError) as caught:
        ask(read(value))
    message = str(caught.value)
    assert message.startswith("knee.yaml, line ")
    assert problem in message
    assert "\n" not in message


def test_numbers_and_flags_come_back_typed(read: Callable[[str], Node]) -> None:
    items = read("[3, 1e-3, 0.25, true, -7, ' a ']").items()
    assert items[0].integer(3, 3) == 3
    assert [node.number() for node in items[:3]] == [3.0, 0.001, 0.25]
    assert items[3].flag() is True
    assert items[4].integer() == -7
    assert items[5].text() == "a"


def test_python_data_is_checked_by_the_same_code_and_with_the_asked_error() -> None:
    node = from_data({"a": {"b": [1, "x", None]}, 2: True}, "protocol", ProtocolError)
    assert node.plain() == {"a": {"b": [1, "x", None]}, "2": True}
    with pytest.raises(ProtocolError, match=r"^protocol, a\.b\[1\]: is text, not a whole number"):
        node.record(("a", "2"))["a"].record(("b",))["b"].items()[1].integer()
    with pytest.raises(ProtocolError, match=r"^protocol, a: is not plain data"):
        from_data({"a": object()}, "protocol", ProtocolError)


def test_only_a_file_of_sensible_size_is_opened(tmp_path: Path) -> None:
    large, pipe = tmp_path / "large.yaml", tmp_path / "pipe.yaml"
    large.write_text("a: [" + "x," * 500_000 + "]", encoding="utf-8")
    os.mkfifo(pipe)
    for path, said in ((large, "larger than 1 MB"), (pipe, "cannot be read"), (tmp_path, "cannot be read")):
        with pytest.raises(ProtocolError, match=said) as caught:
            load_yaml(path, ProtocolError)
        assert "\n" not in str(caught.value)
