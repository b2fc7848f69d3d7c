"""Certificates: issued on a pass alone, numbered without gaps, changed by nobody, checked by anybody."""

import base64
import hashlib
import io
import json
import time
from dataclasses import replace
from types import SimpleNamespace

import orjson
import pytest
from fastapi.testclient import TestClient
from pydantic import ValidationError
from pypdf import PdfReader
from typer.testing import CliRunner

from soaktest.analysis.events import PadCheck
from soaktest.bench import examine_run
from soaktest.broker import EmbeddedBroker
from soaktest.certificate.checking import check, check_against
from soaktest.certificate.keys import make_key, public_keys, revoke_key
from soaktest.certificate.paper import print_certificate
from soaktest.certificate.publish import write_list
from soaktest.certificate.register import (
    Told,
    bench_shows,
    issue,
    list_certificates,
    revoke,
)
from soaktest.certificate.statement import (
    Electrical,
    Statement,
    file_sha256,
    findings_sha256,
    recording_sha256,
    to_bytes,
)
from soaktest.cli.app import app
from soaktest.errors import InputError
from soaktest.layouts import read_layout
from soaktest.plans import read_plan
from soaktest.recording import Message, Recording, later, write_recording
from soaktest.records import keep_pad_check
from soaktest.replay import replay
from soaktest.simulate.bench import demo_scenario, simulate
from soaktest.tables import DripRow, RunRow
from soaktest.web.app import create_app
from soaktest.workshop.stories import NewEntry, story_of, write_entry
from tests.service.shop import PASSPHRASE, TOLD, Shop


def test_only_a_pass_is_certified_and_only_by_who_has_the_passphrase(shop: Shop) -> None:
    """A leak, a missing name, a wrong passphrase: each refused in words, and no number is used up."""
    keys = shop.folder / "keys"
    with pytest.raises(InputError, match="is a fail; only a pass"):
        issue(shop.journal, shop.leaked.id, TOLD, keys, PASSPHRASE)
    with pytest.raises(InputError, match="name of the person"):
        issue(shop.journal, shop.passed.id, Told(" "), keys, PASSPHRASE)
    with pytest.raises(InputError, match="not the key's passphrase"):
        issue(shop.journal, shop.passed.id, TOLD, keys, "wrong")
    assert PASSPHRASE.encode() not in (keys / f"{shop.kid}.pem").read_bytes()
    assert (keys / f"{shop.kid}.pem").stat().st_mode & 0o077 == 0

    assert shop.certify()[0].number == 1


def test_a_correction_supersedes_and_numbers_have_no_gap(shop: Shop) -> None:
    """The old one keeps its number and is said to be superseded; nothing is overwritten."""
    first, _ = shop.certify()
    with pytest.raises(InputError, match="has certificate 1"):
        shop.certify()

    second, _ = shop.certify(Told("R. Field", job="hose and clips renewed", supersedes=1))

    rows = list_certificates(shop.journal)
    assert [row.number for row, _ in rows] == [2, 1]
    assert [fallen for _, fallen in rows] == ["", "superseded by certificate 2"]
    assert rows[1].row.token == first.token
    keys = public_keys(shop.journal)
    assert check(second.token, keys, shop.journal).faults == []
    assert "superseded" in check(first.token, keys, shop.journal).faults[0]


def test_any_changed_field_or_byte_is_caught(shop: Shop) -> None:
    """Every field of the statement changed in turn, and every character of the signed object."""
    row, _ = shop.certify()
    keys = public_keys(shop.journal)
    head, body, signature = row.token.split(".")
    said = json.loads(base64.urlsafe_b64decode(body + "=="))
    assert len(said) > 20
    for name, value in said.items():
        changed = said | {name: value + 1 if isinstance(value, (int, float)) else f"{value}x"}
        forged = (
            base64.urlsafe_b64encode(orjson.dumps(changed, option=orjson.OPT_SORT_KEYS)).rstrip(b"=").decode()
        )
        assert check(f"{head}.{forged}.{signature}", keys).faults, name
    for at in range(0, len(row.token), 7):
        other = "A" if row.token[at] != "A" else "B"
        got = check(row.token[:at] + other + row.token[at + 1 :], keys)
        assert got.faults, at


