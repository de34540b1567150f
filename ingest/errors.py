"""Errors of the way in: configuration, wire, store, broker. Each message is one sentence for the person."""

from __future__ import annotations

from baulk.models.errors import BaulkError


def extra_missing(what: str, extra: str) -> str:
    """Return the sentence for a part of the program whose packages only some shops install.

    Parameters
    ----------
    what : str
        What was asked for, with a capital, such as "PostgreSQL".
    extra : str
        Name of the extra in pyproject.toml.
    """
    return f"{what} needs packages that are not installed here; run: pip install 'baulk[{extra}]'"


class ConfigError(BaulkError, ValueError):
    """The shop's baulk.toml is missing, unreadable or says something that can't be meant."""


class WireError(BaulkError, ValueError):
    """A message can't be understood; it goes to quarantine with this reason."""


class Unlikely(BaulkError, ValueError):
    """What was entered can hardly be meant; whoever knows better says so, and it is entered.

    Parameters
    ----------
    why : str
        What speaks against it.
    option : str
        What a command takes to enter it all the same.
    """

    def __init__(self, why: str, option: str = "--yes") -> None:
        super().__init__(why)
        self.option = option


class NoSuchHour(BaulkError, ValueError):
    """A time by the clock on the wall that is not, or that comes twice, when the clocks are set."""


class RegisterError(BaulkError, ValueError):
    """A timber can't be entered or changed as asked."""


class StoreError(BaulkError, OSError):
    """The store can't be used."""


class StoreMissing(StoreError):
    """There is no store where the configuration says it is."""


class StoreLocked(StoreError):
    """Another process holds the store for longer than we wait; trying again may help."""


class StoreMoved(StoreLocked):
    """The shop went to another store, and settings or an open program still name the one before."""


class StoreBroken(StoreError):
    """The file is there and is not a store of ours."""


class StoreFull(StoreError):
    """The disk has no room, or the file may not be written."""


class StoreAway(StoreError):
    """A server that keeps the readings can't be reached, or has no time for us; later it may."""


class StoreRefused(StoreError):
    """A server that keeps the readings will not have us or what we send; trying again as it is won't help."""


class BrokerError(BaulkError, ConnectionError):
    """The broker can't be reached or refuses us."""


class DeviceError(BaulkError, ValueError):
    """A device can't be given an account at the broker, or has none to take back."""


class ExchangeError(BaulkError, ValueError):
    """A file can't be brought in or taken out as asked."""


class BackupError(BaulkError, OSError):
    """A backup can't be made or restored."""


class DocumentError(BaulkError, ValueError):
    """A stored evaluation says why there is none, or can't be read."""


class MappingError(BaulkError):
    """A mapping of a sensor's messages can't be kept."""
