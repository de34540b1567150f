"""The settings out of a backup: they name what was restored, and nothing on another machine.

Whoever can hand over a zip could otherwise have the shop send its broker's password to a host of their own,
write a backup there every night or print their address on labels. What reaches out is therefore set back, and
said, unless the person vouches for the zip (by its signature, or in words).
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final
from urllib.parse import urlsplit, urlunsplit

import tomlkit
from tomlkit.exceptions import TOMLKitError

from baulk.ingest import config as settings
from baulk.ingest.errors import BackupError
from baulk.ingest.exchange import manifest as manifests
from baulk.ingest.exchange.manifest import SQLITE

_HERE: Final = "127.0.0.1"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Change:
    """One line of the settings that is set anew; None takes it away."""

    part: str
    key: str
    was: object
    value: str | None

    @property
    def note(self) -> str:
        """What was done, for the person."""
        now = "taken away" if self.value is None else f"now {self.value}"
        return f"[{self.part}] {self.key} is {now}; it was {self.was}"


def settle(folder: Path, database: str | None, *, trusted: bool) -> tuple[str, ...]:
    """Change the settings in a restored folder and say what was changed.

    Parameters
    ----------
    folder : Path
        The folder that the files were restored into.
    database : str or None
        The address of the PostgreSQL database that it was restored into.
    trusted : bool
        Whether the person vouches for where the settings reach.

    Raises
    ------
    BackupError
        If the settings can't be read.
    """
    path = folder / settings.FILE
    try:
        text = path.read_text(encoding="utf-8")
        found, document = tomllib.loads(text), tomlkit.parse(text)
    except (UnicodeDecodeError, tomllib.TOMLDecodeError, TOMLKitError, RecursionError) as err:
        raise BackupError(f"the {settings.FILE} in the backup can't be read: {str(err)[:120]}") from err
    changes = [*_database(found, database)]
    if not trusted:
        named = {(each.part, each.key) for each in changes}
        changes += [each for each in _reaching(found) if (each.part, each.key) not in named]
    for each in changes:
        part: Any = document[each.part]
        if each.value is None:
            del part[each.key]
        else:
            part[each.key] = each.value
    if changes:
        after = tomlkit.dumps(document)
        _check(after, changes)
        path.write_text(after, encoding="utf-8")
    return tuple(each.note for each in changes)


def _check(text: str, changes: list[_Change]) -> None:
    """Refuse settings in which a change did not take: what is written decides, not what was meant."""
    try:
        found = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        found = {}
    for each in changes:
        if _part(found, each.part).get(each.key) != each.value:
            raise BackupError(
                f"[{each.part}] {each.key} of the {settings.FILE} in the backup can't be changed; it is "
                "written in an odd way"
            )


def _part(found: Mapping[str, object], name: str) -> Mapping[str, object]:
    part = found.get(name)
    return part if isinstance(part, dict) else {}


def _database(found: Mapping[str, object], database: str | None) -> Iterator[_Change]:
    """Have the settings name the restored database, never that of the shop that was backed up."""
    store = _part(found, "store")
    where = store.get("path")
    if isinstance(where, str) and not manifests.for_database(where):
        yield _Change(part="store", key="path", was=where, value=SQLITE)
    if database is not None:
        key = "books_url" if "books_url" in store else "url"
        yield _Change(part="store", key=key, was=store.get(key), value=database)


def _reaching(found: Mapping[str, object]) -> Iterator[_Change]:
    """Find what would reach another machine, or a place outside the folder."""
    broker, store, pages = (_part(found, name) for name in ("broker", "store", "dashboard"))
    reaching = (("broker", broker), ("dashboard", pages), ("forward", _part(found, "forward")))
    for name, part in reaching:
        host = part.get("host")
        if isinstance(host, str) and not settings.is_loopback(host):
            yield _Change(part=name, key="host", was=host, value=_HERE)
    for key in ("url", "books_url"):
        address = store.get(key)
        if isinstance(address, str) and (near := _brought_here(address)) != address:
            yield _Change(part="store", key=key, was=address, value=near)
    if "devices_at" in broker:  # where devices would be sent to with their new passwords
        yield _Change(part="broker", key="devices_at", was=broker["devices_at"], value=None)
    if "url" in pages:
        yield _Change(part="dashboard", key="url", was=pages["url"], value=None)
    if "backup_dir" in store:
        yield _Change(part="store", key="backup_dir", was=store["backup_dir"], value=None)


def _brought_here(address: str) -> str:
    """Return the address with this machine for its host; what follows a ? may name a host as well."""
    try:
        parts = urlsplit(address)
        port, host = parts.port, parts.hostname
    except ValueError:  # no address at all: the settings are refused for it
        return address
    if host is not None and settings.is_loopback(host) and not parts.query and not parts.fragment:
        return address
    if settings.socket_of(address) is not None and not parts.fragment:
        return address
    user = f"{parts.username}@" if parts.username else ""
    place = f"{user}{_HERE}:{port}" if port else f"{user}{_HERE}"
    return urlunsplit((parts.scheme, place, parts.path, "", ""))
