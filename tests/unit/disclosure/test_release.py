"""What goes out and what does not: one test a rule, each of which fails without it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import polars as pl
import pytest
from released_tables import ALL, Knees, lachman, results_from, tallies_of

from examtally.contracts.catalogue.local import Kept, load_local
from examtally.contracts.results import conform
from examtally.disclosure import selection
from examtally.disclosure.folder import read_release
from examtally.disclosure.ledger import Shown, conditions_before, too_close
from examtally.disclosure.release import AUDIT, CLOSE, Approval, Scope, check, make
from examtally.disclosure.tables import CELLS, Row
from examtally.errors import DisclosureError, ResultsError
from examtally.results.results import Results

SEXES = {ALL: (60, 30, 25, 90), ("sex", "female"): (30, 15, 12, 44), ("sex", "male"): (30, 15, 13, 46)}
DIRECTOR = Approval("medical director", "the paper needs the 2x2 table")


def groups_shown(tables: dict[tuple[str, str], Knees], *summary: tuple[str, str, int], **changes: int) -> list[str]:
    counted = pl.DataFrame(summary, schema={"item": pl.String, "group": pl.String, "value": pl.Int64}, orient="row")
    results = results_from(tallies_of(lachman(tables), **changes), cohort_summary=counted)
    made = make(results)
    check(made, results)
    return made.release.counts["group"].to_list()


def why_not(tables: dict[tuple[str, str], Knees], group: str = "all") -> str:
    made = make(results_from(tallies_of(lachman(tables))))
    return str(made.release.log.filter(table="counts", group=group)["why"].item())


def test_what_is_large_goes_out_with_its_figures() -> None:
    results = results_from(tallies_of(lachman(SEXES)))
    made = make(results)
    check(made, results)
    assert made.release.counts.select("group", *CELLS).rows() == [
        ("all", 60, 30, 25, 90),
        ("female", 30, 15, 12, 44),
        ("male", 30, 15, 13, 46),
    ]
    assert set(made.release.figures["accuracy"]["group"]) == {"all", "female", "male"}


@pytest.mark.parametrize("knees", [(10, 40, 30, 90), (40, 10, 30, 90), (28, 40, 3, 90), (40, 40, 30, 10)])
def test_a_table_with_a_small_count_leaves_no_trace(knees: Knees) -> None:
    made = make(results_from(tallies_of(lachman({ALL: knees}))))
    assert made.release.counts.is_empty()
    assert made.release.figures["accuracy"].is_empty()
    assert why_not({ALL: knees}) == selection.SMALL


@pytest.mark.parametrize("knees", [(0, 40, 0, 90), (0, 40, 30, 90), (30, 0, 30, 90), (30, 40, 0, 90), (30, 40, 30, 0)])
def test_where_everybody_is_alike_nothing_goes_out(knees: Knees) -> None:
    assert why_not({ALL: knees}) == selection.ALIKE
    assert make(results_from(tallies_of(lachman({ALL: knees})))).release.counts.is_empty()


def test_a_knee_is_not_a_person() -> None:
    """Of 40 knees 25 at most are further knees of somebody, or 32: then they may be of 8 people."""
    assert groups_shown({ALL: (40, 40, 20, 90)}, tp_tp=40 + 50) == ["all"]
    assert groups_shown({ALL: (40, 40, 20, 90)}, tp_tp=40 + 64) == []


def test_one_person_may_not_be_a_fifth_of_a_count() -> None:
    """24 knees, 5 of them one person's, 19 of others: people enough, and one of them weighs too much."""
    assert groups_shown({ALL: (24, 40, 20, 90)}, tp_tp=19 + 25) == []
    assert groups_shown({ALL: (24, 40, 20, 90)}, tp_tp=20 + 16) == ["all"]


def test_a_grouping_in_which_too_few_would_be_left_loses_another_group() -> None:
    tables: dict[tuple[str, str], Knees] = {
        ALL: (93, 60, 66, 200),
        ("acuity", "acute"): (30, 15, 20, 50),
        ("acuity", "subacute"): (30, 15, 20, 50),
        ("acuity", "chronic"): (30, 17, 21, 60),
        ("acuity", "unknown"): (3, 13, 5, 40),
    }
    assert groups_shown(tables) == ["chronic", "subacute", "all"]
    assert why_not(tables, "acute") == selection.OTHERS


