"""Random clinics let go all they may, over releases, bundles and time; an outsider learns nothing of few people."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path

import polars as pl
import pytest
from attacker import Finding, Published, attack, read, read_summary
from people import GROUPS, count_tables, people, results_of
from study_clinic import make_registry

from examtally.disclosure import site_summary
from examtally.disclosure.ledger import Shown
from examtally.disclosure.publishing import Publication, prepare
from examtally.disclosure.release import AUDIT, Made, Scope, check, make
from examtally.disclosure.site_summary import SUMMARY, summarize, write_summary
from examtally.errors import DisclosureError
from examtally.registry import open_registry
from examtally.results import Results, analyze

FAST = (0, 3, 10, 13)
ALL = range(50)
ADDED = (1, 5, 15)
STUDIES = {  # what a study asks for: groupings, its test for a maneuver, whom it takes
    "students": (("sex",), {"mine": "mcmurray_medial"}, pl.col("role") != "student"),
    "grown": (("acuity",), {"firm": "lachman"}, pl.col("age_band") != "under_16"),
    "all": (("age_band", "role"), {"other": "mcmurray_lateral"}, pl.lit(value=True)),
}


class Outside:
    """Everything that went out of one clinic, as files and in the ledger."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.files: list[Published] = []
        self.ledger: list[Shown] = []
        self.refused = 0

    def give(self, results: Results, time: int, population: str) -> None:
        """Give the summary for pooling, where there is a pair to give; it is a release of everybody."""
        made = make(results, SUMMARY, earlier=self.ledger)
        ready = Publication(made, self.folder, 0, is_entered=False)
        try:
            check(made, results, self.ledger)
            text, _ = summarize(results, ready, "S-01")
        except DisclosureError:
            self.refused += 1
            return
        self.ledger.append(made.shown)
        path = write_summary(text, self.folder / f"S-{len(self.files)}.json")
        self.files.append(read_summary(path, time, population))

    def let_go(self, results: Results, scope: Scope, time: int, population: str, tests: dict[str, str]) -> Made | None:
        """Let go what may go; None where it is refused."""
        made = make(results, scope, earlier=self.ledger)
        try:
            check(made, results, self.ledger)
        except DisclosureError:
            self.refused += 1
            return None
        self.ledger.append(made.shown)
        written = made.release.write(self.folder / str(len(self.files)))
        self.files.append(read(written, time, population, tests))
        return made


def all_that_goes_out(seed: int, folder: Path) -> Outside:
    """A release, three bundles, a site summary, the release again, and releases after one, five and fifteen people."""
    outside, knees = Outside(folder), people(seed)
    outside.let_go(results_of(knees, "first"), AUDIT, 0, "everybody", {})
    for name, (groupings, tests, who) in STUDIES.items():
        scope = Scope(groupings, AUDIT.tables, {test: frozenset({of}) for test, of in tests.items()})
        of_study = knees.filter(who, pl.col("maneuver").is_in(list(tests.values())))
        renamed = of_study.with_columns(pl.col("maneuver").replace({of: test for test, of in tests.items()}))
        if renamed.height:
            outside.let_go(results_of(renamed, "first"), scope, 0, name, tests)
    refused = outside.refused
    outside.give(results_of(knees, "first"), 0, "everybody")
    outside.refused = refused  # a group without a pair to give has no summary
    assert outside.refused == 0  # of the same records nothing is refused: single tables are left out
    outside.let_go(results_of(knees, "first"), AUDIT, 0, "everybody", {})
    for time, added in enumerate(ADDED, 1):
        later = results_of(people(seed, added), f"later {added}")
        outside.let_go(later, AUDIT, time, "everybody", {})
        outside.give(later, time, "everybody")
    return outside


def learned(outside: Outside) -> Iterator[Finding]:
    """What is learned of few people. A table that tells of nobody, and one that stayed as it was, tell nothing."""
    for finding in attack(outside.files):
        if finding.tells:
            yield finding


