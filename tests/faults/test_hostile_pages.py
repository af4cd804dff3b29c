"""Hostile texts in the words of a place, a committee's decisions and an intervention, on every page that has them, as
HTML, DOCX and PDF, opened in a browser with a server that listens."""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import polars as pl
import pytest
import yaml
from browsing import DESK, chromium, open_file
from day_clinic import day_results
from hostile import hostile, letters, listening
from playwright.sync_api import Browser
from programs import POPPLER, typeset
from report_clinic import shared_results
from word_document import read_document
from writing_commands import write_pooled

from examtally.contracts.contract import load_contract
from examtally.contracts.protocol.interventions import load_interventions
from examtally.contracts.protocol.protocol import load_protocol
from examtally.contracts.protocol.teaching import Blueprint
from examtally.contracts.results import empty
from examtally.disclosure.teaching import Case, TeachingSet
from examtally.errors import ProtocolError
from examtally.reporting import render_actions, render_lead, render_monthly
from examtally.reporting.agreement_day import render_agreement_day
from examtally.reporting.change_page import render_change
from examtally.reporting.reports import render_network
from examtally.reporting.supervisor_page import render_supervisor
from examtally.reporting.teaching import teaching_content
from examtally.resources import reports_from, resource
from examtally.results import Results, read_results
from examtally.results.teaching import TeachingSource
from examtally.words import for_csv
from examtally.workbook.exam_form import form_page, offline_page, write_page

CONTRACT = load_contract()
Said = Mapping[str, Sequence[str]]
"""Texts by the place that holds them."""
PLACES = ("group", "tag", "internal", "caution")
SHOWN_BY = {  # the words of the place that each page shows
    "actions": ("group", "tag", "internal", "caution"),
    "monthly-P012": ("group", "tag", "internal", "caution"),
    "change": ("group", "tag", "internal", "caution"),
    "supervisor": ("tag", "internal", "caution"),
    "lead": ("tag", "internal", "caution"),
    "agreement-day": ("tag", "internal", "caution"),
    "network": ("caution",),
    "teaching": ("group", "caution"),
    "form": (),
}
DECIDED = ("actions",)
ALL, TWO = ("html", "docx", "pdf"), ("html", "pdf")
TITLE = "a workshop; with (1 + 1) signs = 'quoted', \"twice\", and 100%"
INTERVENTION = {
    "code": "one",
    "title": TITLE,
    "kind": "teaching",
    "period": "P009",
    "should_change": [{"condition": "acl_tear", "maneuver": "lachman", "measure": "sensitivity"}],
}


def _decisions(folder: Path, texts: tuple[str, ...]) -> Path:
    rest = {"indicator": "core_complete", "rule": "smoothed_limit", "owner": "lead physician", "opened": "P009"}
    actions = [{"id": f"A-{n}", "decision": text, "outcome": text} | rest for n, text in enumerate(texts, 1)]
    path = folder / "actions.yaml"
    path.write_text(yaml.safe_dump({"actions": actions}), encoding="utf-8")
    return path


def _teaching(folder: Path) -> Path:
    context = (("age_band", "16_25"), ("acuity", "acute"))
    cases = tuple(
        Case("acl_tear", context, (("lachman", found),), found == "positive", by_surgery=True)
        for found in ("positive", "negative") * 2
    )
    source = TeachingSource({}, {}, empty("leading"), empty("tallies"))
    content = teaching_content(TeachingSet(cases, {}, {}), source, Blueprint(), CONTRACT)
    return write_page(folder / "teaching.html", offline_page("teaching", "Cases to learn from", content))


def _with_intervention(results: Path, folder: Path) -> Path:
    found = read_results(results)
    protocol = load_protocol({**found.provenance.protocol, "interventions": [INTERVENTION]}, CONTRACT)
    tables = {name: empty(name) for name in ("changes", "change_context", "drift", "drift_events")}
    provenance = replace(found.provenance, protocol=protocol.to_dict(), protocol_hash=protocol.hash)
    return Results({**found.tables, **tables}, provenance).write(folder / "results")


def _every_page(together: Path, folder: Path, texts: tuple[str, ...]) -> Iterable[Path]:
    shared = shared_results(together)
    results, out, decided = _with_intervention(shared, folder), folder / "out", _decisions(folder, texts)
    yield from render_actions(results, out, actions=decided, formats=ALL)
    yield from render_monthly(results, out, period="P012", actions=decided, formats=ALL)
    yield from render_change(results, out, formats=TWO)
    yield from render_supervisor(results, out, formats=TWO)
    yield from render_lead(shared, folder / "lead", formats=TWO)
    yield from render_network(write_pooled(folder / "pooled"), out, formats=ALL)
    yield from render_agreement_day(day_results(folder), folder / "day", formats=TWO)
    yield _teaching(out)
    yield write_page(out / "form.html", form_page(CONTRACT))


