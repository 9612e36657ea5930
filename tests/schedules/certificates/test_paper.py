"""The PDF, opened and read back: text, pages, tags, attachment, QR symbol, bytes."""

from __future__ import annotations

import io
import json
import os
import re
import subprocess
import sys
import threading

import pikepdf
import pypdf
import pypdfium2
import pytest
import zxingcpp

from schedules.certificates import paper
from schedules.certificates.content import canonical_json, digest_of, qr_text
from schedules.certificates.paper import STYLE_SHEETS, TOKENS, _static, certificate_html, make_pdf
from tests.schedules.certificates.scenario import large_content

MM = 72 / 25.4
UNITS = 480
# Longer than a name should be, and in the scripts that names come in.
NAMES = {"site": "Nordwall Clinic, भवन मुंबई", "owner": "Łódź & Ångström <Holding> Ō"}


@pytest.fixture(scope="module")
def small():
    content = large_content(3, exceptions=2)
    content["owner"]["name"] = NAMES["owner"]
    return content


@pytest.fixture(scope="module")
def small_pdf(small):
    return make_pdf(small, digest=digest_of(small))


@pytest.fixture(scope="module")
def large_pdf():
    content = large_content(UNITS, exceptions=60)
    return make_pdf(content, digest=digest_of(content))


@pytest.fixture(scope="module")
def large_texts(large_pdf):
    return page_texts(large_pdf[0])


def texts_of(data):
    return [page.extract_text() for page in pypdf.PdfReader(io.BytesIO(data)).pages]


def page_texts(data):
    """The text of each page, by the quick reader."""
    with pypdfium2.PdfDocument(data) as document:
        return [document[index].get_textpage().get_text_range() for index in range(len(document))]


def squeezed(text):
    return re.sub(r"\s+", " ", text)


# --- what a reader finds ----------------------------------------------------------------------


def test_the_small_paper_says_what_its_content_says(small, small_pdf):
    data, _ = small_pdf
    text = squeezed(" ".join(texts_of(data)))
    for told in (
        "Certificate of service",
        "C-2026-000123",
        "25 Nov 2026",
        "Tarn & Alder Extinguisher Service",
        NAMES["owner"],
        "UNCONFIRMED TABLES",
        "Interval table A is unconfirmed.",
        "29 CFR 1910.157, as amended",
        "Ines Okoro, licence EX-20931",
        "Reported to nobody Nobody was on the premises.",
        "Gauge pressure 195 psi, inside",
        "none readable",
        "Hydrostatic test overdue since 3 Mar 2025 (table A, Table L-1).",
        "3 Nov 2027",
        "What is not told.",
        "Interval tables are defaults to confirm against local code.",
        small["verify"]["url"],
        digest_of(small),
    ):
        assert told in text, told


def test_without_exceptions_it_says_so():
    content = large_content(1, exceptions=0)
    html = certificate_html(content, digest=digest_of(content))
    assert "None among the units of this visit." in html
    assert "UNCONFIRMED" in html
    assert "UNCONFIRMED" not in certificate_html({**content, "warning": ""}, digest="0")


def test_names_cannot_carry_markup(small):
    html = certificate_html(small, digest="0")
    assert "Łódź &amp; Ångström &lt;Holding&gt; Ō" in html
    assert "<Holding>" not in html


def test_overdue_and_unknown_dates_stand_out():
    content = large_content(3, exceptions=0)
    content["units"][0]["next_due"] |= {"state": "overdue", "text": "4 May 2021"}
    content["units"][1]["next_due"] |= {"state": "unknown", "text": "due now"}
    html = certificate_html(content, digest="0")
    assert re.findall(r'<td class="x">([^<]*)', html) == [
        "overdue since 4 May 2021\nMaintenance, A (e)(3)",
        "due now\nMaintenance, A (e)(3)",
    ]


# --- many pages -------------------------------------------------------------------------------


def test_a_large_register_has_twenty_pages_and_more(large_pdf):
    data, pages = large_pdf
    assert pages >= 20
    assert len(pypdf.PdfReader(io.BytesIO(data)).pages) == pages


def test_every_page_carries_its_number_and_the_certificates(large_pdf, large_texts):
    _, pages = large_pdf
    for position, text in enumerate(large_texts, start=1):
        assert f"Page {position} of {pages}" in squeezed(text)
        assert "C-2026-000123" in text
        assert "Check this paper at http://localhost:8000/verify/7K3M-Q2ZD-9XWA-40TF/" in squeezed(text)


def test_every_unit_is_there_once_and_under_a_repeated_head(large_texts):
    seen: list[str] = []
    for text in large_texts:
        # The list of exceptions names units too, in front of the table of units.
        table = text if "Work and readings" in text else ""
        table = table[table.index("Work and readings") :] if table else ""
        found = re.findall(r"U-\d{6}", table)
        seen += found
        if not found:
            assert len(re.findall(r"U-\d{6}", text)) == 0 or "Finding" in text
    assert seen == [f"U-{i + 1:06d}" for i in range(UNITS)]


