"""The certificate on paper: an A4 page (PDF/A-3), a label for the door, a strip for a thermal printer.

The page carries the signed object and the findings as attachments, and a QR code that is the signed
object itself, so that it can be checked without a network.
"""

from __future__ import annotations

import io
import math
import re
import tempfile
import time
from collections.abc import Sequence
from importlib import resources
from pathlib import Path
from typing import Final, Literal

import orjson

from soaktest.analysis.analyse import Analysis
from soaktest.analysis.series import Series
from soaktest.certificate.statement import NOT_THIS, RULE, Statement
from soaktest.errors import InputError
from soaktest.tables import PaperRow
from soaktest.templates import utc_name, utc_offset
from soaktest.thinning import broken, microsiemens, silence, thin
from soaktest.timeline_style import PHASE_LOOKS, ZONE_LOOKS
from soaktest.vocabulary import PHASES, ZONES, Zone

Form = Literal["page", "label", "strip"]
TEMPLATES: Final[dict[Form, str]] = {"page": "certificate.typ", "label": "label.typ", "strip": "strip.typ"}
FILE_NAMES: Final = {
    ("photo", "image/jpeg"): "photo.jpg",
    ("electrical-record", "application/pdf"): "electrical-record.pdf",
    ("electrical-record", "image/jpeg"): "electrical-record.jpg",
    ("electrical-record", "image/png"): "electrical-record.png",
}
SHEET_POINTS: Final = 1000
"""Points of a line on paper: two for each of the drawing's units, as fine as its stroke shows."""
ATTACHED: Final = "certificate.jws"
CAUTIONS: Final = (
    "Mains and water: unplug before opening, isolate the tap, use a residual-current device. Two people lift a machine; transport bolts "
    "before it travels. Local codes and licensed practice decide."
)


def qr_svg(token: str) -> str:
    """The signed object as a QR code (ISO/IEC 18004), error correction L: a paper is not a factory floor.

    Raises:
        InputError: the signed object is too long for one code.
    """
    import segno

    try:
        code = segno.make(token, error="l", micro=False)
    except segno.DataOverflowError as exc:
        raise InputError(
            "the certificate's texts are too long for a QR code. Shorten job and parts."
        ) from exc
    out = io.BytesIO()
    code.save(out, kind="svg", border=4, xmldecl=False, svgns=True)
    return out.getvalue().decode()


def print_certificate(
    statement: Statement,
    token: str,
    analysis: Analysis | None,
    form: Form = "page",
    papers: Sequence[PaperRow] = (),
    beside: str = "",
) -> bytes:
    """The PDF of a certificate.

    Args:
        statement: what it says.
        token: the signed object.
        analysis: the run, for the small timeline and the attached findings; None leaves both out.
        form: page, label or strip.
        papers: photo and electrical record, printed on and attached to the page.
        beside: what the pads under this kind of machine do not see, in words.

    Raises:
        InputError: its texts are too long for a QR code, or hold what no font on this machine does.
    """
    import typst

    files = resources.files("soaktest.dashboards")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        folder.joinpath("main.typ").write_bytes(files.joinpath(TEMPLATES[form]).read_bytes())
        folder.joinpath("statement.json").write_bytes(
            orjson.dumps(
                _shown(statement, analysis, beside)
                | {
                    "papers": [
                        {"name": p.name, "file": FILE_NAMES[p.name, p.media], "media": p.media}
                        for p in papers
                    ]
                }
            )
        )
        folder.joinpath(ATTACHED).write_text(token)
        folder.joinpath("qr.svg").write_text(qr_svg(token))
        for paper in papers:
            folder.joinpath(FILE_NAMES[paper.name, paper.media]).write_bytes(paper.content)
        if analysis is not None:
            folder.joinpath("timeline.svg").write_text(small_timeline(analysis))
            folder.joinpath("findings.json").write_text(analysis.findings.model_dump_json())
        try:
            made = typst.compile(
                str(folder / "main.typ"),
                root=str(folder),
                format="pdf",
                pdf_standards=["a-3b"],
                timestamp=statement.issued,
            )
        except typst.TypstError as exc:
            raise InputError(_why_not(statement, exc.diagnostic or exc.message)) from exc
    return bytes(made)


def _why_not(statement: Statement, said: str) -> str:
    """Why a certificate cannot be printed: the characters that no font holds, and where they stand."""
    odd = dict.fromkeys("".join(re.findall(r'the text `"(.+?)"`', said)))
    if not odd:
        return f"the certificate cannot be printed: {said.splitlines()[0]}."
    told = statement.model_dump(mode="json")
    where = [
        name.replace("_", " ") for name, value in told.items() if any(char in str(value) for char in odd)
    ]
    return (
        f"the certificate cannot be printed: no font on this machine holds {' '.join(odd)} ({', '.join(where)}). "
        "Write it otherwise, or install a font that does."
    )