def _with_words(folder: Path, said: Said) -> Path:
    reports = folder / "reports"
    shutil.copytree(resource("reports"), reports)
    (reports / "local.yaml").write_text(
        yaml.safe_dump({place: " ; ".join(texts) for place, texts in said.items()}), encoding="utf-8"
    )
    return reports


def _shown(browser: Browser, page: Path) -> str:
    """What a page says. In the browser it says so without running, asking for or finding anything of its words."""
    if page.suffix == ".docx":
        return read_document(page).text
    if page.suffix == ".pdf":
        return re.sub(r"(?m)^[0-9]+ ?/ ?[0-9]+$", "", typeset(page))  # the numbers of its pages
    opened = open_file(browser, page, DESK)
    opened.page.wait_for_timeout(300)
    shown, title = opened.page.inner_text("body"), opened.page.title()
    opened.page.close()
    assert title not in ("ran", "1"), page.name
    assert [url for url in opened.asked if not url.startswith(("file:", "data:"))] == [], page.name
    assert opened.said == [], page.name
    return str(shown)


def _assert_words(browser: Browser, pages: Iterable[Path], said: Said, texts: tuple[str, ...]) -> None:
    for page in pages:
        shown = letters(_shown(browser, page))
        wanted = [text for place in SHOWN_BY[page.stem] for text in said[place]] + [*texts] * (page.stem in DECIDED)
        assert [text for text in wanted if letters(text) not in shown] == [], page.name
        assert page.stem != "change" or letters(TITLE[1:]) in shown
        assert "root:x" not in shown, page.name


@pytest.mark.study
@POPPLER
@pytest.mark.parametrize("turn", range(4))
def test_on_every_page_they_stand_as_words(together: Path, tmp_path: Path, turn: int) -> None:
    """Four places in turn hold ten texts each, so that each text comes to each place of each page."""
    with listening() as (here, asked):
        texts = hostile(here)
        said = {name: texts[(place + turn) % 4 :: 4] for place, name in enumerate(PLACES)}
        with reports_from(_with_words(tmp_path, said)):
            pages = list(_every_page(together, tmp_path, texts))
        with chromium() as browser:
            _assert_words(browser, pages, said, texts)
        assert asked == []


@pytest.mark.study
@POPPLER
@pytest.mark.parametrize("turn", range(4))
def test_alone_in_a_place_they_stand_as_words(together: Path, tmp_path: Path, turn: int) -> None:
    """At the beginning of a place some would be a heading, a list or a formula; ten turns of each of four places."""
    results = shared_results(together)
    with listening() as (here, asked), chromium() as browser:
        texts = hostile(here)
        for number in range(turn, len(texts), 4):
            said = {name: (texts[(number + 10 * place) % len(texts)],) for place, name in enumerate(PLACES)}
            folder = tmp_path / str(number)
            folder.mkdir()
            with reports_from(_with_words(folder, said)):
                _assert_words(browser, render_actions(results, folder, formats=ALL), said, ())
        assert asked == []


@pytest.mark.parametrize("text", hostile()[:6])
def test_a_title_of_an_intervention_holds_no_markup(text: str, tmp_path: Path) -> None:
    _assert_refused_or_words(text, tmp_path)


@pytest.mark.study
@pytest.mark.parametrize("text", hostile()[6:])
def test_no_title_of_an_intervention_holds_markup(text: str, tmp_path: Path) -> None:
    _assert_refused_or_words(text, tmp_path)


def _assert_refused_or_words(text: str, folder: Path) -> None:
    path = folder / "interventions.yaml"
    path.write_text(yaml.safe_dump({"interventions": [{**INTERVENTION, "title": text}]}), encoding="utf-8")
    if text.startswith("=HYPERLINK"):  # a formula holds no markup: words to a page, and quoted in a table to take away
        assert load_interventions(path, CONTRACT)[0].title == text
        assert for_csv(pl.DataFrame({"title": [text]})).item() == f"'{text}"
        return
    with pytest.raises(ProtocolError, match="title") as fault:
        load_interventions(path, CONTRACT)
    assert text not in str(fault.value)
