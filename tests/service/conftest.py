"""A journal, and the workshop that the tests of certificates share."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from soaktest.broker import EmbeddedBroker
from soaktest.certificate.keys import make_key
from soaktest.journal import Journal, open_journal
from soaktest.layouts import read_layout
from soaktest.plans import read_plan
from soaktest.recording import Recording
from soaktest.replay import replay
from soaktest.simulate.bench import Truth
from tests.conftest import later
from tests.service.shop import PASSPHRASE, Shop


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    book = open_journal(f"sqlite:///{tmp_path / 'j.sqlite'}")
    yield book
    book.close()


@pytest.fixture
def shop(tmp_path: Path, demo: tuple[Recording, Truth], dry: Recording) -> Iterator[Shop]:
    journal = open_journal(f"sqlite:///{tmp_path / 'journal.sqlite'}")
    judged_by = (read_plan("repair-check"), read_layout("front-loader"))
    with EmbeddedBroker() as broker:
        leaked = replay(demo[0], journal, broker.address, judged_by)
        passed = replay(later(dry, 10_000, b"2"), journal, broker.address, judged_by)
    kid = make_key(journal, tmp_path / "keys", PASSPHRASE)
    yield Shop(journal, tmp_path, passed, leaked, kid)
    journal.close()