def test_what_a_plan_cannot_bound_is_left_out_and_read_back_so(shop: Shop) -> None:
    """A plan that asks for no whole wash bounds no next wash: the statement is read back equal."""
    row, _ = shop.certify()
    said = check(row.token, public_keys(shop.journal)).statement
    assert said is not None
    unbounded = said.model_copy(update={"leak_chance_next_wash_95": None, "smallest_ml_90": None})

    assert Statement.model_validate(orjson.loads(to_bytes(unbounded))) == unbounded


def test_another_library_verifies_the_signature(shop: Shop) -> None:
    """jwcrypto, a JOSE library that this project does not use itself."""
    from jwcrypto import jwk, jws

    row, _ = shop.certify()
    key = jwk.JWK.from_json(json.dumps(public_keys(shop.journal)[shop.kid]))
    token = jws.JWS()
    token.deserialize(row.token)
    token.verify(key, "EdDSA")

    assert json.loads(token.payload)["unit"] == "A-0417"
    assert key.thumbprint() == shop.kid


def test_the_recording_at_hand_is_judged_again(shop: Shop) -> None:
    """The very recording agrees; another one does not."""
    row, analysis = shop.certify()
    checked = check(row.token, public_keys(shop.journal))
    for run, expected in ((shop.passed, []), (shop.leaked, ["SHA-256 differs", "verdict is fail"])):
        told = shop.journal.recording(run)
        path = write_recording(shop.folder / f"r{run.id}.ndjson.gz", told.header, told.messages)
        faults, _ = check_against(checked, examine_run(shop.journal, run), file_sha256(path.read_bytes()))
        assert all(any(word in fault for fault in faults) for word in expected)
        assert bool(faults) == bool(expected)
    assert analysis.findings.verdict == "pass"


def test_what_is_taken_back_says_so_here_and_on_the_list(shop: Shop) -> None:
    """A unit that came back; a key that was copied; a rotated key whose certificates still stand."""
    row, _ = shop.certify()
    new = make_key(shop.journal, shop.folder / "keys", PASSPHRASE)
    assert new != shop.kid
    assert check(row.token, public_keys(shop.journal), shop.journal).faults == []
    with pytest.raises(InputError, match="say why"):
        revoke(shop.journal, 1, " ")

    revoke(shop.journal, 1, "came back leaking <b>")

    assert "came back leaking" in check(row.token, public_keys(shop.journal), shop.journal).faults[0]
    page = write_list(shop.journal, shop.folder / "site").read_text()
    assert "REVOKED" in page
    assert "came back leaking &lt;b&gt;" in page
    revoke_key(shop.journal, shop.kid)
    assert "not known here" in check(row.token, public_keys(shop.journal)).faults[0]


def test_the_command_line_certifies_and_verifies(shop: Shop, monkeypatch: pytest.MonkeyPatch) -> None:
    """From a run to a PDF, and from PDF, file or pasted text to a word that it holds."""
    monkeypatch.setenv("SOAKTEST_DATA", str(shop.folder))
    monkeypatch.setenv("SOAKTEST_PASSPHRASE", PASSPHRASE)
    runner = CliRunner()
    made = runner.invoke(app, ["certify", str(shop.passed.id), "--by", "R. Field"])
    assert made.exit_code == 0, made.output
    folder = shop.folder / "certificates"
    public = shop.folder / "public.json"
    public.write_text(runner.invoke(app, ["key", "show"]).stdout)
    token = (folder / "certificate-1.jws").read_text()
    for what in (str(folder / "certificate-1.pdf"), str(folder / "certificate-1.jws"), token):
        assert runner.invoke(app, ["verify", what]).exit_code == 0
        away = runner.invoke(app, ["verify", what, "--key", str(public), "--json"])
        assert orjson.loads(away.stdout)["holds"] is True
    assert runner.invoke(app, ["verify", token[:-4] + "AAAA"]).exit_code == 1
    with pytest.raises(InputError, match=r"away\.pdf: no such file"):
        runner.invoke(app, ["verify", "away.pdf"], standalone_mode=False, catch_exceptions=False)


def test_a_certificate_revoked_for_cause_is_not_replaced(shop: Shop) -> None:
    """Nor is a run certified whose unit came back since; a correction says again what it does not say anew."""
    shop.certify()
    second, _ = shop.certify(Told("R. Field", supersedes=1))
    said = check(second.token, public_keys(shop.journal)).statement
    assert said is not None
    assert (said.job, said.parts, said.workshop) == (TOLD.job, list(TOLD.parts), TOLD.workshop)

    revoke(shop.journal, 2, "unit came back leaking")
    for told in (TOLD, Told("R. Field", supersedes=2), Told("R. Field", supersedes=1)):
        with pytest.raises(InputError, match="was revoked: unit came back leaking"):
            shop.certify(told)
    assert len(list_certificates(shop.journal)) == 2


