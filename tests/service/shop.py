"""A workshop with a passed run, one that leaks, and a key to sign with; stories and judged runs in a few words."""

from dataclasses import dataclass
from datetime import date
from pathlib import Path

from soaktest.analysis.analyse import Analysis
from soaktest.bench import begin_run, judge_run
from soaktest.certificate.register import (
    Issued,
    Told,
    issue,
)
from soaktest.journal import Journal
from soaktest.layouts import read_layout
from soaktest.plans import read_plan
from soaktest.recording import Recording
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
        issued = self.certify_run(self.passed, told)
        return issued.row, issued.analysis

    def hear(
        self,
        recording: Recording,
        plan: str = "repair-check",
        source: str = "",
        override: str | None = None,
        *,
        judged: bool = True,
    ) -> RunRow:
        """A further run as its bench heard it, live where it has no ``source``."""
        self.journal.keep(list(recording.messages), source)
        judged_by = (read_plan(plan), read_layout("front-loader"))
        run = begin_run(self.journal, recording.header, *judged_by, override, source)
        if judged:
            judge_run(self.journal, run.id)
        return run

    def certify_run(self, run: RunRow, told: Told = TOLD) -> Issued:
        return issue(self.journal, run.id, told, self.folder / "keys", PASSPHRASE)


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
