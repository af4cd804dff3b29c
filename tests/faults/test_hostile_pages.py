"""Hostile texts in the words of a place, a committee's decisions and an intervention, on the pages of teaching,
decisions, change, learners and several groups, opened in a browser with a server that listens."""

from __future__ import annotations

import shutil
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import polars as pl
import pytest
import yaml
from browsing import DESK, chromium, open_file
from hostile import hostile, listening
from report_clinic import shared_results

from examtally.contracts.contract import load_contract
from examtally.contracts.protocol.interventions import load_interventions
from examtally.contracts.protocol.protocol import load_protocol
from examtally.contracts.protocol.teaching import Blueprint
from examtally.contracts.results import conform, empty, result_tables
from examtally.disclosure.teaching import Case, TeachingSet
from examtally.errors import ProtocolError
from examtally.reporting import render_actions
from examtally.reporting.change_page import render_change
from examtally.reporting.reports import render_network
from examtally.reporting.supervisor_page import render_supervisor
from examtally.reporting.teaching import teaching_content
from examtally.resources import reports_from, resource
from examtally.results import Results, read_results
from examtally.results.pooled import pooled_results
from examtally.results.teaching import TeachingSource
from examtally.workbook.exam_form import form_page, offline_page, write_page

CONTRACT = load_contract()
PLACES = ("group", "tag", "internal", "caution")
SHOWN_BY = {  # the words of the place that each page shows
    "actions": ("group", "tag", "internal", "caution"),
    "change": ("group", "tag", "internal", "caution"),
    "supervisor": ("tag", "internal", "caution"),
    "network": ("caution",),
    "teaching": ("group", "caution"),
    "form": (),
}
TITLE = "a workshop; with (1 + 1) signs = 'quoted', \"twice\", and 100%"
INTERVENTION = {
    "code": "one",
    "title": TITLE,
    "kind": "teaching",
    "period": "P009",
    "should_change": [{"condition": "acl_tear", "maneuver": "lachman", "measure": "sensitivity"}],
}


def _letters(text: str) -> str:
    return "".join(text.split()).translate(str.maketrans("‘’“”", "''\"\"")).replace("…", "...")


def _decisions(folder: Path, texts: tuple[str, ...]) -> Path:
    rest = {"indicator": "core_complete", "rule": "smoothed_limit", "owner": "lead physician", "opened": "P009"}
    actions = [{"id": f"A-{n}", "decision": text, "outcome": text} | rest for n, text in enumerate(texts, 1)]
    path = folder / "actions.yaml"
    path.write_text(yaml.safe_dump({"actions": actions}), encoding="utf-8")
    return path


def _groups(folder: Path) -> Path:
    """Results of six groups with one maneuver each."""
    schema = result_tables()["site_summaries"].schema
    row = {name: 0.001 for name, kind in schema.items() if kind.is_numeric()} | {"condition": "acl_tear"}
    row |= {"maneuver": "lachman", "logit_sensitivity": 1.4, "logit_specificity": 2.0}
    row |= {"var_sensitivity": 0.06, "var_specificity": 0.03, "covariance": 0.0, "tp": 60, "fp": 30, "fn": 25, "tn": 90}
    made = {name: value for name, value in row.items() if name in schema}
    rows = pl.DataFrame([made | {"site_code": f"S-{n}"} for n in range(6)], schema_overrides=schema)
    protocol = load_protocol(None, CONTRACT).to_dict()
    return pooled_results(conform("site_summaries", rows), protocol, {f"S-{n}": "0" * 64 for n in range(6)}).write(
        folder / "pooled"
    )


def _teaching(folder: Path) -> Path:
    context = (("age_band", "16_25"), ("acuity", "acute"))
    cases = tuple(
        Case("acl_tear", context, (("lachman", found),), found == "positive", by_surgery=True)
        for found in ("positive", "negative") * 2
    )
    source = TeachingSource({}, {}, empty("leading"), empty("tallies"))
    content = teaching_content(TeachingSet(cases, {}, {}), source, Blueprint(), CONTRACT)
    return write_page(folder / "teaching.html", offline_page("teaching", "Cases to learn from", content))


def _pages(together: Path, folder: Path, texts: tuple[str, ...]) -> Mapping[str, Path]:
    found = read_results(shared_results(together))
    protocol = load_protocol({**found.provenance.protocol, "interventions": [INTERVENTION]}, CONTRACT)
    tables = {name: empty(name) for name in ("changes", "change_context", "drift", "drift_events")}
    results = Results(
        {**found.tables, **tables},
        replace(found.provenance, protocol=protocol.to_dict(), protocol_hash=protocol.hash),
    ).write(folder / "results")
    out = folder / "out"
    pages = {
        "actions": render_actions(results, out, actions=_decisions(folder, texts))[0],
        "change": render_change(results, out)[0],
        "supervisor": render_supervisor(results, out)[0],
        "network": render_network(_groups(folder), out)[0],
    }
    return {**pages, "teaching": _teaching(out), "form": write_page(out / "form.html", form_page(CONTRACT))}


@pytest.mark.study
@pytest.mark.parametrize("turn", range(2))
def test_on_every_page_they_stand_as_words(together: Path, tmp_path: Path, turn: int) -> None:
    with listening() as (here, asked):
        texts = hostile(here)[turn::2]
        said = {name: " ; ".join(texts[place::4]) for place, name in enumerate(PLACES)}
        reports = tmp_path / "reports"
        shutil.copytree(resource("reports"), reports)
        (reports / "local.yaml").write_text(yaml.safe_dump(said), encoding="utf-8")
        with reports_from(reports):
            pages = _pages(together, tmp_path, texts)
        with chromium() as browser:
            for name, path in pages.items():
                opened = open_file(browser, path, DESK)
                opened.page.wait_for_timeout(300)
                shown, title = _letters(opened.page.inner_text("body")), opened.page.title()
                opened.page.close()
                wanted = [said[place] for place in SHOWN_BY[name]] + [*texts] * (name == "actions")
                assert [text for text in wanted if _letters(text) not in shown] == [], name
                assert name != "change" or _letters(TITLE[1:]) in shown
                assert "root:x" not in shown
                assert title not in ("ran", "1")
                assert [url for url in opened.asked if not url.startswith(("file:", "data:"))] == []
                assert (asked, opened.said) == ([], []), name


@pytest.mark.parametrize("text", hostile()[:6])
def test_a_title_of_an_intervention_holds_no_markup(text: str, tmp_path: Path) -> None:
    path = tmp_path / "interventions.yaml"
    path.write_text(yaml.safe_dump({"interventions": [{**INTERVENTION, "title": text}]}), encoding="utf-8")
    with pytest.raises(ProtocolError, match="title") as fault:
        load_interventions(path, CONTRACT)
    assert text not in str(fault.value)