def test_a_unit_that_came_back_is_tested_again_first(shop: Shop) -> None:
    """The run from before says nothing of it any more."""
    write_entry(shop.journal, "A-0417", NewEntry("came back", "leaks again"))
    with pytest.raises(InputError, match="came back after run"):
        shop.certify()


def test_many_sign_at_once_and_one_certificate_stands(shop: Shop) -> None:
    """Five people press the button: one is signed, the others are told."""
    from concurrent.futures import ThreadPoolExecutor

    from soaktest.errors import JournalError

    def signed(_: int) -> bool:
        try:
            shop.certify()
        except (InputError, JournalError):
            return False
        return True

    with ThreadPoolExecutor(5) as pool:
        assert sum(pool.map(signed, range(5))) == 1
    assert len(list_certificates(shop.journal)) == 1


def test_a_buyer_sees_on_the_published_list_that_it_was_taken_back(shop: Shop) -> None:
    """Keys and standing come from the one file; a list that is too old says so."""
    row, _ = shop.certify()
    runner = CliRunner()
    paper = shop.folder / "c.jws"
    paper.write_text(row.token)

    def verdict() -> dict[str, object]:
        folder = write_list(shop.journal, shop.folder / "site").parent
        told = runner.invoke(
            app, ["verify", str(paper), "--key", str(folder / "certificates.json"), "--json"]
        )
        return dict(orjson.loads(told.stdout))

    assert verdict()["holds"] is True
    today = time.strftime("%Y-%m-%d")
    assert f"By the list published as of {today}" in str(verdict()["notes"])
    revoke(shop.journal, 1, "came back")
    assert verdict()["faults"] == ["revoked: came back."]


def test_a_plan_of_ones_own_does_not_pass_for_a_shipped_one(shop: Shop) -> None:
    """It needs a name of its own before a buyer is told of it."""
    lax = read_plan("repair-check").model_copy(update={"name": "resale", "min_watch_s": 0.0})
    with shop.journal.session() as session:
        session.get_one(RunRow, shop.passed.id).plan = lax.model_dump_json()
    with pytest.raises(InputError, match="named 'resale' like a shipped one"):
        shop.certify()


def test_a_certificate_is_superseded_for_its_own_unit_alone(shop: Shop) -> None:
    """Not by one for another unit, which would take over its job and its electrical test."""
    shop.certify()
    with EmbeddedBroker() as broker:
        dry, _ = simulate(demo_scenario(leaking=False))
        moved = later(dry, 20_000, b"4")
        other = Recording(moved.header.model_copy(update={"unit": "B-1"}), moved.messages)
        run = replay(
            other, shop.journal, broker.address, (read_plan("repair-check"), read_layout("front-loader"))
        )
    with pytest.raises(InputError, match="is of unit A-0417"):
        issue(shop.journal, run.id, Told("R. Field", supersedes=1), shop.folder / "keys", PASSPHRASE)
    assert list_certificates(shop.journal)[0].fallen == ""


@pytest.mark.parametrize("what", ["fail", "repair"])
def test_an_older_pass_is_not_certified_over_what_came_later(shop: Shop, what: str) -> None:
    """A later run that failed; a repair that nobody has tested."""
    if what == "repair":
        write_entry(shop.journal, "A-0417", NewEntry("repair", "new valve"))
    else:
        with shop.journal.session() as session:
            passed = session.get_one(RunRow, shop.passed.id)
            session.add(
                RunRow(bench="b1", unit="A-0417", plan=passed.plan, layout=passed.layout, began=passed.began + 9e4, ended=passed.began + 9.5e4,
                       stage="judged", findings='{"verdict":"fail"}', source="x")
            )  # fmt: skip
    with pytest.raises(InputError, match="failed after run" if what == "fail" else "was repaired after run"):
        shop.certify()


