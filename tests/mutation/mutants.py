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
        "disclosure/teaching.py",
        "tests/unit/disclosure/test_teaching.py",
        ('pl.col("people") >= FEWEST', 'pl.col("people") >= 1'),
        (', pl.col("some_with"), pl.col("some_without")', ""),
        ("abs(people - known[code]) < FEWEST", "abs(people - known[code]) < 1"),
        ('== (now["records"], now["protocol"])', '!= (now["records"], now["protocol"])'),
    ),
    *_of(
        "reporting/teaching.py",
        "tests/unit/reporting/test_teaching.py",
        ("if row in shown and table.may_be_corrected", "if row in shown"),
        ("if row in shown and table.may_be_corrected", "if table.may_be_corrected"),
    ),
    *_of(
        "registry/scratch.py",
        "tests/unit/registry/test_registry.py",
        ("    finally:\n        for descriptor in held:", "    except ValueError:\n        for descriptor in held:"),
    ),
    *_of(
        "analytics/change/changes.py",
        "tests/unit/analytics/change/test_changes.py",
        ("mixed = np.column_stack([x, knees.case_mix])", "mixed = np.column_stack([x, 0 * knees.case_mix])"),
        ("    if low > 0 or high < 0:\n", "    if True:\n"),
    ),
    *_of(
        "ingestion/storing/settling.py",
        "tests/unit/ingestion/test_settling.py",
        ('return f"coalesce({sent} <> {kept}, false)"', 'return "false"'),
        ("{kept} + 1 + coalesce(span, 0)", "{kept} + 90 + coalesce(span, 0)"),
        ("{kept} - 1 - coalesce(back, 0)", "{kept} - 1"),
        ('return f"({self._sent} is not null and {self._kept} is null)"', 'return "false"'),
        ("may = self.amendment.with_blanks and", "may ="),
    ),
    *_of(
        "ingestion/mapping/fhir_text.py",
        "tests/unit/ingestion/test_fhir.py",
        ("arg_max(line, age)", "max(line)"),
        ('"without an id that FHIR allows": "not is_id",', ""),
    ),
    *_of(
        "ingestion/checking/forms.py",
        "tests/unit/ingestion/test_forms.py",
        ("having count(*) >= {ALIKE} and ", "having "),
        (" and {_SHARE} * count(*) >= (select count(*) from codes)", ""),
        ("not (is_stored or {passes} or is_formed)", "not ({passes} or is_formed)"),
        ("not (is_stored or {passes} or is_formed)", "not (is_stored or is_formed)"),
        ("and regexp_full_match(code, '[A-Z]{{1,4}}-?[0-9]+')", ""),
        ("if not is_code or shape is not None:", "if not is_code:"),
        ("beginning in (from persons) and ", ""),
    ),
    *_of(
        "deidentification/undeclared.py",
        "tests/unit/deidentification/test_undeclared.py",
        ('_JUDGED = ("enum", "type", "pattern", "range")', '_JUDGED = ("type", "pattern", "range")'),
        ('holds = " and ".join(self._holds', 'holds = " or ".join(self._holds'),
    ),
    *_of("registry/registry.py", "tests/unit/registry/test_links.py", ("    if names > 1:", "    if names > 9:")),
    *_of(
        "disclosure/bounds.py",
        f"{_DISCLOSURE}/test_checker.py",
        ("integrality=np.ones(weights.size)", "integrality=np.zeros(weights.size)"),
    ),
    *_of(
        "disclosure/checker.py",
        f"{_DISCLOSURE}/test_checker.py",
        ("        *_small(now, approved),\n", ""),
        ("        *_by_groups(_joined(now, earlier), approved),\n", ""),
        ("_by_groups(_joined(now, earlier), approved)", "_by_groups(now, approved)"),
        ("    if now.records == before.records and _is_as_it_was(now", "    if _is_as_it_was(now"),
        ("        *(sentence for before in earlier for sentence in _by_time(now, before)),\n", ""),
        (
            "        *_by_conditions([now, *(before for before in earlier if before.records == now.records)], "
            "parts),\n",
            "",
        ),
        ("        *_by_pairs(release, approved),\n", ""),
        ("        *_without_counts(release),\n", ""),
        ("        *_persons(release),\n", ""),
        ("        if any(cells[cell] == 0 for cell in CELLS):", "        if False:"),
        ("_HALF = 0.005 + 1e-9", "_HALF = 0.0025 + 1e-9"),
    ),
    *_of(
        "disclosure/figures.py",
        f"{_DISCLOSURE}/test_figures.py",
        ('neither, "only_a", "only_b") - again >= FEWEST', 'neither, "only_a", "only_b") >= 0'),
        ("pl.all_horizontal(part >= FEWEST for part in people)", "pl.all_horizontal(part >= 0 for part in people)"),
        ('pl.col("examiners") >= _FEWEST_EXAMINERS', 'pl.col("examiners") >= 0'),
        ("_FEWEST_EXAMINERS = 5", "_FEWEST_EXAMINERS = 2"),
        ("part.round(0) - again, part", "part.round(0), part"),
    ),
    *_of(
        "disclosure/ledger.py",
        f"{_DISCLOSURE}/test_release.py",
        (
            "    if now.records == before.records and mine == theirs:\n        return False\n",
            "    if mine == theirs:\n        return False\n",
        ),
        ("abs(mine[cell] - theirs[cell]) - again < FEWEST", "abs(mine[cell] - theirs[cell]) < FEWEST"),
        ("return any(abs(mine", "return all(abs(mine"),
        ('            found.append(Row(whole.condition, whole.maneuver, group_by, "others"))', "            pass"),
        (
            "    return is_same_group and bool(now.maneuvers(row.maneuver) & before.maneuvers(other.maneuver))",
            "    return is_same_group and row.maneuver == other.maneuver",
        ),
    ),
    *_of(
        "disclosure/publishing.py",
        "tests/attacks/test_attacks.py::test_a_release_made_anywhere_counts",
        ("        if any(one.action == RELEASE for one in between):", "        if False:"),
        ("    known = [*entered(log), *earlier]", "    known = [*earlier]"),
    ),
    *_of(
        "disclosure/publishing.py",
        "tests/unit/reporting/test_release.py::test_results_of_other_records_are_refused",
        (
            "    if results.provenance.registry not in {records, *(before.records for before in known)}:",
            "    if False:",
        ),
    ),
    *_of(
        "disclosure/release.py",
        f"{_DISCLOSURE}/test_release.py",
        ('never = {"overall", *personal_groups(), *_NEVER}', 'never = {"overall"}'),
        ("    chosen = chosen.without(close, CLOSE)\n", ""),
        ("if any(too_close(made.shown, before) for before in changed):", "if False:"),
        ("    known = [before for before in earlier if before.records == records]", "    known = list(earlier)"),
        ("FEWEST_EXAMINERS = 3", "FEWEST_EXAMINERS = 2"),
    ),
    *_of(
        "disclosure/selection.py",
        f"{_DISCLOSURE}/test_release.py",
        ("    if any(table.people(cell) < FEWEST for cell in CELLS):\n        return SMALL\n", ""),
        (" or 0 in table.knees.values():", ":"),
        (
            "    if any(_MOST_OF_ONE * table.of_one(cell) > table.knees[cell] for cell in CELLS):\n        "
            "return DOMINANT\n",
            "",
        ),
        ("not _others_are_safe(whole, groups, reasons, rules)", "False"),
        ("    if len(groups) - len(reasons) < _FEWEST_GROUPS:", "    if False:"),
        ("own is None and (row.group_by, row.group) in rules.few_examiners", "False"),
        (" and not has_few", ""),
        ("    if any(other.condition != row.condition for other in beside):\n        return LINKED\n", ""),
        ("    if any(row.condition not in conditions for conditions in before):\n        return LINKED\n", ""),
        (
            "    return NEAR if any(_is_near(tables[row], tables[other]) for other in beside) else None",
            "    return None",
        ),
        ("self.tables[row].may_be_corrected", "True"),
        ("table.participants >= FEWEST_APPROVED\n        and ", ""),
        ("        and all(table.knees[cell] > 0 for cell in CELLS)\n", ""),
        ("        and min(table.present, table.absent) >= FEWEST\n", ""),
        ("dict.fromkeys(groups, WHOLE_ONLY) if whole in approved else ", ""),
        ("            own = EXAMINERS\n", "            pass\n"),
        ("_MOST_OF_ONE = 5", "_MOST_OF_ONE = 3"),
        ("_FEWEST_GROUPS = 2", "_FEWEST_GROUPS = 1"),
        ("FEWEST_APPROVED = 50", "FEWEST_APPROVED = 40"),
        ("        return LINKED\n    beside", "        return None\n    beside"),
        ("- again < FEWEST for cell", "- again < 0 for cell"),
    ),
    *_of(
        "disclosure/site_summary.py",
        f"{_DISCLOSURE}/test_site_summary.py",
        ("    rows = rows.join(pairs", "    rows.join(pairs"),
        ('ready.made.release.counts.filter(group_by="overall")', 'results.tallies.filter(group_by="overall")'),
        ('float(f"{error:.1e}")', 'float(f"{error:.3e}")'),
        ("logit(row[one])), 2)", "logit(row[one])), 4)"),
        ("round(spread[2] / (errors[0] * errors[1]), 1)", "spread[2] / (errors[0] * errors[1])"),
    ),
    *_of(
        "disclosure/site_summary.py",
        "tests/attacks/test_attacks.py::test_the_attacker_finds_what_a_summary_of_more_digits_gives_away",
        ('float(f"{error:.1e}")', "error"),
    ),
    *_of(
        "files.py",
        "tests/unit/test_files.py",
        ("            part.unlink(missing_ok=True)", "            pass"),
        ("        if is_new and path.exists():", "        if False:"),
        ("        if before.exists() and not target.exists():", "        if False:"),
    ),
    *_of(
        "registry/table_set.py",
        "tests/unit/registry/test_table_set.py",
        ("    if not is_there:", "    if False:"),
        ("                if _fingerprints(con, contract, fresh, columns) != held:", "                if False:"),
    ),
    *_of(
        "files.py",
        "tests/faults/test_killed_tables.py",
        ("    return not out.exists() and (", "    return False and ("),
        ("            shutil.rmtree(left, ignore_errors=True)", "            pass"),
    ),
    *_of(
        "ingestion/checking/intake.py",
        "tests/unit/ingestion/test_intake.py::test_the_second_engine_is_loaded_without_what_our_expectations_never_use",
        ("    is_kept_out = _NEVER not in sys.modules", "    is_kept_out = False"),
    ),
    *_of(
        "studies/lockfile.py",
        "tests/faults/test_interrupts.py::test_a_lock_that_only_the_log_holds_is_written_by_the_next_lock",
        ('{**said, **asked, "place": len(locked) + 1} == said', "entry.action == kind"),
        ('{**said, **asked, "place": len(locked) + 1} == said', "False"),
    ),
    *_of(
        "disclosure/tables.py",
        f"{_DISCLOSURE}/test_release.py",
        ("self.knees[cell] - self.again[cell] // 2)", "self.knees[cell])"),
        ("FEWEST = 11\n", "FEWEST = 10\n"),
    ),
    *_of(
        "reporting/audit/verification.py",
        f"{_AUDIT}/test_verification.py",
        ("(difference > _CLEAR) - (difference < -_CLEAR)", "(difference < -_CLEAR) - (difference > _CLEAR)"),
    ),
    *_of(
        "reporting/audit/leading.py",
        f"{_AUDIT}/test_leading.py",
        ('("out", down == "rules_out")', '("out", down == "helps")'),
        ('if "helps" in (up, down)', 'if "too_early" in (up, down)'),
        ('if "weak" in (up, down)', 'if "too_early" in (up, down)'),
        ('row["basis"] == "withheld"', "False"),
    ),
    *_of(
        "reporting/audit/before_after_figure.py",
        f"{_AUDIT}/test_leading.py",
        ("if codes & found", "if codes"),
    ),
    *_of(
        "reporting/audit/next_steps.py",
        f"{_AUDIT}/test_leading.py",
        ("POOR_AGREEMENT = 0.6", "POOR_AGREEMENT = 0.9"),
        (' or any(lead.row["verdict_negative"] == "rules_out" for lead in shown)', ""),
        ("for code, each in shown.items() if not each]", "for code, each in shown.items() if False]"),
        ('pl.col("participants") >= audit.min_participants,', 'pl.col("participants") >= 0,'),
    ),
    *_of(
        "analytics/bias_adjusted/sampler.py",
        "tests/unit/analytics/bias_adjusted/test_surrogate.py",
        ("        chance = np.exp(np.minimum(0.0, left_out - self._left_out))\n", "        chance = np.ones(CHAINS)\n"),
    ),
    *_of(
        "analytics/bias_adjusted/sampler.py",
        "tests/unit/analytics/bias_adjusted/test_sampler.py",
        ("is_lost = density < np.median", "is_lost = density + np.inf < np.median"),
        ("        super().warm_up()\n        self._gather()\n", "        super().warm_up()\n"),
        ("                break\n        self._gather()\n", "                break\n"),
        (
            "            self.advance(adapting=True)\n        self._gather()\n",
            "            self.advance(adapting=True)\n",
        ),
        ("    _rounds = 5\n", "    _rounds = 1\n"),
        ("return self._step > _FAIR", "return True"),
        ("            if is_at_ease:\n", "            if not is_at_ease:\n"),
        ("if self._draws % _OF_ALL == 0:", "if self._draws % _OF_ALL == _OF_ALL:"),
    ),
    *_of(
        "analytics/calibration/resampling.py",
        "tests/unit/analytics/calibration/test_resampling.py",
        ("    cells += (apart.cells_of_others.T @ times.T).T\n", ""),
        ("others.by_value(outcomes)", "0 * others.by_value(outcomes)"),
    ),
    *_of(
        "analytics/bias_adjusted/leading.py",
        "tests/unit/analytics/bias_adjusted/test_leading.py",
        ("if near >= settles:", "if near > settles:"),
        ("if near > 1 and far", "if near >= 1 and far"),
        ("far <= TOO_WIDE * near", "far <= 4 * near"),
        ("    if near is None:\n        return None\n", ""),
    ),
    *_of(
        "reporting/condition_page/comparisons.py",
        "tests/unit/reporting/condition_page/test_comparisons_and_grades.py",
        ('measure: str, adjustment: str = "bias_adjusted"', 'measure: str, adjustment: str = "none"'),
    ),
    *_of(
        "reporting/condition_page/ratios.py",
        "tests/unit/reporting/condition_page/test_card.py",
        ("row.sensitivity and row.specificity and not row.apart", "row.sensitivity and row.specificity"),
    ),
    *_of(
        "reporting/condition_page/graded.py",
        "tests/unit/reporting/condition_page/test_comparisons_and_grades.py",
        ("< audit.min_participants:", "< 0:"),
    ),
    *_of(
        "reporting/audit/learning.py",
        f"{_AUDIT}/test_learning.py",
        ('_UNJUDGED = ("too_few", "no_limit")', '_UNJUDGED = ("too_few",)'),
    ),
    *_of(
        "reporting/audit/next_steps.py",
        "tests/unit/reporting/test_actions_page.py",
        ("WIDE = 0.4", "WIDE = 0.5"),
        ("if item.periods_left and not item.is_withheld", "if item.periods_left"),
    ),
    *_of(
        "reporting/monthly/screen.py",
        "tests/unit/reporting/test_monthly.py",
        ("if not signals and not waiting:", "if not signals:"),
        ("_ENOUGH = 2", "_ENOUGH = 1"),
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
        "cohort/verification_frame.py",
        f"{_COHORT}/test_verification_frame.py",
        ("bit_or((1 + {code})::ubigint", "bit_or(({code})::ubigint"),
        ("filter (word = {word}) as", "filter (word >= 0) as"),
    ),
    *_of(
        "analytics/agreement/jackknife.py",
        "tests/unit/analytics/agreement/test_jackknife.py",
        ("spread = totals(counted * (", "spread = totals(("),
        ("clusters = totals(times, group", "clusters = totals(np.ones(times.size), group"),
    ),
    *_of(
        "analytics/agreement/statistics.py",
        "tests/unit/analytics/agreement",
        ("np.repeat(size > 1, size)", "np.repeat(size > 99, size)"),
        ("totals(times * n, group", "totals(n, group"),
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
        "analytics/diagnostic_accuracy/two_by_two.py",
        "tests/unit/analytics/diagnostic_accuracy/test_clustering.py",
        ("fewer = np.where(examiners < participants, examiners, participants)", "fewer = examiners"),
    ),
    *_of(
        "ingestion/checking/days.py",
        "tests/unit/ingestion/test_batchwide.py",
        ("BIRTHDAY_SHARE = 0.8", "BIRTHDAY_SHARE = 0.95"),
    ),
    *_of(
        "contracts/protocol/models.py",
        f"{_COHORT}/test_monitoring.py",
        ("likely: Share = 0.5", "likely: Share = 0.3"),
    ),
    *_of(
        "analytics/diagnostic_accuracy/notes.py",
        "tests/unit/analytics/diagnostic_accuracy",
        ("_FEW_EXAMINERS = 5", "_FEW_EXAMINERS = 2"),
        ("remarks[0].flag if remarks", "remarks[-1].flag if remarks"),
    ),
    *_of(
        "analytics/learning_curves/tables.py",
        "tests/unit/analytics/learning_curves/test_tables.py",
        (".forward_fill().over(_LEARNER)", ".forward_fill()"),
    ),
    *_of(
        "analytics/verification_bias/terms.py",
        "tests/unit/analytics/verification_bias/test_parts.py",
        ("met[place] >= _FEWEST or words[place] in kept", "met[place] >= _FEWEST"),
        ("np.lexsort((np.arange(met.size), -met))", "np.arange(met.size)"),
    ),
    *_of(
        "analytics/comparison/paired.py",
        "tests/unit/analytics/comparison/test_paired.py",
        ("tests[place.ravel(), column]", "tests[place.ravel()[::-1], column]"),
    ),
    *_of(
        "results/analysis.py",
        "tests/unit/results/test_analysis.py",
        ("if len(marked) else texts", "if not len(marked) else texts"),
        ("    with one_thread():\n", "    if True:\n"),
    ),
    *_of(
        "disclosure/figures.py",
        _DISCLOSURE,
        ('adjustment="pooled_bias_adjusted"', 'adjustment="pooled"'),
    ),
    *_of(
        "analytics/logistic.py",
        "tests/unit/analytics/verification_bias/test_parts.py",
        (" and 0 < w[some] @ y[some] < w[some].sum()", ""),
    ),
    *_of(
        "analytics/verification_bias/models.py",
        "tests/unit/analytics/verification_bias/test_parts.py",
        ("weight = 1.0 / chance", "weight = 1.0 * chance"),
    ),
    *_of(
        "analytics/bias_adjusted/sampler.py",
        "tests/unit/analytics/bias_adjusted/test_sampler.py",
        ("0.5 * step * (self._root.T @ gradient)", "step * (self._root.T @ gradient)"),
        ("left_out - self._left_out)", "left_out)"),
        ("self._left_out = of_all - self._told", "pass"),
    ),
    *_of(
        "analytics/bias_adjusted/leading.py",
        "tests/unit/analytics/bias_adjusted/test_leading.py",
        ("np.minimum(known.var(axis=1) / before, 1.0)", "np.ones(known.shape[0])"),
        ("with_it, right = 1 - with_it, ~right", "with_it, right = 1 + with_it, ~right"),
    ),
    *_of(
        "analytics/comparison/group_methods.py",
        "tests/unit/analytics/comparison/test_few_examiners.py",
        (
            'positive[counted] == (pair.measure == "sensitivity")',
            'positive[counted] != (pair.measure == "sensitivity")',
        ),
    ),
    *_of(
        "analytics/bias_adjusted/tipping.py",
        "tests/unit/analytics/bias_adjusted/test_leading.py",
        ("else figure <= threshold", "else figure > threshold"),
    ),
    *_of(
        "analytics/bias_adjusted/figures.py",
        "tests/unit/analytics/bias_adjusted/test_leading.py",
        ("ppv, npv = tp / (tp + fp), tn / (fn + tn)", "ppv, npv = tp * (tp + fp), tn / (fn + tn)"),
    ),
    *_of(
        "analytics/examiner_effects/standardised.py",
        "tests/unit/analytics/examiner_effects/test_pooling.py",
        ("p = expit(logit(share)[code] + ease)", "p = expit(logit(share)[code] - ease)"),
    ),
    *_of(
        "analytics/imperfect_reference/local_reference.py",
        "tests/unit/results/steps/test_imperfect_reference.py",
        ("(tp, tp + fn), ", "(tp, tp - fn), "),
    ),
)
