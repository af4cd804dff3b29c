"""A report as a word-processor document and as a tagged PDF: whole, with its figures, the same bytes twice."""

from __future__ import annotations

import re
import subprocess
import zipfile
from pathlib import Path

import pytest
from programs import POPPLER

from examtally.errors import ReportError
from examtally.reporting.reports import render_audit, render_intake


@pytest.fixture(scope="module")
def pages(made: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    out = tmp_path_factory.mktemp("formats")
    made_pages = render_audit(made / "young" / "results", out, formats=("docx", "pdf"))
    return {page.suffix[1:]: page for page in made_pages}


def document(page: Path) -> str:
    with zipfile.ZipFile(page) as archive:
        return archive.read("word/document.xml").decode()


def test_the_document_has_headings_tables_and_every_figure_with_its_words(pages: dict[str, Path], made: Path) -> None:
    text = document(pages["docx"])
    html = (made / "young" / "out" / "audit-annex.html").read_text(encoding="utf-8")
    assert text.count("<w:tbl>") == html.count("<table ")
    pictures = re.findall(r'<pic:cNvPr descr="([^"]*)"', text)
    assert len(pictures) == len(re.findall(r"<img ", html)) > 0
    assert all(len(words) > 20 for words in pictures)
    with zipfile.ZipFile(pages["docx"]) as archive:
        images = [name for name in archive.namelist() if name.startswith("word/media/")]
        drawn = {name: archive.read(name) for name in images if name.endswith(".svg")}
        types = archive.read("[Content_Types].xml").decode()
    assert len(images) == 2 * len(drawn) > 0, "each figure as a vector graphic, and as a picture for older programs"
    assert all(content.startswith(b"<svg") for content in drawn.values())
    assert text.count("<asvg:svgBlip") == len(pictures)
    assert 'Extension="svg"' in types


def test_the_document_has_its_title_its_author_and_rows_that_stay_whole(pages: dict[str, Path]) -> None:
    text = document(pages["docx"])
    assert text.count("<w:cantSplit/>") == len(re.findall(r"<w:tr[ >]", text)) > 0
    with zipfile.ZipFile(pages["docx"]) as archive:
        about = archive.read("docProps/core.xml").decode()
    assert "<dc:title>Knee: annex to the audit of the physical examination</dc:title>" in about
    assert "<dc:creator>Our sports-medicine group</dc:creator>" in about


def test_tables_and_figures_of_a_document_are_numbered_in_their_order(pages: dict[str, Path]) -> None:
    text = re.sub(r"<[^>]+>", "", document(pages["docx"]))
    for word in ("Table", "Figure"):
        assert [int(found) for found in re.findall(rf"{word} (\d+): ", text)] == list(
            range(1, len(re.findall(rf"{word} \d+: ", text)) + 1)
        )


def test_the_document_carries_no_download_and_no_raw_html(pages: dict[str, Path]) -> None:
    text = document(pages["docx"])
    assert "data:text/csv" not in text
    assert "Download these figures" not in text
    assert "&lt;" not in re.sub(r"&lt;\s?\d", "", text)


def test_the_pdf_is_tagged_and_has_alternative_texts(pages: dict[str, Path]) -> None:
    content = pages["pdf"].read_bytes()
    assert content.startswith(b"%PDF-")
    assert b"/MarkInfo" in content
    assert b"/StructTreeRoot" in content


@POPPLER
def test_the_pdf_says_what_the_page_says(pages: dict[str, Path]) -> None:
    done = subprocess.run(["pdftotext", "-layout", pages["pdf"], "-"], capture_output=True, text=True, check=True)
    for words in (
        "Who was studied",
        "Internal, for quality improvement and teaching",
        "not for deciding about one patient",
    ):
        assert words in " ".join(done.stdout.split())


def test_the_same_results_give_the_same_bytes(made: Path, tmp_path: Path) -> None:
    first, second = (
        render_audit(made / "tiny" / "results", tmp_path / name, formats=("docx", "pdf")) for name in ("a", "b")
    )
    assert [page.read_bytes() for page in first] == [page.read_bytes() for page in second]


def test_an_unknown_format_is_refused_with_the_legal_set(made: Path, tmp_path: Path) -> None:
    with pytest.raises(ReportError, match="choose from html, docx, pdf"):
        render_audit(made / "tiny" / "results", tmp_path, formats=("odt",))


def test_a_report_of_the_screen_alone_stays_one(made: Path, tmp_path: Path) -> None:
    assert render_intake(made / "tiny" / "results", tmp_path)
