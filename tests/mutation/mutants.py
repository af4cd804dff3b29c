"""The deliberate breakages: a text of the package, what it is broken into, and the tests that must notice."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Mutant:
    """`old` stands once in `file` (below the package) and becomes `new`; `tests` are arguments of pytest."""

    file: str
    old: str
    new: str
    tests: str


def _of(file: str, tests: str, *broken: tuple[str, str]) -> list[Mutant]:
    return [Mutant(file, old, new, tests) for old, new in broken]


_DISCLOSURE = "tests/unit/disclosure"
_COHORT = "tests/unit/cohort"
_AUDIT = "tests/unit/reporting/audit"
_CHARTS = "tests/unit/analytics/control_charts/test_charts.py"

MUTANTS: tuple[Mutant, ...] = (
    *_of(
        "disclosure/selection.py",
        f"{_DISCLOSURE}/test_release.py",
        ("            own = EXAMINERS\n", "            pass\n"),
        ("_MOST_OF_ONE = 5", "_MOST_OF_ONE = 3"),
        ("_FEWEST_GROUPS = 2", "_FEWEST_GROUPS = 1"),
        ("FEWEST_APPROVED = 50", "FEWEST_APPROVED = 40"),
        ("or 0 in table.knees.values()", "or False"),
        ("unverified >= 2 * FEWEST", "unverified >= FEWEST"),
        ("not _others_are_safe(whole, groups, reasons, rules)", "False"),
        ("        return LINKED\n    beside", "        return None\n    beside"),
        ("- again < FEWEST for cell", "- again < 0 for cell"),
    ),
    *_of(
        "disclosure/tables.py",
        f"{_DISCLOSURE}/test_release.py",
        ("FEWEST = 11\n", "FEWEST = 10\n"),
        ("self.knees[cell] - self.again[cell] // 2", "self.knees[cell]"),
    ),
    *_of(
        "disclosure/release.py",
        f"{_DISCLOSURE}/test_release.py",
        ("FEWEST_EXAMINERS = 3", "FEWEST_EXAMINERS = 2"),
    ),
    *_of(
        "disclosure/figures.py",
        f"{_DISCLOSURE}/test_figures.py",
        ("_FEWEST_EXAMINERS = 5", "_FEWEST_EXAMINERS = 2"),
        ("part.round(0) - again, part", "part.round(0), part"),
    ),
    *_of(
        "disclosure/checker.py",
        f"{_DISCLOSURE}/test_checker.py",
        ("for before in earlier for sentence in _by_time", "for before in () for sentence in _by_time"),
        ("_HALF = 0.005 + 1e-9", "_HALF = 0.0005"),
        ("        *_by_pairs(release, approved),\n", ""),
        ("        *_persons(release),\n", ""),
        ("        if any(cells[cell] == 0 for cell in CELLS):", "        if False:"),
    ),
    *_of(
        "reporting/audit/leading.py",
        f"{_AUDIT}/test_leading.py",
        ('("out", down == "rules_out")', '("out", down == "helps")'),
        ('if "helps" in (up, down)', 'if "too_early" in (up, down)'),
        ("return up if up == down else", "return up if up else"),
        ('row["basis"] == "withheld"', "False"),
    ),
    *_of(
        "reporting/audit/next_steps.py",
        f"{_AUDIT}/test_leading.py",
        ("_POOR_AGREEMENT = 0.6", "_POOR_AGREEMENT = 0.9"),
        ('if lead.row["verdict_negative"] != "rules_out"]', 'if lead.row["verdict_negative"]]'),
        ('pl.col("participants") >= audit.min_participants,', 'pl.col("participants") >= 0,'),
    ),
    *_of(
        "reporting/audit/forest.py",
        f"{_AUDIT}/test_forest.py",
        ("left=low, height=0.36", "left=high, height=0.36"),
        ('if measure == "sensitivity" else self.published_specificity', "if True else self.published_specificity"),
    ),
    *_of(
        "reporting/audit/suspicion.py",
        f"{_AUDIT}/test_suspicion.py",
        ("BEFORE = 0.3", "BEFORE = 0.5"),
    ),
    *_of(
        "cohort/exams.py",
        f"{_COHORT}/test_eligibility.py",
        ("where r.reference_day < exam_day\n", "where r.reference_day <= exam_day\n"),
        ('"surgery_day < exam_day"', '"surgery_day > exam_day"'),
        ("order by exam_day, examiner_order nulls last", "order by exam_day desc, examiner_order nulls last"),
    ),
    *_of(
        "cohort/standard.py",
        f"{_COHORT}/test_standard.py",
        ("present_rank < absent_rank", "present_rank <= absent_rank"),
        ("between c.first_day and c.last_day as is_inside", ">= c.first_day as is_inside"),
        ("(s.is_blinded or not a.is_blinded)", "true"),
    ),
    *_of(
        "cohort/entered_after_reference.py",
        f"{_COHORT}/test_entered_after_reference.py",
        ("then -batch_no else batch_no", "then batch_no else batch_no"),
    ),
    *_of(
        "cohort/pairs.py",
        f"{_COHORT}/test_pairs.py",
        ("<= {protocol.agreement.max_days}", "< {protocol.agreement.max_days}"),
    ),
    *_of(
        "analytics/control_charts/funnel.py",
        _CHARTS,
        ("return phi if phi > 1 + 2 * np.sqrt(2 / z.size) else 1.0", "return phi"),
        ("np.clip(z, low, high) ** 2", "z**2"),
        ("(share > high) & is_rare", "(share > high)"),
    ),
    *_of(
        "analytics/calibration/tables.py",
        "tests/unit/analytics/calibration/test_tables.py",
        ("if n >= knees and", "if"),
        ("forecasts.participants < protocol.display.min_participants else None", "False else None"),
    ),
    *_of(
        "analytics/diagnostic_accuracy/notes.py",
        "tests/unit/analytics/diagnostic_accuracy",
        ("_FEW_EXAMINERS = 5", "_FEW_EXAMINERS = 2"),
    ),
)
