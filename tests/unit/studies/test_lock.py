"""A protocol locked and then changed is caught; what was added afterwards is exploratory."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from examtally.cli.output_study import after_check
from examtally.contracts.study.study import load_study
from examtally.errors import StudyError
from examtally.registry import open_registry
from examtally.registry.audit_log import entries
from examtally.registry.verifying import verify
from examtally.studies.checking import check_study
from examtally.studies.lock_status import LockStatus
from examtally.studies.lockfile import lock_path, read_lock
from examtally.studies.locking import amend, lock
from examtally.studies.reading import read_study
from examtally.studies.running import run, status_of


@pytest.mark.parametrize("text", ["", "{", "5", "[" * 100_000, '{"study": 5}', "\x00"])
def test_what_is_no_lock_or_study_is_refused_in_one_line(text: str, tmp_path: Path) -> None:
    for name, read in (("study.lock.json", read_lock), ("study.json", lambda path: read_study(path.parent))):
        path = tmp_path / name
        path.write_text(text, encoding="utf-8")
        with pytest.raises(StudyError, match="is not") as caught:
            read(path)
        assert "\n" not in str(caught.value)


def _change(path: Path, old: str, new: str) -> None:
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")


def _stand(path: Path, clinic: Path, *, exploratory: bool = False) -> LockStatus:
    with open_registry(clinic) as opened:
        return status_of(load_study(path), opened, lock_path(path), exploratory=exploratory)


def _statuses(path: Path, clinic: Path, *, exploratory: bool = False) -> set[str]:
    stands = _stand(path, clinic, exploratory=exploratory)
    return {stands.status(one.name) for one in load_study(path).analyses}


def test_what_follows_a_check(single: Path, clinic: Path) -> None:
    def follows() -> str:
        study = load_study(single)
        return after_check(study, check_study(study), single, None).removesuffix(" --registry REGISTRY --out results")

    assert follows() == f"examtally study plan {single} --registry REGISTRY --out plan"
    _change(single, "planned_size: {", "planned_size: {knees: 600, ")
    assert follows() == f"examtally study lock {single} --registry REGISTRY"
    lock(single, clinic)
    assert follows() == f"examtally study run {single}"
    _change(single, "  purpose: research\n", "")
    lock_path(single).unlink()
    assert follows() == f"answer these in {single}, then examtally study check {single}"


def test_without_a_lock_everything_is_exploratory(single: Path, kept_clinic: Path) -> None:
    made = run(single, kept_clinic)
    assert all(set(frame["status"]) <= {"exploratory"} for frame in made.results.tables.values())


def test_a_lock_is_sealed_by_the_log_and_makes_its_analyses_prespecified(single: Path, clinic: Path) -> None:
    made = lock(single, clinic, operator="OP-1")
    with open_registry(clinic) as opened:
        last = entries(opened.con)[-1]
        assert made.records == opened.fingerprint()
    assert (last.action, last.operator, last.hash) == ("study_lock", "OP-1", made.log_hash)
    assert json.loads(last.details)["protocol"] == made.sha256
    assert verify(clinic).faults == ()
    assert _statuses(single, clinic) == {"prespecified"}
    content = json.loads(run(single, clinic).to_json())
    assert content["is_locked"] is True
    assert content["deviations"] == []
    assert content["lock"][0]["log_hash"] == last.hash


def test_what_changes_no_figure_is_told_and_keeps_the_label(single: Path, clinic: Path) -> None:
    lock(single, clinic)
    _change(single, "determination: exempt", "determination: approved")
    stands = _stand(single, clinic)
    assert [(one.key, one.says) for one in stands.deviations] == [
        ("governance", "changed after the lock; no figure depends on it")
    ]
    assert stands.status("accuracy_of_lever") == "prespecified"


def test_a_changed_protocol_is_caught_with_what_was_changed(single: Path, clinic: Path) -> None:
    lock(single, clinic)
    _change(single, "value: 42", "value: 21")
    with pytest.raises(StudyError, match=r"not the one that was locked \(population changed"):
        _stand(single, clinic)
    assert _statuses(single, clinic, exploratory=True) == {"exploratory"}
    with pytest.raises(StudyError, match="is locked since"):
        lock(single, clinic)


@pytest.mark.parametrize(
    ("old", "new", "key"),
    [
        ("maneuver: lever_sign", "maneuver: lachman", "tests"),
        ("window_days: [0, 180]", "window_days: [0, 90]", "protocol"),
        ("reader: any", "reader: blinded_only", "protocol"),
        ("is at least 0.70", "is at least 0.50", "hypotheses"),
        ("condition: acl_tear}", "condition: acl_tear, severity: [complete]}", "target"),
    ],
)
def test_every_part_of_the_frame_is_held(old: str, new: str, key: str, single: Path, clinic: Path) -> None:
    lock(single, clinic)
    _change(single, old, new)
    with pytest.raises(StudyError, match=key):
        _stand(single, clinic)


def test_comments_and_layout_are_no_change(single: Path, clinic: Path) -> None:
    lock(single, clinic)
    _change(single, "target: {condition: acl_tear}", "# a remark\ntarget:\n  condition: acl_tear")
    assert _statuses(single, clinic) == {"prespecified"}


def test_a_subgroup_added_after_the_lock_is_exploratory_in_every_table(single: Path, clinic: Path) -> None:
    lock(single, clinic)
    _change(single, "subgroups: [sex]", "subgroups: [sex, acuity]")
    made = run(single, clinic)
    for name in ("accuracy", "interactions", "tallies"):
        frame = made.results.tables[name]
        by = {g: set(rows["status"]) for (g,), rows in frame.group_by("group_by")}
        assert by["acuity"] == {"exploratory"}
        assert by["sex"] == {"prespecified"}
    (one,) = made.lock_status.deviations
    assert (one.key, one.says) == ("accuracy_of_lever_by_acuity", "added after the lock, without an amendment")


def test_an_analysis_left_out_or_changed_is_a_deviation(single: Path, clinic: Path) -> None:
    lock(single, clinic)
    _change(single, "measures: [lr_positive, lr_negative]", "measures: [lr_positive]")
    _change(single, "subgroups: [sex]", "subgroups: []")
    stands = _stand(single, clinic)
    said = {one.key: one.says for one in stands.deviations}
    assert said == {
        "ratios_of_lever": "changed after the lock, without an amendment",
        "accuracy_of_lever_by_sex": "declared in the lock and not run",
    }
    assert stands.status("ratios_of_lever") == "exploratory"
    assert stands.status("accuracy_of_lever") == "prespecified"


def test_an_amendment_needs_a_reason_and_is_told(single: Path, clinic: Path) -> None:
    lock(single, clinic)
    with pytest.raises(StudyError, match="nothing to amend"):
        amend(single, clinic, "none")
    _change(single, "value: 42", "value: 21")
    with pytest.raises(StudyError, match="needs a reason"):
        amend(single, clinic, "  ")
    amend(single, clinic, "Late referrals are another question", operator="OP-2")
    stands = _stand(single, clinic)
    assert [(one.key, one.reason) for one in stands.deviations] == [
        ("population", "Late referrals are another question")
    ]
    assert stands.prespecified == frozenset()


def _edit(path: Path, change: str) -> None:
    content = json.loads(path.read_text(encoding="utf-8"))
    if change == "protocol":
        content["entries"][0]["protocol"]["alpha"] = 0.1
    elif change == "operator":
        content["entries"][0]["operator"] = "OP-9"
    elif change == "reason":
        content["entries"][0]["reason"] = "another"
    elif change == "none":
        content["entries"] = []
    path.write_text(json.dumps(content), encoding="utf-8")


@pytest.mark.parametrize("change", ["protocol", "operator", "reason", "none"])
def test_a_lock_changed_by_hand_is_caught(change: str, single: Path, clinic: Path) -> None:
    lock(single, clinic)
    _edit(lock_path(single), change)
    with pytest.raises(StudyError, match=r"lock\.json"):
        _stand(single, clinic)


def test_a_lock_that_is_gone_or_of_another_registry_is_caught(
    single: Path, clinic: Path, kept_clinic: Path, tmp_path: Path
) -> None:
    lock(single, clinic)
    with pytest.raises(StudyError, match="holds no lock of the study"):
        _stand(single, kept_clinic)
    lock_path(single).rename(tmp_path / "elsewhere.json")
    with pytest.raises(StudyError, match="the file is missing"):
        _stand(single, clinic)


@pytest.mark.parametrize("line", ["determination: exempt", 'learners_covered: "yes"', "data_use_agreement: in_force"])
def test_research_is_not_locked_without_its_permissions(line: str, single: Path, clinic: Path) -> None:
    _change(single, f"  {line}\n", "")
    with pytest.raises(StudyError, match="research cannot be locked without it"):
        lock(single, clinic)
    assert read_lock(lock_path(single)) == ()
    with open_registry(clinic) as opened:
        assert all(entry.action != "study_lock" for entry in entries(opened.con))


def test_a_folder_that_cannot_be_written_leaves_the_log_as_it_was(
    single: Path, clinic: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "touch", refuse)
    with pytest.raises(StudyError, match="cannot be written"):
        lock(single, clinic)
    with open_registry(clinic) as opened:
        assert all(entry.action != "study_lock" for entry in entries(opened.con))
