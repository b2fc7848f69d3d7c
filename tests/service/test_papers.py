"""Certificates on paper: attachments, codes, archive rules, damaged sheets."""

import hashlib
import io
from dataclasses import replace

import pytest
from pypdf import PdfReader
from typer.testing import CliRunner

from soaktest.analysis.assurance import leak_chance_upper
from soaktest.bench import find_run
from soaktest.certificate.checking import check
from soaktest.certificate.keys import public_keys
from soaktest.certificate.paper import print_certificate, qr_svg, token_of_pdf
from soaktest.certificate.register import (
    Told,
    find_certificate,
    list_certificates,
    papers_of,
    print_again,
    revoke,
)
from soaktest.certificate.statement import (
    Electrical,
    Statement,
    plan_in_words,
)
from soaktest.cli.app import app
from soaktest.errors import InputError
from soaktest.plans import read_plan
from soaktest.recording import Recording, later
from soaktest.tables import RunRow
from tests.conftest import program
from tests.service.shop import PASSPHRASE, TOLD, Shop


def test_the_paper_carries_what_it_says(shop: Shop) -> None:
    """A PDF/A-3 whose attachment and QR code are the signed object; in three sizes, with the longest texts."""

    long = Told(
        "N" * 60,
        "W" * 60,
        "j" * 150,
        tuple("part " + "x" * 40 for _ in range(3)),
        electrical=Electrical(by="Q. Tester", on="2026-11-25", earth_ohm=0.12),
    )
    row, analysis = shop.certify(long)
    statement = check(row.token, public_keys(shop.journal)).statement
    assert isinstance(statement, Statement)
    for form in ("page", "label", "strip"):
        pdf = print_certificate(statement, row.token, analysis, form)  # type: ignore[arg-type]
        assert token_of_pdf(pdf) == row.token
        reader = PdfReader(io.BytesIO(pdf))
        assert len(reader.pages) == 1
        text = " ".join(reader.pages[0].extract_text().split())
        assert "A-0417" in text
        assert "electrical safety test" in text
        assert b"pdfaid:part" in pdf.replace(b" ", b"") or "pdfaid" in str(
            reader.xmp_metadata.stream.get_data() if reader.xmp_metadata else ""
        )


def test_the_paper_says_where_its_list_is_published(shop: Shop) -> None:
    """Signed and printed, where the workshop tells it; what a buyer cannot open is refused."""
    where = "https://workshop.example/certificates.html"
    issued = shop.certify_run(shop.passed, replace(TOLD, list_at=where))
    assert issued.statement.list_at == where
    page = PdfReader(io.BytesIO(issued.sheets["page"])).pages[0]
    assert where in "".join(page.extract_text().split())
    assert any(note.get_object()["/A"]["/URI"] == where for note in page["/Annots"])
    with pytest.raises(InputError, match="no address that a buyer can open"):
        shop.certify_run(shop.passed, replace(TOLD, list_at="the notice board", supersedes=issued.row.number))


def test_a_lax_plan_does_not_read_like_a_strict_one() -> None:
    """All that makes a plan strict is told, and half a minute is not rounded up."""
    strict = read_plan("resale")
    for change, said in (
        ({"dry_watch_s": 0.0}, "watched 0 min dry"), ({"min_watch_s": 90.0}, "1.5 min from water-in"), ({"max_gap_s": 600.0}, "gaps to 600 s"),
        ({"min_coverage": 0.2}, "20 % heard"), ({"allow_unproven_pads": True}, "pads may be unproven"), ({"detect_probability": 0.996}, "with 99.6 %"),
    ):  # fmt: skip
        assert said in plan_in_words(strict.model_copy(update=change))
        assert said not in plan_in_words(strict)
    assert "pads proven whole" in plan_in_words(strict)


def test_a_bound_is_rounded_up(shop: Shop) -> None:
    """Three leak-free washes bound the next one's chance to 63.2 %: that is less than 64, and more than 63."""
    row, analysis = shop.certify()
    said = check(row.token, public_keys(shop.journal)).statement
    assert said is not None
    for washes, shown in ((1, "95 %"), (3, "64 %")):
        told = said.model_copy(update={"leak_chance_next_wash_95": leak_chance_upper(washes)})
        page = PdfReader(io.BytesIO(print_certificate(told, row.token, analysis))).pages[0]
        assert f"leaks in more than {shown} of its washes" in " ".join(page.extract_text().split())


def jpeg(colour: str) -> bytes:

    from PIL import Image

    out = io.BytesIO()
    Image.new("RGB", (640, 480), colour).save(out, "JPEG")
    return out.getvalue()


