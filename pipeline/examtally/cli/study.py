"""The study kit: a question from its protocol over the plan and the lock to its results."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated

import typer

from examtally.cli import output, output_study
from examtally.cli.options import (
    ApprovedBy,
    Because,
    Catalogue,
    Earlier,
    Format,
    Joint,
    Json,
    Memory,
    Operator,
    Registry,
    Source,
    Wait,
    approval_of,
    lock_wait,
)
from examtally.cli.report import formats
from examtally.cli.stopping import entries_and, files_at, tell, whole_at
from examtally.errors import RegistryError, RegistryLocked

app = typer.Typer(
    no_args_is_help=True,
    help="A study: write its protocol, check it, plan its size, lock it, run it. In this order.",
)

Protocol = Annotated[Path, typer.Argument(help="The study protocol, a YAML file.", show_default=False)]
StudyResults = Annotated[
    Path, typer.Option("--results", help="Results folder that `study run` wrote.", show_default=False)
]


@app.command()
def new(
    out: Annotated[Path, typer.Option("--out", help="Protocol to write; a new file.")] = Path("study.yaml"),
    code: Annotated[
        str | None, typer.Option("--code", help="Short code: small letters, digits, _.", show_default=False)
    ] = None,
    title: Annotated[str | None, typer.Option("--title", help="Title of the paper.", show_default=False)] = None,
    question: Annotated[
        str | None, typer.Option("--question", help="The question in one sentence.", show_default=False)
    ] = None,
    hypothesis: Annotated[
        str | None, typer.Option("--hypothesis", help="What you expect, in which direction.", show_default=False)
    ] = None,
    kind: Annotated[
        str | None, typer.Option("--kind", help="accuracy, paired, by_group, agreement, change.", show_default=False)
    ] = None,
    tests: Annotated[
        str | None, typer.Option("--tests", help="Maneuvers, parted by commas.", show_default=False)
    ] = None,
    condition: Annotated[
        str | None, typer.Option("--condition", help="Target condition; not for agreement.", show_default=False)
    ] = None,
    group_by: Annotated[
        str | None, typer.Option("--group-by", help="Groups to compare, for by_group.", show_default=False)
    ] = None,
    groups: Annotated[
        str | None, typer.Option("--groups", help="The two groups, parted by a comma.", show_default=False)
    ] = None,
    since: Annotated[
        str | None, typer.Option("--since", help="First period after the intervention.", show_default=False)
    ] = None,
    measure: Annotated[
        str | None, typer.Option("--measure", help="sensitivity, specificity or both.", show_default=False)
    ] = None,
    expected: Annotated[
        str | None,
        typer.Option(
            "--expected",
            help="One share for all tests, as 0.85; two for both measures and for agreement.",
            show_default=False,
        ),
    ] = None,
    smallest: Annotated[
        str | None, typer.Option("--smallest", help="Smallest difference that matters.", show_default=False)
    ] = None,
    purpose: Annotated[
        str | None,
        typer.Option("--purpose", help="research, quality_improvement or teaching.", show_default=False),
    ] = None,
    examiner: Annotated[
        str | None, typer.Option("--examiner", help="known_excluded or any.", show_default=False)
    ] = None,
    reader: Annotated[str | None, typer.Option("--reader", help="any or blinded_only.", show_default=False)] = None,
    between_tests: Annotated[
        str | None, typer.Option("--between-tests", help="How two tests were kept apart.", show_default=False)
    ] = None,
    determination: Annotated[
        str | None,
        typer.Option("--determination", help="approved, exempt, not_research, pending.", show_default=False),
    ] = None,
    learners_covered: Annotated[
        str | None, typer.Option("--learners-covered", help="yes or no.", show_default=False)
    ] = None,
    data_use_agreement: Annotated[
        str | None,
        typer.Option("--data-use-agreement", help="in_force, not_needed, pending.", show_default=False),
    ] = None,
    joint: Joint = None,
    catalogue: Catalogue = None,
) -> None:
    """Ask a few questions and write a commented draft; every question is also an option, for scripts.

    "later" leaves a question open. What you typed is kept if you stop.
    """
    from examtally.cli.study_questions import asked, keeping
    from examtally.contracts.contract import contract_for
    from examtally.contracts.study.study import load_study
    from examtally.studies.checking import check_study
    from examtally.studies.drafting import check_new, write_draft

    check_new(out)
    given = {
        **{"kind": kind, "code": code, "title": title, "question": question, "hypothesis": hypothesis, "tests": tests},
        **{"condition": condition, "group_by": group_by, "groups": groups, "measure": measure, "expected": expected},
        **{"smallest": smallest, "since": since, "purpose": purpose, "examiner": examiner, "reader": reader},
        **{"between_tests": between_tests, "determination": determination, "learners_covered": learners_covered},
        **{"data_use_agreement": data_use_agreement},
    }
    own = None if catalogue is None else Path(os.path.relpath(catalogue, out.parent))
    with keeping(out) as kept:
        answers = asked(contract_for(joint, catalogue), given, own, kept)
        tell(files_at(out, kept.path))
        write_draft(answers, out)
    output_study.show_draft(out, check_study(load_study(out)))


@app.command()
def check(
    protocol: Protocol,
    registry: Annotated[
        Path | None,
        typer.Option(
            "--registry",
            help="Rehearse the study on this registry too, its answers dealt to other people.",
            show_default=False,
        ),
    ] = None,
    as_json: Json = False,
) -> None:
    """Say what is missing, in the words of a methods reviewer. Exit code 11 where a lock would be refused."""
    from examtally.contracts.study.study import load_study
    from examtally.registry import open_registry
    from examtally.studies.checking import check_study
    from examtally.studies.planning import readiness
    from examtally.studies.rehearsal import rehearse

    study = load_study(protocol)
    remarks = check_study(study)
    warnings: tuple[str, ...] = ()
    if registry is not None:
        with output.progress() as say, open_registry(registry) as opened:
            rehearse(study, opened, say)
            warnings = readiness(study, opened)
    following = output_study.after_check(study, remarks, protocol, registry)
    output_study.show_check(study, remarks, warnings, following, as_json=as_json)
    if any(one.must for one in remarks):
        raise typer.Exit(11)


@app.command()
def plan(
    protocol: Protocol,
    registry: Registry,
    out: Annotated[Path, typer.Option("--out", help="Folder to write the plan to.", show_default=False)],
    wait: Wait = 0,
) -> None:
    """Compute the size and the time it takes from the registry's own rates, blind to the results of the tests."""
    from examtally.registry import open_registry
    from examtally.studies.planning import plan as make_plan

    tell(files_at(out))
    with open_registry(registry, lock_wait=lock_wait(wait)) as opened:
        made = make_plan(protocol, opened)
    output_study.show_plan(made, protocol, registry, made.write(out))


