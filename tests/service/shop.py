"""A workshop with a passed run, one that leaks, and a key to sign with; stories and judged runs in a few words."""

from dataclasses import dataclass
from datetime import date
from pathlib import Path

from soaktest.analysis.analyse import Analysis
from soaktest.certificate.register import (
    Told,
    issue,
)
from soaktest.journal import Journal
from soaktest.tables import CertificateRow, RunRow
from soaktest.workshop.stories import NewEntry, write_entry

PASSPHRASE = "correct horse"
DAY = 86_400.0
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


def say(journal: Journal, tag: str, what: str, text: str = "", at: float | date = 0.0, **more: object) -> int:
    return write_entry(journal, tag, NewEntry(what, text, at or None, **more)).id  # type: ignore[arg-type]


def kept_run(journal: Journal, unit: str, began: float, verdict: str, *, ended: bool = True) -> None:
    with journal.session() as session:
        session.add(
            RunRow(
                bench="b1", unit=unit, plan='{"name":"resale"}', layout='{"name":"front-loader"}', began=began, ended=began + 3600 if ended else None, stage="ended",
                findings=f'{{"verdict":"{verdict}"}}',
            )
        )  # fmt: skip