def test_photo_and_electrical_record_are_attached_and_signed(shop: Shop) -> None:
    """Both come out of the PDF as the signed hashes say; a record of the wrong kind, or without figures, is refused."""

    tested = Electrical(by="Q. Tester", on="2026-11-25", earth_ohm=0.12)
    record = b"%PDF-1.4 the meter's own sheet"
    with pytest.raises(InputError, match="needs its figures"):
        shop.certify(Told("R. Field", record=record))
    with pytest.raises(InputError, match="PDF, JPEG or PNG"):
        shop.certify(Told("R. Field", electrical=tested, record=b"MZ"))
    with pytest.raises(InputError, match="photo is no JPEG"):
        shop.certify(Told("R. Field", photo=b"GIF89a"))

    told = Told("R. Field", electrical=tested, record=record, photo=jpeg("teal"))
    row, said, _, sheets = shop.certify_run(shop.passed, told)
    _, again = print_again(shop.journal, row.number)
    attached = PdfReader(io.BytesIO(again["page"])).attachments

    assert attached == PdfReader(io.BytesIO(sheets["page"])).attachments
    assert attached["electrical-record.pdf"] == [record]
    assert said.electrical is not None
    assert said.electrical.record_sha256 == hashlib.sha256(record).hexdigest()
    assert said.photo_sha256 == hashlib.sha256(attached["photo.jpg"][0]).hexdigest()
    assert find_certificate(shop.journal, row.number)[1] == said


def test_a_new_electrical_test_does_not_take_over_the_record_of_the_old(shop: Shop) -> None:
    """Nor lose it where the figures are taken over; a photo stays in either case."""
    first = Electrical(by="Q. Tester", on="2026-11-25", earth_ohm=0.12)
    shop.certify(Told("R. Field", electrical=first, record=b"%PDF-1.4 first", photo=jpeg("teal")))

    as_before = shop.certify_run(shop.passed, Told("R. Field", supersedes=1))
    anew = Electrical(by="Q. Tester", on="2026-12-01", earth_ohm=0.31)
    tested_again = shop.certify_run(shop.passed, Told("R. Field", supersedes=2, electrical=anew))

    for issued, names in ((as_before, {"electrical-record", "photo"}), (tested_again, {"photo"})):
        assert {paper.name for paper in papers_of(shop.journal, issued.row.number)} == names
        assert issued.statement.electrical is not None
        assert bool(issued.statement.electrical.record_sha256) == (len(names) == 2)
        attached = PdfReader(io.BytesIO(issued.sheets["page"])).attachments
        assert ("electrical-record.pdf" in attached) == (len(names) == 2)


def test_what_no_font_holds_gets_no_number_and_is_named(shop: Shop) -> None:
    """On page, label or strip: a name in cuneiform is refused in words before anything is signed for good."""
    with pytest.raises(
        InputError, match="no font on this machine holds \U00012000 \U00012001 \\(signed by\\)"
    ):
        shop.certify(Told("R. \U00012000\U00012001"))
    assert list_certificates(shop.journal) == []
    assert shop.certify()[0].number == 1


def test_a_certificate_is_printed_again_as_it_was(shop: Shop, monkeypatch: pytest.MonkeyPatch) -> None:
    """After a full disk, or for a second door; not once it was taken back."""
    monkeypatch.setenv("SOAKTEST_DATA", str(shop.folder))
    monkeypatch.setenv("SOAKTEST_PASSPHRASE", PASSPHRASE)
    runner = CliRunner()
    made = runner.invoke(app, ["certify", str(shop.passed.id), "--by", "R. Field"])
    assert made.exit_code == 0, made.output
    out = shop.folder / "again"

    told = runner.invoke(app, ["certificate", "print", "1", "--out", str(out)])

    assert told.exit_code == 0, told.output
    first = shop.folder / "certificates"
    names = {f"certificate-1{end}" for end in (".jws", ".pdf", "-label.pdf", "-strip.pdf")}
    assert {path.name for path in out.iterdir()} == names
    for name in names:
        assert (out / name).read_bytes() == (first / name).read_bytes(), name
    (shop.folder / "taken").mkdir()
    (shop.folder / "taken" / "certificate-1.jws").mkdir()
    refused = runner.invoke(app, ["certificate", "print", "1", "--out", str(shop.folder / "taken")])
    assert "is signed and kept; print it elsewhere" in str(refused.exception)
    revoke(shop.journal, 1, "came back")
    with pytest.raises(InputError, match="does not stand: came back"):
        print_again(shop.journal, 1)


