"""The tree of errors. Each says what is wrong, where, and how to mend it.

::

    SoaktestError            exit status 2, never a traceback
    ├── InputError           something given to us cannot be used
    │   ├── Missing          a run, unit, certificate or note that is not there
    │   ├── NotEnough        records that are too few for an answer yet
    │   ├── RecordingError   a recording that cannot be read
    │   ├── PlanError        a plan file, or a plan no run could meet
    │   └── LayoutError      a layout file
    ├── MessageFault         one message that breaks the contract; it is set aside
    ├── JournalError         the database cannot be opened, read or written
    ├── BrokerError          no broker, wrong port, refused
    └── RunError             a run that is not in the stage asked for
"""

from __future__ import annotations

from typing import Literal, NamedTuple


class Way(NamedTuple):
    """Where an error is mended: by a command, such as ``run end 3``, or on a page."""

    command: str
    at: Literal["bench", "run", "runs", "certificates", "units"]
    which: str = ""
    """The bench's name or the run's number, where the page is of one."""


class SoaktestError(Exception):
    """Root of all errors that a user is shown as one clear line; ``said`` is that line without the command that mends it."""

    def __init__(self, said: str, way: Way | None = None) -> None:
        told = "" if way is None else f"{' See' if said.endswith('.') else ''}: soaktest {way.command}"
        super().__init__(said + told)
        self.said, self.way = said, way


class InputError(SoaktestError):
    """Something given on the command line or in a file cannot be used."""


class Missing(InputError):
    """A run, unit, certificate or note that is named and is not there."""


class NotEnough(InputError):
    """Too little has been written down for an answer that means anything; ``needs`` says how much more, where it is known."""

    def __init__(self, said: str, **needs: int) -> None:
        super().__init__(said)
        self.needs = needs


def plain_text(name: str, given: str, longest: int, *, lines: bool = False) -> str:
    """Text as people type it, without blanks at its ends; with ``lines`` it may have several.

    Raises:
        InputError: too long, or it holds characters that no keyboard gives (control codes, broken UTF-8).
    """
    text = given.replace("\r\n", "\n").replace("\r", "\n").strip()
    if len(text) > longest:
        raise InputError(f"{name}: has {len(text)} characters; {longest} at the most.")
    odd = next((c for c in text if not (c.isprintable() or (lines and c in "\n\t"))), None)
    if odd is not None:
        raise InputError(f"{name}: holds the character {odd!a}, which cannot be printed. Type it anew.")
    return text


class RecordingError(InputError):
    """A recording file that cannot be read."""


class PlanError(InputError):
    """A plan that is not well-formed, or that no run could ever meet."""


class LayoutError(InputError):
    """A layout that is not well-formed."""


class MessageFault(SoaktestError):
    """One message breaks the contract: it is set aside with this reason."""


class JournalError(SoaktestError):
    """The journal's database cannot be opened, read or written."""


class BrokerError(SoaktestError):
    """The broker cannot be reached, or refused us."""


class RunError(SoaktestError):
    """A run that is not in the stage that was asked for."""