@app.command()
def lock(protocol: Protocol, registry: Registry, operator: Operator = None, wait: Wait = 0) -> None:
    """Fix the protocol before the results are seen: its hash goes to the registry's log, the lock beside the file."""
    from examtally.contracts.study.study import load_study
    from examtally.registry import open_registry
    from examtally.registry.audit_log import entries
    from examtally.studies.history import deviations
    from examtally.studies.lock_status import ASKED_BEFORE
    from examtally.studies.lockfile import lock_path
    from examtally.studies.locking import lock as make_lock
    from examtally.studies.planning import readiness

    with output.progress(entries_and(registry, files_at(lock_path(protocol)))) as say:
        made = make_lock(protocol, registry, operator=operator, lock_wait=lock_wait(wait), progress=say)
        study = load_study(protocol)
        with open_registry(registry, lock_wait=lock_wait(wait)) as opened:
            known = deviations(study, [made], entries(opened.con))
            before = [f"Not before the question was asked: {one.says}." for one in known if one.key == ASKED_BEFORE]
            warnings = (*before, *readiness(study, opened))
    output_study.show_lock(made, lock_path(protocol), warnings)
    output_study.say_next(f"examtally study run {protocol} --registry {registry} --out results")


@app.command()
def amend(
    protocol: Protocol,
    registry: Registry,
    reason: Annotated[str, typer.Option("--reason", help="Why the protocol was changed.", show_default=False)],
    operator: Operator = None,
    wait: Wait = 0,
) -> None:
    """Record that a locked protocol was changed, and why. What was not in the lock stays exploratory."""
    from examtally.studies.lockfile import lock_path
    from examtally.studies.locking import amend as make_amendment

    with output.progress(entries_and(registry, files_at(lock_path(protocol)))) as say:
        made = make_amendment(protocol, registry, reason, operator=operator, lock_wait=lock_wait(wait), progress=say)
    output_study.show_lock(made, lock_path(protocol), ())
    output_study.say_next(f"examtally study run {protocol} --registry {registry} --out results")


