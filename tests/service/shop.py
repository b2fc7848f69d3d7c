"""A workshop with a passed run, one that leaks, and a key to sign with."""

from dataclasses import dataclass
from pathlib import Path

from soaktest.analysis.analyse import Analysis
from soaktest.certificate.register import (
    Told,
    issue,
)
from soaktest.journal import Journal
from soaktest.tables import CertificateRow, RunRow

PASSPHRASE = "correct horse"
TOLD = Told("R. Field", "Fieldside Repairs", "hose renewed", ("dispenser-to-tub hose",))


@dataclass
class Shop:
    """A journal with a passed run and one that leaks, and a key."""

    journal: Journal
    folder: Path
    passed: RunRow
    leaked: RunRow
    kid: str

    def certify(self, told: Told = TOLD) -> tuple[CertificateRow, Analysis]:
        issued = issue(self.journal, self.passed.id, told, self.folder / "keys", PASSPHRASE)
        return issued.row, issued.analysis
