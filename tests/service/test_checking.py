"""A certificate in a buyer's hands: whose list speaks for it, whose key, and its recording judged again."""

from pathlib import Path

import orjson
from typer.testing import CliRunner

from soaktest.certificate.checking import check
from soaktest.certificate.keys import make_key, public_keys, revoke_key
from soaktest.certificate.publish import write_list
from soaktest.certificate.register import revoke
from soaktest.cli.app import app
from soaktest.journal import Journal, open_journal
from soaktest.recording import Recording
from soaktest.tables import CertificateRow
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
