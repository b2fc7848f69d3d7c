"""A certificate in a buyer's hands: whose list speaks for it, whose key, and its recording judged again."""

from pathlib import Path

import orjson
import pytest
from typer.testing import CliRunner

from soaktest.analysis.analyse import examine
from soaktest.analysis.events import PadCheck
from soaktest.certificate.checking import check, check_against, pads_known
from soaktest.certificate.keys import make_key, public_keys, revoke_key
from soaktest.certificate.publish import write_list
from soaktest.certificate.register import revoke
from soaktest.certificate.statement import Statement, file_sha256, to_bytes
from soaktest.cli.app import app
from soaktest.journal import Journal, open_journal
from soaktest.layouts import read_layout
from soaktest.plans import read_plan
from soaktest.recording import Recording, later, read_recording, write_recording
from soaktest.records import keep_pad_check
from soaktest.simulate.bench import Scenario, simulate
from soaktest.tables import CertificateRow, RunRow
from soaktest.vocabulary import ZONES
from tests.service.shop import PASSPHRASE, Shop


def verified(paper: Path, lists: list[Path]) -> dict[str, list[str]]:
    """What ``soaktest verify`` says of a certificate by lists published."""
    chosen = [word for where in lists for word in ("--key", str(where / "certificates.json"))]
    told = CliRunner().invoke(app, ["verify", str(paper), *chosen, "--json"])
    return dict(orjson.loads(told.stdout))


def another_shop(folder: Path, dry: Recording) -> Shop:
    """A second workshop, which numbers its certificates as it likes."""
    journal = open_journal(f"sqlite:///{folder / 'other.sqlite'}")
    kid = make_key(journal, folder / "keys", PASSPHRASE)
    other = Shop(journal, folder, None, None, kid)  # type: ignore[arg-type]
    other.passed = other.hear(dry)
    return other


def test_of_two_lists_the_one_that_brought_the_key_speaks(shop: Shop, dry: Recording) -> None:
    """Two workshops have a certificate 1 each: one's revocation neither hides behind the other nor strikes it."""
    other = another_shop(shop.folder, dry)
    papers = []
    for name, one in (("a", shop), ("b", other)):
        row, _ = one.certify()
        papers.append(shop.folder / f"{name}.jws")
        papers[-1].write_text(row.token)
    revoke(shop.journal, 1, "came back leaking")
    lists = [write_list(one.journal, shop.folder / name).parent for name, one in (("A", shop), ("B", other))]

    for order in (lists, lists[::-1]):
        assert verified(papers[0], order)["faults"] == ["revoked: came back leaking."]
        assert verified(papers[1], order)["faults"] == []
    other.journal.close()


def restored(journal: Journal) -> None:
    """As after a journal was restored from a copy: the number was given to another certificate."""
    with journal.session() as session:
        row = session.get_one(CertificateRow, 1)
        row.token = row.token[:-4] + "AAAA"


def test_a_list_that_holds_another_certificate_of_that_number_says_so(shop: Shop) -> None:
    """The number alone is not enough: the list names each signed object by its SHA-256."""
    row, _ = shop.certify()
    paper = shop.folder / "c.jws"
    paper.write_text(row.token)
    assert verified(paper, [write_list(shop.journal, shop.folder / "site").parent])["faults"] == []

    restored(shop.journal)

    faults = verified(paper, [write_list(shop.journal, shop.folder / "site").parent])["faults"]
    assert faults == ["the published list holds another certificate 1."]


def test_a_revoked_key_is_called_revoked_where_the_journal_is_at_hand(shop: Shop) -> None:
    """Not unknown: nobody is sent to look for a key that the workshop took back."""
    row, _ = shop.certify()
    revoke_key(shop.journal, shop.kid)

    [fault] = check(row.token, public_keys(shop.journal), shop.journal).faults

    assert "the key that signed it was revoked on 20" in fault


@pytest.mark.parametrize("ml", [0.0, 1.0])
def test_a_certificate_that_rests_on_checked_pads_holds_against_its_recording(shop: Shop, ml: float) -> None:
    """Pads that a damp finger proved whole, and pads too blind to pass but for their calibration."""
    plan = read_plan("repair-check")
    if ml:
        scenario = Scenario(seed=12, bits=8, divider_ohm=2000.0, end_of_line_ohm=None)
    else:
        plan = plan.model_copy(update={"name": "strict", "allow_unproven_pads": False})
        scenario = Scenario(seed=12, end_of_line_ohm=None)
    heard = later(simulate(scenario)[0], 90_000, b"5")
    run = shop.hear(heard, judged=False)
    for zone in ZONES:
        keep_pad_check(shop.journal, run.bench, zone, PadCheck(1.1e-8, 1.234567891e-4, ml, run.began - 100))
    with shop.journal.session() as session:
        run = session.get_one(RunRow, run.id)
        run.plan = plan.model_dump_json()
    issued = shop.certify_run(run)
    told = shop.journal.recording(run)
    where = write_recording(shop.folder / "r.ndjson.gz", told.header, told.messages)
    again, floor = read_recording(where), read_layout("front-loader")
    checked = check(issued.row.token, public_keys(shop.journal))
    assert checked.statement is not None

    alone = examine(again, floor, plan)
    with_checks = examine(again, floor, plan, pads_known(checked.statement))

    assert alone.findings.verdict == "retest"
    digest = file_sha256(where.read_bytes())
    assert "judged again, verdict is retest" in check_against(checked, alone, digest)[0][0]
    assert check_against(checked, with_checks, digest)[0] == []
    assert with_checks.findings.assurance == issued.analysis.findings.assurance
    if ml:
        paper = shop.folder / "c.jws"
        paper.write_text(issued.row.token)
        lists = write_list(shop.journal, shop.folder / "site").parent / "certificates.json"
        args = ["verify", str(paper), "--key", str(lists), "--recording", str(where)]
        said = CliRunner().invoke(app, args)
        assert said.exit_code == 0, said.output
        assert "the workshop's own checks of its pads" in " ".join(said.output.split())


def test_an_older_certificate_is_excused_its_unproven_pads(shop: Shop) -> None:
    """It says of no check that it was judged with, and of no siemens that a calibration found."""
    row, _ = shop.certify()
    run = shop.hear(later(simulate(Scenario(seed=12, end_of_line_ohm=None))[0], 90_000, b"5"))
    plan = read_plan("repair-check").model_copy(update={"allow_unproven_pads": False})
    checked = check(row.token, public_keys(shop.journal))
    assert checked.statement is not None
    analysis = examine(shop.journal.recording(run), read_layout("front-loader"), plan)
    assert analysis.findings.verdict == "retest"

    faults, notes = check_against(checked, analysis, checked.statement.recording_sha256)

    assert faults == []
    assert "the workshop had checked it" in notes[0]
    old = orjson.loads(to_bytes(checked.statement)) | {"calibrated": {"left": [5, 1.0]}}
    assert Statement.model_validate(old).calibrated["left"].siemens_per_ml is None