def test_one_group_alone_is_not_shown() -> None:
    tables: dict[tuple[str, str], Knees] = {
        ALL: (63, 45, 46, 140),
        ("sex", "female"): (30, 15, 20, 50),
        ("sex", "male"): (30, 17, 21, 50),
        ("sex", "unknown"): (3, 13, 5, 40),
    }
    assert groups_shown(tables) == ["all"]
    assert why_not(tables, "male") == selection.FEW_GROUPS


def test_groups_with_fewer_than_three_examiners_are_not_shown() -> None:
    roles: dict[tuple[str, str], Knees] = {
        ALL: (90, 45, 60, 150),
        ("role", "attending"): (30, 15, 20, 50),
        ("role", "fellow"): (30, 15, 20, 50),
        ("role", "resident"): (30, 15, 20, 50),
    }
    known = [("examiners_by_role", role, 3) for role in ("attending", "fellow", "resident")]
    assert groups_shown(roles, *known) == ["all", "attending", "fellow", "resident"]
    two_fellows = [(item, role, 2 if role == "fellow" else 3) for item, role, _ in known]
    assert groups_shown(roles, *two_fellows) == ["all"]  # without the fellows, the others shown give theirs back
    assert groups_shown(roles) == ["all"]


@pytest.mark.parametrize("name", ["site", "period", "examiner", "same_examiner", "setting"])
def test_groupings_that_no_reader_needs_do_not_go_out(name: str) -> None:
    tables: dict[tuple[str, str], Knees] = {ALL: (60, 30, 40, 90), (name, "a"): (30, 15, 20, 45)}
    tables[name, "b"] = (30, 15, 20, 45)
    assert groups_shown(tables) == ["all"]
    if name != "setting":
        asked = Scope((name,), AUDIT.tables)
        assert make(results_from(tallies_of(lachman(tables))), asked).release.counts["group"].to_list() == ["all"]


MENISCUS = {
    ("medial_meniscus_tear", "mcmurray_medial", *ALL): (53, 75, 34, 136),
    ("meniscal_tear", "mcmurray_medial", *ALL): (73, 55, 54, 116),
}


def test_a_maneuver_goes_out_under_one_condition_the_first_of_the_catalogue() -> None:
    made = make(results_from(tallies_of(MENISCUS)))
    assert made.release.counts["condition"].to_list() == ["medial_meniscus_tear"]
    assert set(made.release.figures["accuracy"]["condition"]) == {"medial_meniscus_tear"}


def test_the_second_condition_goes_out_where_the_first_cannot() -> None:
    tables = MENISCUS | {("medial_meniscus_tear", "mcmurray_medial", *ALL): (53, 75, 4, 136)}
    assert make(results_from(tallies_of(tables))).release.counts["condition"].to_list() == ["meniscal_tear"]


def test_a_maneuver_stays_with_the_condition_it_went_out_under() -> None:
    earlier = Shown(
        "b" * 64, {Row("meniscal_tear", "mcmurray_medial"): dict(zip(CELLS, (20, 20, 20, 20), strict=True))}, {}
    )
    made = make(results_from(tallies_of(MENISCUS)), earlier=[earlier])
    assert made.release.counts["condition"].to_list() == ["meniscal_tear"]
    assert conditions_before([earlier]) == {"mcmurray_medial": {"meniscal_tear"}}


def test_two_tests_of_one_maneuver_do_not_give_the_few_between_them() -> None:
    tests = {"graded": frozenset({"lachman"}), "plain": frozenset({"lachman"}), "firm": frozenset({"lachman"})}
    scope = Scope((), AUDIT.tables, tests)
    tables = {
        ("acl_tear", "plain", *ALL): (74, 47, 26, 149),
        ("acl_tear", "graded", *ALL): (70, 30, 30, 166),
        ("acl_tear", "firm", *ALL): (40, 20, 60, 176),
    }
    made = make(results_from(tallies_of(tables)), scope)
    assert made.release.counts["maneuver"].to_list() == ["firm", "plain"]
    assert made.shown.made_of.keys() == {"firm", "plain"}


def test_corrected_figures_need_enough_knees_without_an_answer() -> None:
    tallies = tallies_of(lachman({ALL: (60, 30, 25, 90)}), unverified=21)
    plain = results_from(tallies)
    corrected = plain.tables["accuracy"].with_columns(adjustment=pl.lit("verification"))
    both = pl.concat([plain.tables["accuracy"], conform("accuracy", corrected)])
    few = make(Results({**plain.tables, "accuracy": both}, plain.provenance))
    assert set(few.release.figures["accuracy"]["adjustment"]) == {"none"}
    enough = tallies_of(lachman({ALL: (60, 30, 25, 90)}), unverified=22)
    many = make(Results({"tallies": enough, "accuracy": both}, plain.provenance))
    assert set(many.release.figures["accuracy"]["adjustment"]) == {"none", "verification"}


