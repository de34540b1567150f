"""What there is to see to: its kinds, and one of them."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from baulk.models.reason import Reason


class Trouble(StrEnum):
    """Kinds of findings."""

    SILENT = "silent sensor"
    BATTERY = "low battery"
    CLOCK = "wrong clock"
    STUCK = "stuck value"
    QUARANTINE = "quarantine"
    SESSION = "lost session"
    FORWARDER = "forwarder"
    CERTIFICATE = "certificate"
    BEHIND = "verdict behind"
    STOPPED = "forecasts stopped"
    DISK = "disk"
    BACKUP = "backup"
    FILES = "open files"


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """Something to see to.

    Parameters
    ----------
    kind : Trouble
        What it is.
    about : str
        The series, tag, topic, folder; with the kind it names the finding.
    reason : Reason
        What is wrong, a code of `baulk.models.text.notices`.
    """

    kind: Trouble
    about: str
    reason: Reason
