"""Certificates: signed on the page of a passed run, listed, printed again, taken back."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Depends, Form, Path, Request, UploadFile
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from soaktest.certificate.paper import Form as PaperForm
from soaktest.certificate.register import (
    Told,
    bench_shows,
    issue,
    list_certificates,
    print_again,
    revoke,
)
from soaktest.errors import InputError
from soaktest.settings import read_settings
from soaktest.web.benches import Number, book
from soaktest.web.door import must_carry_token
from soaktest.web.templates import page

router = APIRouter()


@router.get("/certificates", include_in_schema=False)
def all_certificates(request: Request) -> HTMLResponse:
    """Certificates, the newest first, with their papers."""
    rows = list_certificates(book(request))
    return page(request, "signed.html", rows=rows, replaced={row.supersedes for row, _ in rows})


@router.get("/certificates/{number}/{form}", include_in_schema=False)
def paper(request: Request, number: Number, form: PaperForm) -> Response:
    """A certificate's page, label or strip as PDF."""
    made = print_again(book(request), number, (form,))[1][form]
    return Response(
        made,
        media_type="application/pdf",
        headers={"content-disposition": f'inline; filename="certificate-{number}-{form}.pdf"'},
    )


@router.post("/runs/{number}/certify", dependencies=[Depends(must_carry_token)], include_in_schema=False)
def certify(  # noqa: PLR0913
    request: Request,
    number: Number,
    by: Annotated[str, Form(max_length=200)],
    passphrase: Annotated[str, Form(max_length=1000)],
    workshop: Annotated[str, Form(max_length=200)] = "",
    job: Annotated[str, Form(max_length=200)] = "",
    parts: Annotated[str, Form(max_length=2400)] = "",
    supersedes: Annotated[str, Form(max_length=12)] = "",
    photo: UploadFile | None = None,
) -> Response:
    """Sign a certificate for a passed run."""
    if request.app.state.keys is None:
        raise InputError("this page has no keys at hand. Certify at the command line: soaktest certify")
    if supersedes.strip() and not supersedes.strip().isdecimal():
        raise InputError(f"in place of: {supersedes!r} is no certificate's number.")
    told = Told(
        by.strip(), workshop.strip(), job.strip(), tuple(filter(None, (p.strip() for p in parts.split(",")))),
        int(supersedes) if supersedes.strip() else None, photo=photo.file.read() if photo else b"", list_at=read_settings().list_at, drips=bench_shows(book(request), number),
    )  # fmt: skip
    issue(book(request), number, told, request.app.state.keys, passphrase)
    return RedirectResponse("/certificates", 303)


@router.post(
    "/certificates/{number}/revoke", dependencies=[Depends(must_carry_token)], include_in_schema=False
)
def take_back(
    request: Request, number: Annotated[int, Path(ge=1, le=2**53)], why: Annotated[str, Form(max_length=500)]
) -> Response:
    """Take a certificate back; it keeps its number."""
    revoke(book(request), number, why)
    return RedirectResponse("/certificates", 303)