def test_an_approved_table_is_shown_whole_and_none_of_its_groups() -> None:
    tables = lachman({ALL: (28, 40, 3, 90), ("sex", "f"): (15, 20, 1, 45), ("sex", "m"): (13, 20, 2, 45)})
    results = results_from(tallies_of(tables))
    made = make(results, approval=DIRECTOR)
    check(made, results)
    assert made.release.counts.select("group", *CELLS).rows() == [("all", 28, 40, 3, 90)]
    assert made.release.log.filter(pl.col("why").str.contains("medical director")).height == 1
    assert made.release.log.filter(why=selection.WHOLE_ONLY).height == 2


@pytest.mark.parametrize("knees", [(20, 15, 3, 11), (28, 40, 0, 90), (28, 0, 3, 90), (5, 40, 5, 90), (30, 4, 30, 6)])
def test_an_approval_needs_fifty_people_and_shows_no_zero_and_nobody_few(knees: Knees) -> None:
    assert make(results_from(tallies_of(lachman({ALL: knees}))), approval=DIRECTOR).release.counts.is_empty()


@pytest.mark.parametrize(
    ("role", "reason", "said"),
    [
        ("John Smith", "wanted", "a role of one to five words"),
        ("", "wanted", "a role of one to five words"),
        ("medical director", " ", "the reason must be one line"),
        ("medical director", "one\ntwo", "the reason must be one line"),
    ],
)
def test_who_approved_is_a_role_and_the_reason_one_line(role: str, reason: str, said: str) -> None:
    with pytest.raises(DisclosureError, match=said):
        Approval(role, reason)


def test_the_log_says_of_every_table_what_became_of_it_and_why() -> None:
    tables = lachman({**SEXES, ("site", "S-1"): (60, 30, 25, 90)}) | {
        ("pcl_tear", "posterior_sag", *ALL): (2, 9, 5, 99)
    }
    results = results_from(tallies_of(tables), flow=pl.DataFrame())
    log = make(results).release.log
    assert log["why"].null_count() == log["what"].null_count() == 0
    said = dict(
        log.select(
            pl.concat_str(pl.col("table", "maneuver", "group"), separator=" ", ignore_nulls=True), "what"
        ).iter_rows()
    )
    assert said["counts lachman all"] == said["counts lachman female"] == "released"
    assert said["counts posterior_sag all"] == said["flow"] == "left out"
    assert said["accuracy"].startswith("released: ")
    assert log.filter(group_by="site")["what"].to_list() == ["left out"]


def test_nothing_of_what_is_written_names_a_person_or_a_small_count(tmp_path: Path) -> None:
    folder = make(results_from(tallies_of(lachman(SEXES)))).release.write(tmp_path)
    back = read_release(folder)
    assert back.counts.select(pl.min_horizontal(CELLS)).min().item() >= 11
    assert [path.name for path in tmp_path.iterdir() if path.stat().st_mode & 0o077 == 0 and path.is_file()]


def test_the_same_results_give_the_same_bytes(tmp_path: Path) -> None:
    made = [make(results_from(tallies_of(lachman(SEXES)))).release for _ in "ab"]
    folders = [one.write(tmp_path / name) for one, name in zip(made, "ab", strict=True)]
    assert [path.read_bytes() for path in sorted(folders[0].iterdir())] == [
        path.read_bytes() for path in sorted(folders[1].iterdir())
    ]
    assert made[0].sum == read_release(folders[0]).sum


def test_results_without_counts_are_refused() -> None:
    with pytest.raises(ResultsError, match="tallies"):
        make(Results({}, results_from(tallies_of(lachman(SEXES))).provenance))


@pytest.mark.parametrize("text", ["", "[" * 100_000, "{}"])
def test_what_is_no_release_is_refused_however_it_is_built(tmp_path: Path, text: str) -> None:
    if text:
        (tmp_path / "release.json").write_text(text, encoding="utf-8")
    with pytest.raises(DisclosureError, match="is no release folder"):
        read_release(tmp_path)


def test_a_release_that_was_changed_is_refused(tmp_path: Path) -> None:
    folder = make(results_from(tallies_of(lachman(SEXES)))).release.write(tmp_path)
    counts = folder / "counts.csv"
    counts.write_text(counts.read_text(encoding="utf-8").replace("60", "90", 1), encoding="utf-8")
    with pytest.raises(DisclosureError, match="was changed"):
        read_release(folder)