def assert_nothing_is_learned(seeds: Sequence[int], folder: Path) -> Counter[str]:
    counted: Counter[str] = Counter()
    for seed in seeds:
        outside = all_that_goes_out(seed, folder / str(seed))
        found = list(learned(outside))
        assert found == [], f"clinic {seed}: {found[:3]}"
        counted["tables"] += sum(len(one.tables) for one in outside.files)
        counted["of groups"] += sum(key[2] in GROUPS for one in outside.files for key in one.tables)
        counted["corrected"] += sum(len(one.unanswered) for one in outside.files)
        counted["differences"] += sum(one.differences.height for one in outside.files)
        counted["files"] += len(outside.files)
        counted["refused"] += outside.refused
    return counted


def test_nothing_is_learned_of_few_people(tmp_path: Path) -> None:
    counted = assert_nothing_is_learned(FAST, tmp_path)
    assert counted["tables"] > 60  # there is something to attack
    assert counted["of groups"] > 15
    assert counted["refused"] > 0


@pytest.mark.study
def test_nothing_is_learned_of_few_people_in_fifty_clinics(tmp_path: Path) -> None:
    print(dict(assert_nothing_is_learned(ALL, tmp_path)))


def careless(knees: pl.DataFrame, folder: Path, *hidden: str) -> list[Finding]:
    """What is learned where every table goes out, but for those of some groups."""
    counts = count_tables(knees).filter(pl.col("verified") > 0, ~pl.col("group").is_in(hidden))
    folder.mkdir(parents=True)
    counts.select("condition", "maneuver", "group_by", "group", "tp", "fp", "fn", "tn").write_csv(folder / "counts.csv")
    return [one for one in attack([read(folder)]) if one.tells]


def test_the_attacker_finds_what_a_careless_release_gives_away(tmp_path: Path) -> None:
    found = Counter(one.way for one in careless(people(0), tmp_path / "0"))
    assert min(found[way] for way in ("printed or by subtraction", "two groups crossed", "two conditions crossed")) > 10
    hidden = careless(people(3), tmp_path / "hidden", "unknown", "other")
    assert any("others" in one.of for one in hidden)


def test_the_attacker_finds_what_a_summary_of_more_digits_gives_away(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    outside, knees = Outside(tmp_path), results_of(people(0), "first")
    outside.give(knees, 0, "everybody")
    assert list(learned(outside)) == []
    monkeypatch.setattr(site_summary, "_rounded", list)
    careless = Outside(tmp_path)
    careless.give(knees, 0, "everybody")
    found = [one for one in learned(careless) if one.way == "corrected figures"]
    truth = count_tables(people(0)).filter(group_by="overall")
    for one in found:
        _, _, condition, maneuver, *_, finding = one.of
        (count,) = truth.filter(condition=condition, maneuver=maneuver)[f"unverified_{finding}"]
        assert one.low <= count <= one.high
    assert found


def test_the_attacker_profiles_the_one_person_added(tmp_path: Path) -> None:
    files = []
    for time, added in enumerate((0, 1)):
        careless(people(10, added), tmp_path / str(time))
        files.append(read(tmp_path / str(time), time))
    assert any(one.way == "between two tables" and one.low == 1 for one in attack(files))


def results_now(registry: Path) -> Results:
    with open_registry(registry) as opened:
        return analyze(opened, only=("tallies", "accuracy", "cohort_summary"), adjustments=("none",))


def test_a_release_made_anywhere_counts(tmp_path: Path) -> None:
    """One registry: released, then with one person more, then with enough; whose results lie where does not matter."""
    registry = make_registry(tmp_path, people=260)
    results = results_now(registry)
    first = prepare(results, registry)
    assert first.made.release.counts.height > 0
    first.enter("release")
    make_registry(tmp_path, people=261)
    with pytest.raises(DisclosureError, match="the records changed since an earlier release"):
        prepare(results_now(registry), registry)
    again = prepare(results, registry)  # of the frozen cohort
    assert again.is_entered
    assert again.made.release.sum == first.made.release.sum
    make_registry(tmp_path, people=620)
    grown = results_now(registry)
    slow = prepare(grown, registry)
    assert slow.made.release.counts.height >= first.made.release.counts.height
    prepare(grown, registry, Scope((), ("accuracy",))).enter("bundle")
    with pytest.raises(DisclosureError, match="another release was made meanwhile"):
        slow.enter("release")