def _shown(statement: Statement, analysis: Analysis | None, beside: str) -> dict[str, object]:
    def day(t: int) -> str:
        return time.strftime("%Y-%m-%d %H:%M", time.localtime(t))

    told = statement.model_dump()
    if statement.bench_tried is not None:
        told["bench_tried_text"] = day(statement.bench_tried)[:10]
    shown = told | {
        "issued_text": day(statement.issued), "began_text": day(statement.began), "ended_text": day(statement.ended), "rule": RULE, "not_this": NOT_THIS,
        "zone_name": utc_name(utc_offset(statement.issued)),
        "beside": beside, "to_a_factor": set(statement.calibrated) != set(ZONES),
        "cautions": CAUTIONS, "timeline": analysis is not None, "phases": ", ".join(f"{p} {statement.exercised[p]} x" for p in PHASES if statement.exercised.get(p)),
        "pads_text": _pads_said(statement), "parts_text": ", ".join(statement.parts),
        "chance": None if statement.leak_chance_next_wash_95 is None else f"{_rounded_up(100 * statement.leak_chance_next_wash_95)} %",
        "heard": f"{math.floor(1000 * statement.heard_share) / 10:.1f} %", "watched": f"{statement.watched_s / 60:.0f} min",
    }  # fmt: skip
    return {k: v for k, v in shown.items() if v is not None}


def _rounded_up(bound: float) -> int:
    """A bound that is rounded down is none."""
    return math.ceil(bound - 1e-9)


def _pads_said(statement: Statement) -> str:
    """Pads of which the same is to be said are named together."""
    alike: dict[str, list[str]] = {}
    for zone in ZONES:
        alike.setdefault(_pad_said(statement, zone), []).append(zone)
    return "; ".join(f"{', '.join(zones)} {said}" for said, zones in alike.items())


def _pad_said(statement: Statement, zone: Zone) -> str:
    said = [statement.pads.get(zone, "not told")]
    if zone in statement.checked:
        said.append(f"checked {time.strftime('%Y-%m-%d', time.localtime(statement.checked[zone]))}")
    if zone in statement.calibrated:
        told = statement.calibrated[zone]
        said.append(f"calibrated {time.strftime('%Y-%m-%d', time.localtime(told.at))} with {told.ml:g} ml")
    else:
        said.append("not calibrated")
    return ", ".join(said)


def small_timeline(analysis: Analysis) -> str:
    """Phases and pads of the whole run as a small drawing (SVG), named, in grey and three line patterns."""
    findings = analysis.findings
    width, height, left = 560.0, 120.0, 34.0
    length = max(findings.ended - findings.began, 1.0)

    def x(t: float) -> float:
        return left + (t - findings.began) / length * (width - left - 4)

    def y(us: float) -> float:
        return 104.0 - (math.log10(min(max(us, 0.05), 1000.0)) + 1.3) / 4.3 * 76.0

    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:.0f} {height:.0f}" font-family="sans-serif" font-size="8">'
    ]
    for span in findings.phases:
        a, b = x(span.start), x(span.end)
        out.append(
            f'<rect x="{a:.1f}" y="4" width="{max(b - a, 0.4):.1f}" height="16" fill="{PHASE_LOOKS[span.phase].colour}" stroke="#333" stroke-width="0.3"/>'
        )
        # no two phases begin with the same letter: in grey, a narrow one is told by it
        word = span.phase if b - a > 4.6 * len(span.phase) else span.phase[0] if b - a > 5.0 else ""
        if word:
            out.append(f'<text x="{(a + b) / 2:.1f}" y="15" text-anchor="middle">{word}</text>')
    for us in (0.1, 1.0, 10.0, 100.0, 1000.0):
        out.append(
            f'<line x1="{left}" x2="{width - 4}" y1="{y(us):.1f}" y2="{y(us):.1f}" stroke="#bbb" stroke-width="0.4"/><text x="{left - 3}" y="{y(us) + 3:.1f}" text-anchor="end">{us:g}</text>'
        )
    out.append('<text x="2" y="30">µS</text>')
    dashes = {"left": "", "centre": "5 3", "right": "1.5 2.5"}
    for zone in ZONES:
        track = analysis.pads[zone]
        if not len(track.t):
            continue
        t, log_g = thin(
            *broken(track.t, track.log_g, silence(Series(track.t, track.log_g).step_s)), SHEET_POINTS
        )
        drawn, pen = [], "M"
        for at, us in zip(t.tolist(), microsiemens(log_g).tolist(), strict=True):
            if math.isnan(us):
                pen = "M"
                continue
            drawn.append(f"{pen}{x(at):.1f} {y(us):.1f}")
            pen = "L"
        out.append(
            f'<path d="{"".join(drawn)}" fill="none" stroke="{ZONE_LOOKS[zone][0]}" stroke-width="1.1" stroke-dasharray="{dashes[zone]}"/>'
        )
    out.append(
        f'<text x="{left}" y="117">{length / 60:.0f} min; pads: left solid, centre dashed, right dotted</text></svg>'
    )
    return "".join(out)


def token_of_pdf(content: bytes) -> str:
    """The signed object that a certificate's PDF carries. Raises InputError where it carries none."""
    from pypdf import PdfReader

    try:
        attached = PdfReader(io.BytesIO(content)).attachments
        return attached[ATTACHED][0].decode()
    except Exception as exc:  # a PDF from outside can break its reader in any way
        raise InputError("this PDF carries no signed certificate.") from exc