def shown(knees: Knees, records: str = "a", again: int = 0, **groups: Knees) -> Shown:
    counts = {Row("acl_tear", "lachman"): dict(zip(CELLS, knees, strict=True))}
    counts |= {
        Row("acl_tear", "lachman", "sex", name): dict(zip(CELLS, of, strict=True)) for name, of in groups.items()
    }
    return Shown(records, counts, dict.fromkeys(counts, again))


FIRST = (60, 30, 25, 90)
GROWN = (71, 41, 36, 101)


@pytest.mark.parametrize(
    ("now", "is_close"),
    [
        (shown(FIRST), False),  # as it was, of the same records
        (shown(FIRST, "b"), True),  # as it was, of others: nobody new is in it
        (shown((61, 30, 25, 90), "b"), True),
        (shown((71, 41, 36, 90), "b"), True),  # all but one count
        (shown((70, 41, 36, 101), "b"), True),
        (shown(GROWN, "b"), False),
        (shown(GROWN, "b", again=1), True),  # one of the eleven may be a further knee of somebody
        (shown((49, 19, 14, 79), "b"), False),
        (shown((71, 41, 36, 90)), True),  # another protocol, the same records
        (shown(GROWN), False),
    ],
)
def test_a_table_goes_out_again_as_it_was_or_with_eleven_people_in_every_count(now: Shown, is_close: bool) -> None:
    assert bool(too_close(now, shown(FIRST))) is is_close


def test_the_people_in_no_group_shown_must_differ_by_eleven_too() -> None:
    half: Knees = (20, 11, 11, 30)
    more: Knees = (31, 22, 22, 41)
    before = shown((60, 40, 40, 90), female=half)
    assert too_close(shown((80, 51, 51, 101), "b", female=more), before)[0].group == "others"
    assert too_close(shown((82, 62, 62, 112), "b", female=more), before) == []


def test_a_test_of_a_study_is_held_against_the_maneuver_behind_it() -> None:
    firm = {Row("acl_tear", "firm"): dict(zip(CELLS, (58, 30, 27, 90), strict=True))}
    of_lachman = Shown("a", firm, dict.fromkeys(firm, 0), {"firm": frozenset({"lachman"})})
    assert too_close(of_lachman, shown(FIRST)) == list(firm)
    assert too_close(replace(of_lachman, made_of={"firm": frozenset({"pivot_shift"})}), shown(FIRST)) == []


def test_a_table_of_nearly_the_same_people_is_left_out_of_the_same_records() -> None:
    results = results_from(tallies_of(lachman({ALL: (58, 30, 25, 88)})))
    made = make(results, earlier=[shown(FIRST, "a" * 64)])
    assert made.release.counts.is_empty()
    assert made.release.log.filter(table="counts")["why"].to_list() == [CLOSE]
    check(made, results, [shown(FIRST, "a" * 64)])


@pytest.mark.parametrize("added", [1, 5, 10])
def test_a_release_of_changed_records_is_refused_whole(added: int) -> None:
    tables = lachman({ALL: (60 + added, 30, 25, 90)}) | {("pcl_tear", "posterior_sag", *ALL): (20, 19, 15, 99)}
    results = results_from(tallies_of(tables), registry="b" * 64)
    made = make(results, earlier=[shown(FIRST, "a" * 64)])
    assert made.release.counts.height == 2  # what is chosen does not depend on the difference
    with pytest.raises(DisclosureError, match="the records changed since an earlier release"):
        check(made, results, [shown(FIRST, "a" * 64)])


def test_a_release_after_eleven_in_every_count_goes_out() -> None:
    results = results_from(tallies_of(lachman({ALL: GROWN})), registry="b" * 64)
    check(make(results, earlier=[shown(FIRST, "a" * 64)]), results, [shown(FIRST, "a" * 64)])


def test_of_a_groups_own_catalogue_only_the_hash_goes_out(tmp_path: Path) -> None:
    (tmp_path / "ours.yaml").write_text("extends: knee\ntitle: Words of our own\n", encoding="utf-8")
    own = Kept.of(load_local(tmp_path / "ours.yaml"))
    results = results_from(tallies_of(lachman(SEXES)))
    kept = {"joint": own.joint, "hash": own.hash, "local": own.local}
    made = make(Results(results.tables, replace(results.provenance, catalogue=kept))).release
    assert made.about["catalogue"] == {"joint": "knee", "hash": own.hash}
    assert all(
        "Words of our own" not in path.read_text(encoding="utf-8") for path in made.write(tmp_path / "out").iterdir()
    )
