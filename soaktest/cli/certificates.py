"""Certificates and keys: certify, verify, list, print, revoke, publish the list; make, show, rotate and revoke keys."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from soaktest.cli.judge import JSON, a_number
from soaktest.cli.runs import journal
from soaktest.cli.words import console, printable, show_table, when
from soaktest.vocabulary import plural

if TYPE_CHECKING:
    from collections.abc import Mapping

    from soaktest.analysis.analyse import Analysis, Knowledge
    from soaktest.certificate.paper import Form
    from soaktest.certificate.statement import Electrical
    from soaktest.tables import CertificateRow

app = typer.Typer(no_args_is_help=True)
key = typer.Typer(no_args_is_help=True)
OUT = Annotated[Path | None, typer.Option(help="Folder for the PDFs; the data folder by default.")]
NUMBER = Annotated[int, typer.Argument(parser=a_number, metavar="NUMBER", help="The certificate's number.")]


def certify(  # noqa: PLR0913
    run: Annotated[
        int, typer.Argument(parser=a_number, metavar="RUN", help="A passed run; see: soaktest run list")
    ],
    by: Annotated[str, typer.Option(help="Name of the person who signs.")],
    passphrase: Annotated[
        str,
        typer.Option(envvar="SOAKTEST_PASSPHRASE", help="The key's passphrase; asked for when left out."),
    ] = "",
    workshop: Annotated[str, typer.Option(help="The workshop's name.")] = "",
    job: Annotated[str, typer.Option(help="The job done.")] = "",
    part: Annotated[list[str] | None, typer.Option(help="A part fitted; may be repeated.")] = None,
    supersedes: Annotated[
        int | None,
        typer.Option(parser=a_number, metavar="NUMBER", help="The certificate that this one corrects."),
    ] = None,
    electrical: Annotated[
        Path | None,
        typer.Option(
            help="JSON file with a qualified person's test: by, on, earth_ohm, insulation_megohm, leakage_ma, limits.",
            exists=True,
            dir_okay=False,
        ),
    ] = None,
    record: Annotated[
        Path | None,
        typer.Option(
            help="The electrical test's record (PDF, JPEG, PNG), attached.", exists=True, dir_okay=False
        ),
    ] = None,
    photo: Annotated[
        Path | None,
        typer.Option(
            help="A photo of the unit (JPEG, PNG): printed, attached, signed.", exists=True, dir_okay=False
        ),
    ] = None,
    out: OUT = None,
) -> None:
    """Certify a passed run: page, label, strip, signed object.

    Example: soaktest certify 12 --by "R. Field" --job "dispenser hose renewed" --part "dispenser-to-tub hose"
    """
    from soaktest.bench import find_run
    from soaktest.certificate.register import Told, bench_shows, issue, refuse_unfit
    from soaktest.settings import keys_folder, read_settings

    book = journal()
    refuse_unfit(find_run(book, run))  # nobody is asked for a passphrase in vain
    secret = passphrase or typer.prompt("Passphrase of the key", hide_input=True)
    told = Told(
        by, workshop, job, tuple(part or ()), supersedes, _electrical(electrical),
        record.read_bytes() if record else b"", photo.read_bytes() if photo else b"", read_settings().list_at, bench_shows(book, run),
    )  # fmt: skip
    folder = _folder(out)
    issued = issue(book, run, told, keys_folder(), secret)
    _lay_out(folder, issued.row, issued.sheets)


def _folder(out: Path | None) -> Path:
    from soaktest.settings import read_settings

    folder = out or read_settings().data / "certificates"
    folder.mkdir(parents=True, exist_ok=True)
    return folder


def _lay_out(folder: Path, row: CertificateRow, sheets: Mapping[Form, bytes]) -> None:
    """Write signed object and printed forms, and say where."""
    from soaktest.errors import InputError

    name = f"certificate-{row.number}"
    try:
        (folder / f"{name}.jws").write_text(row.token)
        for form, made in sheets.items():
            (folder / f"{name}{'' if form == 'page' else '-' + form}.pdf").write_bytes(made)
    except OSError as exc:
        raise InputError(
            f"{folder}: cannot be written ({exc.strerror}). Certificate {row.number} is signed and kept; print it "
            f"elsewhere: soaktest certificate print {row.number} --out FOLDER"
        ) from exc
    print(
        f"Certificate {row.number} for unit {row.unit}, run {row.run}: {folder / f'{name}.pdf'} (beside it label, strip and signed object)"
    )


def _electrical(where: Path | None) -> Electrical | None:
    if where is None:
        return None
    from pydantic import ValidationError

    from soaktest.certificate.statement import Electrical
    from soaktest.errors import InputError

    try:
        return Electrical.model_validate_json(where.read_bytes())
    except ValidationError as exc:
        fault = exc.errors()[0]
        raise InputError(f"{where}: {'.'.join(map(str, fault['loc']))}: {fault['msg']}.") from exc


def verify(
    what: Annotated[
        str, typer.Argument(help="A PDF, a .jws or .json file, or the pasted text of the QR code.")
    ],
    key_file: Annotated[
        list[Path] | None,
        typer.Option(
            "--key", help="The workshop's public key (JSON); the journal's own by default.", exists=True
        ),
    ] = None,
    recording: Annotated[
        Path | None, typer.Option(help="The recording, to be judged again and compared.", exists=True)
    ] = None,
    plan: Annotated[
        str | None, typer.Option(help="Its plan's file, where the workshop wrote its own.")
    ] = None,
    layout: Annotated[str | None, typer.Option(help="The same of the layout.")] = None,
    as_json: JSON = False,
) -> None:
    """Check a certificate, as a buyer does.

    Signature, key, content and revocation; with the recording, it is judged again. The key may be the workshop's published list (certificates.json): it holds the keys, and says what was revoked.

    Exit status: 0 it holds, 1 it does not. Example: soaktest verify certificate-1.pdf --key certificates.json
    """
    import orjson

    from soaktest.certificate.checking import check, check_against, pads_known

    keys, published = _keys_of(key_file or [])
    checked = check(_token(what), keys, None if key_file else journal(), published)
    faults, notes = list(checked.faults), list(checked.notes)
    if recording and checked.statement:
        known = pads_known(checked.statement)
        analysis, digest = _again(recording, plan or checked.statement.plan, layout, known)
        differs, more = check_against(checked, analysis, digest)
        faults += differs
        notes += more
        if not differs:
            notes.append("The recording is the one that was certified; judged again, it passes as certified.")
    said = checked.statement
    if as_json:
        told = {
            "holds": not faults,
            "faults": faults,
            "notes": notes,
            "key": checked.kid,
            "statement": said.model_dump() if said else None,
        }
        print(orjson.dumps(told).decode())
    else:
        out = console()
        out.print("[bold green]HOLDS[/]" if not faults else "[bold red]DOES NOT HOLD[/]")
        for line in [*faults, *notes]:
            out.print(f"  - {printable(line)}", markup=False)
        if said:
            out.print(
                printable(
                    f"Certificate {said.number}, unit {' '.join(filter(None, (said.unit, said.serial)))}, signed by {said.signed_by}, {when(float(said.issued))}"
                ),
                markup=False,
            )
            out.print(
                f"{plural(said.washes, 'leak-free wash')} under plan {said.plan}, run {said.run}, {when(float(said.began))}",
                markup=False,
            )
    raise typer.Exit(1 if faults else 0)


def _token(what: str) -> str:
    from soaktest.certificate.paper import token_of_pdf
    from soaktest.errors import InputError

    if what.count(".") == 2 and len(what) > 200:
        return what.strip()
    where = Path(what)
    try:
        content = where.read_bytes()
    except FileNotFoundError as exc:
        raise InputError(f"{what[:80]}: no such file, and no signed object either.") from exc
    except OSError as exc:
        raise InputError(
            f"{what[:80]}: is no file that can be read, and no signed object ({exc.strerror})."
        ) from exc
    if content[:5] == b"%PDF-":
        return token_of_pdf(content)
    text = content.decode("utf-8", "replace").strip()
    if text.startswith("{"):
        import orjson

        try:
            return str(orjson.loads(text)["token"])
        except (orjson.JSONDecodeError, KeyError) as exc:
            raise InputError(f'{where}: the JSON must hold the signed object under "token".') from exc
    return text


def _keys_of(files: list[Path]) -> tuple[dict[str, dict[str, Any]], dict[str, list[Any]]]:
    """Public keys by name, and by the same names the published lists that brought them."""
    import orjson

    from soaktest.errors import InputError

    found: dict[str, dict[str, Any]] = {}
    published: dict[str, list[Any]] = {}
    for where in files:
        try:
            told = orjson.loads(where.read_bytes())
            for one in told if isinstance(told, list) else told.get("keys", [told]):
                kid = str(one["kid"])
                found[kid] = {k: one[k] for k in ("kty", "crv", "x")}
                if isinstance(told, dict) and isinstance(told.get("certificates"), list):
                    published.setdefault(kid, []).extend(
                        r for r in told["certificates"] if isinstance(r, dict)
                    )
        except (orjson.JSONDecodeError, KeyError, TypeError, AttributeError) as exc:
            raise InputError(f"{where}: is no public key as `soaktest key show` prints it.") from exc
    return found, published


def _again(recording: Path, plan: str, layout: str | None, known: Knowledge) -> tuple[Analysis, str]:
    from soaktest.analysis.analyse import examine
    from soaktest.certificate.statement import file_sha256
    from soaktest.layouts import named_layout, read_layout
    from soaktest.plans import read_plan
    from soaktest.recording import read_recording

    told = read_recording(recording)
    floor = read_layout(layout) if layout else named_layout(told.header.layout)
    analysis = examine(told, floor, read_plan(plan), known)
    return analysis, file_sha256(recording.read_bytes())


@app.command("list")
def list_(as_json: JSON = False) -> None:
    """List certificates, the newest first.

    Example: soaktest certificate list
    """
    from soaktest.certificate.register import list_certificates

    rows = list_certificates(journal())
    if as_json:
        import orjson

        told = [
            {
                "number": r.number,
                "unit": r.unit,
                "run": r.run,
                "issued_at": r.issued_at,
                "stands": not fallen,
                "revoked_at": r.revoked_at,
                "why": fallen,
            }
            for r, fallen in rows
        ]
        print(orjson.dumps(told).decode())
        return
    if not rows:
        print("No certificate yet. Certify a passed run: soaktest certify RUN --by NAME")
        return
    shown = [
        (
            r.number,
            r.unit,
            r.run,
            when(r.issued_at),
            f"revoked{f' {when(r.revoked_at)}' if r.revoked_at else ''}: {fallen}" if fallen else "stands",
        )
        for r, fallen in rows
    ]
    show_table(("no.", "unit", "run", "issued", "state"), shown)


@app.command("print")
def print_(number: NUMBER, out: OUT = None) -> None:
    """Print a certificate again: page, label, strip, signed object.

    Example: soaktest certificate print 1 --out papers
    """
    from soaktest.certificate.register import print_again

    folder = _folder(out)
    _lay_out(folder, *print_again(journal(), number))


@app.command()
def revoke(
    number: NUMBER, why: Annotated[str, typer.Option(help="Such as: unit came back leaking.")]
) -> None:
    """Take a certificate back; it keeps its number.

    Example: soaktest certificate revoke 1 --why "came back leaking"
    """
    from soaktest.certificate.register import revoke as take_back

    take_back(journal(), number, why)
    print(f"Certificate {number} is revoked. Publish the list anew: soaktest certificate publish FOLDER")


@app.command()
def publish(folder: Annotated[Path, typer.Argument(help="Where the static page goes.")]) -> None:
    """Write the list of certificates as a static page.

    And as JSON, with the public keys; no unit's owner is named.

    Example: soaktest certificate publish site
    """
    from soaktest.certificate.publish import write_list

    print(f"Written: {write_list(journal(), folder)}")


@key.command("make")
def make(
    passphrase: Annotated[
        str,
        typer.Option(
            envvar="SOAKTEST_PASSPHRASE",
            prompt="New passphrase (8 characters or more)",
            hide_input=True,
            confirmation_prompt=True,
        ),
    ],
) -> None:
    """Make a key to sign with.

    The one before is retired, and what it signed still holds.

    Example: soaktest key make
    """
    from soaktest.certificate.keys import make_key
    from soaktest.settings import keys_folder

    print(
        f"Key {make_key(journal(), keys_folder(), passphrase)} signs from now on. Keep a copy of {keys_folder()} and remember the passphrase."
    )


@key.command("show")
def show() -> None:
    """Print the public keys that buyers check with.

    As a JSON Web Key Set. Example: soaktest key show > keys.json
    """
    import orjson

    from soaktest.certificate.keys import key_set

    print(orjson.dumps(key_set(journal()), option=orjson.OPT_INDENT_2).decode())


@key.command("list")
def keys_list() -> None:
    """List keys: in use, retired, revoked.

    Example: soaktest key list
    """
    from soaktest.certificate.keys import all_keys

    rows = all_keys(journal())
    if not rows:
        print("No key yet. Make one: soaktest key make")
    for r in rows:
        state = (
            f"revoked {when(r.revoked_at)}"
            if r.revoked_at
            else f"retired {when(r.retired_at)}"
            if r.retired_at
            else "in use"
        )
        print(f"{r.kid}  made {when(r.made_at)}  {state}")


@key.command("revoke")
def key_revoke(kid: Annotated[str, typer.Argument(help="The key's name; see: soaktest key list")]) -> None:
    """Take a key back, such as one that was copied.

    Nothing it signed counts any more.

    Example: soaktest key revoke KEY
    """
    from soaktest.certificate.keys import revoke_key

    revoke_key(journal(), kid)
    print(f"Key {kid} is revoked. Make another: soaktest key make")
