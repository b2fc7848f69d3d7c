"""A journal, and the workshop that the tests of certificates share."""

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from soaktest.broker import EmbeddedBroker
from soaktest.certificate.keys import make_key
from soaktest.journal import Journal, open_journal, run_of
from soaktest.layouts import read_layout
from soaktest.plans import read_plan
from soaktest.recording import Recording, later
from soaktest.replay import replay
from soaktest.simulate.bench import Truth
from tests.service.shop import PASSPHRASE, Shop


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    book = open_journal(f"sqlite:///{tmp_path / 'j.sqlite'}")
    yield book
    book.close()


@pytest.fixture(scope="session")
def shop_as_opened(
    tmp_path_factory: pytest.TempPathFactory, demo: tuple[Recording, Truth], dry: Recording
) -> tuple[Path, int, int, str]:
    """The folder of a shop that every test begins with: two runs replayed and judged, and a key; the runs' ids and the key's."""
    folder = tmp_path_factory.mktemp("shop")
    journal = open_journal(f"sqlite:///{folder / 'journal.sqlite'}")
    judged_by = (read_plan("repair-check"), read_layout("front-loader"))
    with EmbeddedBroker() as broker:
        leaked = replay(demo[0], journal, broker.address, judged_by)
        passed = replay(later(dry, 10_000, b"2"), journal, broker.address, judged_by)
    kid = make_key(journal, folder / "keys", PASSPHRASE)
    journal.close()
    return folder, passed.id, leaked.id, kid


@pytest.fixture
def shop(tmp_path: Path, shop_as_opened: tuple[Path, int, int, str]) -> Iterator[Shop]:
    folder, passed, leaked, kid = shop_as_opened
    shutil.copytree(folder, tmp_path, dirs_exist_ok=True)
    journal = open_journal(f"sqlite:///{tmp_path / 'journal.sqlite'}")
    with journal.session() as session:
        runs = run_of(session, passed), run_of(session, leaked)
    yield Shop(journal, tmp_path, *runs, kid)
    journal.close()