def test_a_run_begun_with_a_longer_reason_is_certified_with_as_much_as_fits(
    shop: Shop, dry: Recording
) -> None:
    """Reasons of five hundred characters were taken once: the rest stands with the run."""
    run = shop.hear(later(dry, 90_000, b"7"))
    with shop.journal.session() as session:
        session.get_one(RunRow, run.id).override = "left pad damp " * 35

    said = shop.certify_run(find_run(shop.journal, run.id)).statement

    assert len(said.override) == 200
    assert said.override.endswith("pad damp lef…")


def test_the_page_keeps_what_an_archive_asks_for(shop: Shop) -> None:
    """What a general PDF library can see of ISO 19005-3: marked as part 3, fonts embedded, colours tied to a profile, every
    attachment related and typed, no script, no encryption. A full validator is no Python library."""

    row, analysis = shop.certify()
    said = check(row.token, public_keys(shop.journal)).statement
    assert said is not None
    for form in ("page", "label", "strip"):
        pdf = PdfReader(io.BytesIO(print_certificate(said, row.token, analysis, form)))  # type: ignore[arg-type]
        root = pdf.root_object
        meta = root["/Metadata"].get_object().get_data()  # type: ignore[union-attr]
        assert b"<pdfaid:part>3</pdfaid:part>" in meta
        assert b"<pdfaid:conformance>B</pdfaid:conformance>" in meta
        assert not pdf.is_encrypted
        assert root["/OutputIntents"][0]["/DestOutputProfile"]  # type: ignore[index]
        assert b"/JavaScript" not in pdf.stream.getvalue()  # type: ignore[attr-defined]
        files = root["/AF"]
        assert len(files) == (2 if form == "page" else 1)  # type: ignore[arg-type]
        for file in files:  # type: ignore[union-attr]
            assert file.get_object()["/AFRelationship"] in ("/Data", "/Supplement")
            assert file.get_object()["/EF"]["/F"].get_object()["/Subtype"]
        fonts = [font.get_object() for page in pdf.pages for font in page["/Resources"]["/Font"].values()]  # type: ignore[index]
        assert fonts
        for font in fonts:
            deep = font["/DescendantFonts"][0].get_object() if "/DescendantFonts" in font else font
            assert {"/FontFile", "/FontFile2", "/FontFile3"} & set(deep["/FontDescriptor"])


@pytest.mark.parametrize("form", ["page", "label", "strip"])
def test_the_code_on_the_paper_reads_as_the_signed_object(shop: Shop, form: str) -> None:
    """The sheet rendered as a printer would, in grey, and read by a general decoder: the signed object, whole."""
    import subprocess

    import zxingcpp
    from PIL import Image

    row, analysis = shop.certify()
    statement = check(row.token, public_keys(shop.journal)).statement
    assert statement is not None
    sheet = shop.folder / "sheet.pdf"
    sheet.write_bytes(print_certificate(statement, row.token, analysis, form))  # type: ignore[arg-type]
    subprocess.run(
        [program("pdftoppm"), "-r", "200", "-gray", "-png", sheet, shop.folder / "sheet"], check=True
    )
    with Image.open(next(shop.folder.glob("sheet*.png"))) as picture:
        assert zxingcpp.read_barcode(picture).text == row.token
    with pytest.raises(InputError, match="too long for a QR code"):
        qr_svg("x" * 4000)


def test_what_fits_no_code_or_no_paper_gets_no_number(shop: Shop) -> None:
    """Texts too long for a QR code, and characters that no printer has."""
    with pytest.raises(InputError, match="too long for a QR code"):
        shop.certify(Told("R. Field", job="\u6d17" * 200, parts=("\u6d17" * 200,) * 6))
    with pytest.raises(InputError, match="cannot be printed"):
        shop.certify(Told("R. Field", workshop="\u202e\x1b[2J"))
    assert list_certificates(shop.journal) == []


def test_a_damaged_paper_is_said_to_be_one(shop: Shop) -> None:
    """A hundred changed or cut copies: the signed object, or one clear error; nothing else."""
    import random

    row, analysis = shop.certify()
    said = check(row.token, public_keys(shop.journal)).statement
    assert said is not None
    pdf = print_certificate(said, row.token, analysis)
    rng = random.Random(5)
    for _ in range(100):
        copy = bytearray(pdf[: rng.randrange(len(pdf) // 2, len(pdf))] if rng.random() < 0.2 else pdf)
        for _ in range(rng.randrange(1, 30)):
            copy[rng.randrange(len(copy))] = rng.randrange(256)
        try:
            token = token_of_pdf(bytes(copy))
        except InputError:
            continue
        assert token == row.token or check(token, public_keys(shop.journal)).faults