@app.command()
def run(
    protocol: Protocol,
    registry: Registry,
    out: Annotated[Path, typer.Option("--out", help="Results folder to write.", show_default=False)],
    exploratory: Annotated[
        bool, typer.Option("--exploratory", help="Run a protocol that differs from its lock; all of it exploratory.")
    ] = False,
    wait: Wait = 0,
    memory: Memory = None,  # noqa: ARG001  (its callback takes it)
    as_json: Json = False,
) -> None:
    """Run the analyses as declared, no more, and write the results folder of the study."""
    from examtally.contracts.study.study import load_study
    from examtally.registry import open_registry
    from examtally.studies import run as run_study
    from examtally.studies.history import note_run
    from examtally.studies.lockfile import lock_path

    study = load_study(protocol)
    tell(entries_and(registry, files_at(out)))
    try:
        note_run(study, registry, lock_wait=lock_wait(wait))
    except RegistryLocked:
        raise
    except RegistryError as fault:
        output.complain(f"The run is not noted in the registry's log: {fault}")
    with output.progress() as say, open_registry(registry, lock_wait=lock_wait(wait)) as opened:
        made = run_study(study, opened, lock=lock_path(protocol), exploratory=exploratory, progress=say)
        written = made.write(out)
    output_study.show_run(made, written, as_json=as_json)


@app.command()
def report(
    results: StudyResults,
    out: Annotated[Path, typer.Option("--out", help="Folder to write the manuscript to.", show_default=False)],
    form: Format = "html",
    csl: Annotated[
        Path | None, typer.Option("--csl", help="Citation style of the journal, a CSL file.", show_default=False)
    ] = None,
    for_review: Annotated[
        bool, typer.Option("--for-review", help="Word document with numbered lines and double spacing.")
    ] = False,
    source: Source = None,
) -> None:
    """Write the draft of the paper: methods, flow diagram, tables, figures, checklist; gaps are the author's."""
    from examtally.reporting.manuscript.paper import render_study

    chosen = formats(form, "html", "docx", "pdf")
    with output.progress(files_at(out)) as say:
        made = render_study(results, out, formats=chosen, source=source, style=csl, for_review=for_review, progress=say)
    output.show_files(made)
    output_study.say_next(f"examtally study bundle --results {results} --registry REGISTRY --out bundle")


@app.command()
def bundle(
    results: StudyResults,
    registry: Registry,
    out: Annotated[Path, typer.Option("--out", help="Folder of the bundle; not there yet.", show_default=False)],
    earlier: Earlier = None,
    approved_by: ApprovedBy = None,
    because: Because = None,
    operator: Operator = None,
    wait: Wait = 0,
) -> None:
    """Make a Data Package: released aggregates, protocol, lock, versions and a script that repeats the numbers.

    Only tables without small counts go out; the log of what was left out stands beside the bundle and stays inside.
    """
    from examtally.studies import write_bundle

    approval = approval_of(approved_by, because)
    with output.progress(entries_and(registry, whole_at(out))) as say:
        made = write_bundle(
            results,
            out,
            registry=registry,
            earlier=earlier or (),
            approval=approval,
            operator=operator,
            lock_wait=lock_wait(wait),
            progress=say,
        )
    output_study.show_bundle(made, registry)


@app.command()
def reproduce(
    folder: Annotated[Path, typer.Argument(help="The bundle.", metavar="BUNDLE", show_default=False)],
    registry: Registry,
    wait: Wait = 0,
) -> None:
    """Run a bundle again and compare: which figures differ, and which withdrawal or batch since then explains it.

    Exit code 1 where a figure differs. For the group alone: a changed count can speak of one person.
    """
    from examtally.studies import reproduce as run_again

    with output.progress() as say:
        found = run_again(folder, registry, lock_wait=lock_wait(wait), progress=say)
    print(found.text())
    if not found.is_same:
        raise typer.Exit(1)