def test_no_row_is_cut():
    content = large_content(40, exceptions=0)
    for unit in content["units"]:
        # Tall rows: the end of a page falls into one of them sooner or later.
        unit["remarks"] = ["First note.", *["A note between."] * 7, "Last note."]
    data, pages = make_pdf(content, digest=digest_of(content))
    assert pages > 5
    texts = [squeezed(page) for page in page_texts(data)]
    assert sum(text.count("First note.") for text in texts) == 40
    for text in texts:
        assert text.count("First note.") == text.count("Last note."), text


def test_nothing_lies_outside_the_margins(large_pdf):
    data, pages = large_pdf
    document = pypdfium2.PdfDocument(data)
    for index in (0, 1, pages // 2, pages - 1):
        page = document[index]
        width, height = page.get_size()
        image = page.render(scale=1, grayscale=True).to_pil()
        left, top, right, bottom = image.point(lambda shade: 255 if shade < 200 else 0).getbbox()
        assert left >= 14 * MM
        assert top >= 10 * MM
        assert right <= width - 14 * MM
        assert bottom <= height - 10 * MM


# --- archive ----------------------------------------------------------------------------------


def test_it_claims_a_tagged_archival_profile_and_keeps_what_that_takes(small_pdf):
    data, _ = small_pdf
    with pikepdf.open(io.BytesIO(data)) as pdf:
        with pdf.open_metadata() as meta:
            assert (meta["pdfaid:part"], meta["pdfaid:conformance"]) == ("3", "A")
            assert meta["dc:title"] == "Certificate of service C-2026-000123"
        assert str(pdf.Root.Lang) == "en"
        assert pdf.Root.MarkInfo.Marked
        assert "/OutputIntents" in pdf.Root
        fonts = [
            o
            for o in pdf.objects
            if isinstance(o, pikepdf.Dictionary) and o.get("/Type") == "/Font" and "/FontDescriptor" in o
        ]
        assert fonts
        assert all({"/FontFile", "/FontFile2", "/FontFile3"} & set(o.FontDescriptor.keys()) for o in fonts)
        tags = {
            str(o.S) for o in pdf.objects if isinstance(o, pikepdf.Dictionary) and "/S" in o and "/P" in o
        }
        assert {"/H1", "/H2", "/Table", "/TH", "/TD", "/Figure"} <= tags
        alts = [
            str(o.Alt) for o in pdf.objects if isinstance(o, pikepdf.Dictionary) and o.get("/S") == "/Figure"
        ]
        assert alts == ["QR code that opens the page on which this certificate can be checked"]
        assert pdf.check_pdf_syntax() == []


def test_it_uses_the_shipped_typefaces(small_pdf):
    data, _ = small_pdf
    with pikepdf.open(io.BytesIO(data)) as pdf:
        names = {
            str(o.BaseFont).split("+")[-1]
            for o in pdf.objects
            if isinstance(o, pikepdf.Dictionary) and "/BaseFont" in o
        }
    assert all(name.startswith("Noto-") for name in names), names
    assert any("Devanagari" in name for name in names)


def test_it_carries_the_content_whose_digest_it_prints(small, small_pdf):
    data, _ = small_pdf
    with pikepdf.open(io.BytesIO(data)) as pdf:
        carried = pdf.attachments["certificate.json"].get_file().read_bytes()
    assert carried.decode() == canonical_json(small)
    assert digest_of(json.loads(carried)) == digest_of(small)


def test_two_runs_give_the_same_bytes(small, small_pdf):
    assert make_pdf(small, digest=digest_of(small)) == small_pdf


def test_another_process_gives_the_same_bytes(small, small_pdf, tmp_path):
    (tmp_path / "content.json").write_text(canonical_json(small), encoding="utf-8")
    script = (
        "import django, json, sys; django.setup()\n"
        "from schedules.certificates.content import digest_of\n"
        "from schedules.certificates.paper import make_pdf\n"
        "content = json.loads(open(sys.argv[1], encoding='utf-8').read())\n"
        "open(sys.argv[2], 'wb').write(make_pdf(content, digest=digest_of(content))[0])\n"
    )
    out = tmp_path / "again.pdf"
    env = {
        **os.environ,
        "DJANGO_SETTINGS_MODULE": "tests.settings",
        "PYTHONHASHSEED": "4711",
        "TZ": "Asia/Kolkata",
    }
    subprocess.run(
        [sys.executable, "-c", script, tmp_path / "content.json", out], check=True, env=env, timeout=120
    )
    assert out.read_bytes() == small_pdf[0]


def test_other_content_gives_other_bytes(small, small_pdf):
    other = {**small, "issued_by": "Somebody else"}
    assert make_pdf(other, digest=digest_of(other))[0] != small_pdf[0]


# --- the QR symbol ----------------------------------------------------------------------------


def symbols_on_first_page(data, scale=3.0, blur=0):
    image = pypdfium2.PdfDocument(data)[0].render(scale=scale, grayscale=True).to_pil()
    if blur:
        from PIL import ImageFilter

        image = image.filter(ImageFilter.GaussianBlur(blur))
    return zxingcpp.read_barcodes(image), image


def test_the_qr_symbol_leads_to_the_verify_page(small, small_pdf):
    found, _ = symbols_on_first_page(small_pdf[0])
    (symbol,) = found
    assert (
        symbol.text == qr_text(small["verify"]["url"]) == "HTTP://LOCALHOST:8000/VERIFY/7K3M-Q2ZD-9XWA-40TF/"
    )


def test_the_qr_symbol_is_large_enough_and_survives_a_poor_copy(small_pdf):
    scale = 3.0
    (symbol,), image = symbols_on_first_page(small_pdf[0], scale)
    corners = symbol.position
    width_mm = (corners.top_right.x - corners.top_left.x) / scale / MM
    assert width_mm >= 22
    # About 100 dots an inch and out of focus.
    (poor,), _ = symbols_on_first_page(small_pdf[0], 100 / 72, blur=1)
    assert poor.text == symbol.text
    # Four modules free on the side that faces the text, as ISO/IEC 18004 asks (from memory).
    free = int(corners.top_left.x - 4 * (corners.top_right.x - corners.top_left.x) / 29)
    strip = image.crop((free, corners.top_left.y, corners.top_left.x - 2, corners.bottom_left.y))
    assert strip.getextrema()[0] > 250


# --- paper and files --------------------------------------------------------------------------


@pytest.mark.parametrize(("paper", "size_mm"), [("A4", (210, 297)), ("Letter", (215.9, 279.4))])
def test_the_paper_size_comes_from_the_content(paper, size_mm):
    content = large_content(1, exceptions=0, paper=paper)
    data, _ = make_pdf(content, digest=digest_of(content))
    width, height = pypdfium2.PdfDocument(data)[0].get_size()
    assert (width / MM, height / MM) == pytest.approx(size_mm, abs=0.2)


def test_an_unknown_paper_size_is_refused():
    content = large_content(1, paper="A0")
    with pytest.raises(ValueError, match="PAPER_SIZE"):
        make_pdf(content, digest=digest_of(content))


def test_the_style_sheets_name_only_files_that_exist():
    for name in STYLE_SHEETS:
        sheet = _static(name)
        with open(sheet, encoding="utf-8") as file:
            for path in re.findall(r'url\("([^"]+)"\)', file.read()):
                assert os.path.exists(os.path.join(os.path.dirname(sheet), path)), path


def test_every_token_of_the_sheet_is_defined():
    with open(_static("print/certificate.css"), encoding="utf-8") as file:
        used = set(re.findall(r"var\((--[a-z-]+)\)", file.read()))
    with open(_static(TOKENS), encoding="utf-8") as file:
        defined = set(re.findall(r"(--print-[a-z-]+):", file.read()))
    assert used
    assert used <= defined


def test_nothing_outside_the_style_sheets_is_read(small, tmp_path, monkeypatch):
    secret = tmp_path / "secret.png"
    secret.write_bytes(b"not for print")
    monkeypatch.setattr(paper, "certificate_html", lambda *_, **__: f'<img src="{secret.as_uri()}">')
    with pytest.raises(paper.CannotPrint, match="not a file of printed papers"):
        paper.make_pdf(small, digest="0" * 64)
    monkeypatch.setattr(paper, "certificate_html", lambda *_, **__: '<img src="http://127.0.0.1:9/x.png">')
    with pytest.raises(paper.CannotPrint, match="cannot be read"):
        paper.make_pdf(small, digest="0" * 64)


def test_a_missing_typeface_stops_the_paper(small, tmp_path, monkeypatch):
    sheet = tmp_path / "print" / "fonts.css"
    sheet.parent.mkdir()
    sheet.write_text('@font-face { font-family: "Gone"; src: url("gone.woff2"); }', encoding="utf-8")
    found = paper._static
    monkeypatch.setattr(
        paper, "_static", lambda name: str(sheet) if name == "print/fonts.css" else found(name)
    )
    monkeypatch.setattr(paper, "_kept", threading.local())
    with pytest.raises(paper.CannotPrint, match=r"gone\.woff2 cannot be read"):
        paper.make_pdf(small, digest="0" * 64)


def test_a_missing_style_sheet_is_named(monkeypatch):
    with pytest.raises(FileNotFoundError, match=r"print/gone\.css"):
        paper._static("print/gone.css")