def test_what_comes_after_the_signature_changes_nothing(shop: Shop, monkeypatch: pytest.MonkeyPatch) -> None:
    """Late packs within the hour belong to a run, but not to what was certified before them."""
    assert shop.passed.ended is not None
    signed = shop.passed.ended + 5.0
    monkeypatch.setattr("soaktest.certificate.register.time", SimpleNamespace(time=lambda: signed))
    row, said, _, _ = issue(shop.journal, shop.passed.id, TOLD, shop.folder / "keys", PASSPHRASE)
    late = Message(signed + 30, "soaktest/b1/pads/presence", b"gone")
    shop.journal.keep([late], shop.passed.source)

    assert recording_sha256(shop.journal.recording(shop.passed)) == said.recording_sha256
    again = examine_run(shop.journal, shop.passed)
    assert findings_sha256(again.findings) == said.findings_sha256
    attached = PdfReader(io.BytesIO(print_certificate(said, row.token, again))).attachments
    assert hashlib.sha256(attached["findings.json"][0]).hexdigest() == said.findings_sha256


def test_what_a_revoked_key_signed_stands_on_no_list(shop: Shop, monkeypatch: pytest.MonkeyPatch) -> None:
    """Neither on the published one, nor at the command line, nor in the unit's story, nor on the page, which prints it no more."""
    shop.certify()
    revoke_key(shop.journal, shop.kid)
    why = "the key that signed it was revoked"

    assert why in write_list(shop.journal, shop.folder / "site").read_text()
    monkeypatch.setenv("SOAKTEST_DATA", str(shop.folder))
    told = orjson.loads(CliRunner().invoke(app, ["certificate", "list", "--json"]).stdout)
    assert [(one["stands"], one["why"]) for one in told] == [(False, why)]
    [entry] = [entry for entry in story_of(shop.journal, "A-0417") if entry.what == "certificate"]
    assert why in entry.text
    with TestClient(create_app(shop.journal, lambda _topic, _payload: None, None)) as client:
        assert f"<b>REVOKED</b>: {why}" in client.get("/certificates").text
        refused = client.get("/certificates/1/page")
    assert refused.status_code == 422
    assert why in refused.text


def test_it_says_when_each_pad_was_checked_calibrated_and_dripped_on(shop: Shop) -> None:
    """A touch with a damp finger leaves a calibration standing; a fault found since does not, nor does one of last year."""
    bench, began = shop.passed.bench, shop.passed.began
    day = 86_400.0
    for zone, days, ml, fault in (
        ("left", 9, 1.0, ""), ("left", 1, 0.0, ""), ("centre", 8, 2.0, ""), ("centre", 7, 0.0, "open"), ("centre", 6, 0.0, ""), ("right", 40, 1.0, ""),
    ):  # fmt: skip
        keep_pad_check(shop.journal, bench, zone, PadCheck(1e-7, 4e-5, ml, began - days * day), fault)  # type: ignore[arg-type]
    with shop.journal.session() as session:
        for k in range(30):
            session.add(DripRow(bench=bench, zone="left", ml=0.1, seen=True, at=began - (3 + k) * day))

    _, said, analysis, sheets = issue(
        shop.journal, shop.passed.id, replace(TOLD, drips=bench_shows(shop.journal, shop.passed.id)), shop.folder / "keys", PASSPHRASE
    )  # fmt: skip

    assert said.checked == {"left": int(began - day), "centre": int(began - 6 * day)}
    assert said.calibrated == {"left": (int(began - 9 * day), 1.0, 3.99e-5)}
    assert (said.bench_shows_ml_90_95, said.bench_tried) == (0.1, int(began - 3 * day))
    notes = {zone: pad.note for zone, pad in analysis.findings.pads.items()}
    assert "not calibrated" not in notes["left"]
    assert "not calibrated" in notes["centre"]
    text = " ".join(PdfReader(io.BytesIO(sheets["page"])).pages[0].extract_text().split())
    on = time.strftime("%Y-%m-%d", time.localtime(began - 9 * day))
    assert f"calibrated {on} with 1 ml; centre sound, checked" in text
    assert "last tried " + time.strftime("%Y-%m-%d", time.localtime(began - 3 * day)) in text


@pytest.mark.parametrize("broken", [{"by": ""}, {"earth_ohm": -1.0}, {"leakage_ma": float("nan")}])
def test_an_electrical_test_is_somebodys_and_measured(broken: dict[str, object]) -> None:
    """No empty name, no value below nought, none that is no number."""
    with pytest.raises(ValidationError):
        Electrical.model_validate({"by": "Q. Tester", "on": "2026-11-25"} | broken)
