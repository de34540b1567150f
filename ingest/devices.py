"""Devices that have an account at the broker: enrolled, given what they need, their rights taken back."""

from __future__ import annotations

import json
import re
import secrets
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any, Final
from urllib.parse import quote, urlsplit

from baulk.ingest import broker_files
from baulk.ingest.broker_files import Device
from baulk.ingest.config import Config
from baulk.ingest.errors import DeviceError
from baulk.ingest.shop import Shop
from baulk.ingest.wire import topics

_KEY: Final = "device/"
_NAME: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}")
_DRAWN: Final = 18  # bytes of a password: 144 bits


@dataclass(frozen=True, slots=True, kw_only=True)
class Handover:
    """What a device needs to be told, once.

    Parameters
    ----------
    device : Device
        Whose it is.
    password : str
        In the clear; kept nowhere.
    host, port, tls : str, int, bool
        Of the broker, as devices reach it.
    publishes : tuple of str
        Topics that it may publish to, the first its own.
    """

    device: Device
    password: str
    host: str
    port: int
    tls: bool
    publishes: tuple[str, ...]

    @property
    def address(self) -> str:
        """All of it in one line, as the code to scan holds it."""
        scheme = "mqtts" if self.tls else "mqtt"
        login = f"{quote(self.device.name)}:{quote(self.password, safe='')}"
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"{scheme}://{login}@{host}:{self.port}/{self.publishes[0]}"


def enrolled(shop: Shop) -> list[Device]:
    """Give every device that has or had an account, by name."""
    return [one for each in shop.store.notes(_KEY).values() if (one := _read(each)) is not None]


def enrol(  # noqa: PLR0913 - what a device may do
    shop: Shop,
    name: str,
    *,
    now_utc: datetime,
    places: Sequence[str] = (),
    more_topics: Sequence[str] = (),
    display: bool = False,
    forwards: bool = False,
    events: bool = False,
    by: str = "",
    again: bool = False,
) -> Handover:
    """Make an account with a new password for a device, and write the broker's two files.

    Parameters
    ----------
    shop : Shop
        An open shop.
    name : str
        What the device is called; `baulk timber attach` knows it by the same name.
    now_utc : datetime
        Now, with a time zone.
    places, more_topics : sequence of str
        Places whose air it measures, and topics beside its own that it may publish to.
    display : bool
        Whether it reads verdicts, plans and notices.
    forwards : bool
        Whether it is a forwarder: it may publish wherever readings and events come.
    events : bool
        Whether it tells events of any timber.
    by : str
        Who enrols it.
    again : bool
        Give one that has an account a new password and these rights in place of its former ones.

    Raises
    ------
    DeviceError
        If the name can't be an account's, is taken, or a topic can't be given.
    ConfigError
        If the settings do not name our own accounts, or the files can't be written.
    """
    _check_name(shop.config, name)
    for place in places:
        if not _NAME.fullmatch(place):
            raise DeviceError(f"a place is made of up to 64 letters, digits, dots and dashes, not {place!r}")
    for topic in more_topics:
        if not topic or re.search(r"[+#\x00-\x1f\x7f]", topic) or topic.startswith("$"):
            raise DeviceError(f"{topic!r} is no single topic; a device is given topics without + and #")
        if topics.is_answer(topic, shop.config.slug):
            raise DeviceError(f"{topic!r} is what Baulk itself publishes to; no device may")
    known = next((one for one in enrolled(shop) if one.name.lower() == name.lower()), None)
    if known is not None and known.name != name:
        raise DeviceError(f"{name} differs from {known.name} by capitals only; take another name")
    if known is not None and known.revoked_utc is None and not again:
        raise DeviceError(
            f"{name} has an account since {_day(known.enrolled_utc, shop)}; --again makes a new password"
        )
    device = Device(
        name=name,
        enrolled_utc=now_utc,
        places=tuple(dict.fromkeys(places)),
        topics=tuple(dict.fromkeys(more_topics)),
        display=display,
        forwards=forwards,
        events=events,
        by=by,
    )
    password = secrets.token_urlsafe(_DRAWN)
    others = [one for one in enrolled(shop) if one.name != name]
    broker_files.write(shop.config, [*others, device], {name: broker_files.hashed(password)})
    _keep(shop, device)
    broker, at = shop.config.broker, urlsplit(shop.config.broker.devices_at or "")
    tls = at.scheme == "mqtts" if at.scheme else broker.tls
    return Handover(
        device=device,
        password=password,
        host=at.hostname or broker.host,
        port=at.port or ((8883 if tls else 1883) if at.scheme else broker.port),
        tls=tls,
        publishes=tuple(broker_files.publishes(device, shop.config.slug)),
    )


def revoke(shop: Shop, name: str, *, now_utc: datetime) -> Device:
    """Take a device's account and rights out of the broker's files; what it sent stays.

    Raises
    ------
    DeviceError
        If it has no account.
    """
    known = next((one for one in enrolled(shop) if one.name == name), None)
    if known is None or known.revoked_utc is not None:
        have = ", ".join(one.name for one in enrolled(shop) if one.revoked_utc is None) or "none has"
        raise DeviceError(f"{name} has no account at the broker; those that have: {have}")
    gone = replace(known, revoked_utc=now_utc)
    broker_files.write(shop.config, [one for one in enrolled(shop) if one.name != name])
    _keep(shop, gone)
    return gone


def write_files(shop: Shop) -> Path:
    """Write the broker's two files after a change of baulk.toml or of our password; give their folder."""
    return broker_files.write(shop.config, enrolled(shop))


def _check_name(config: Config, name: str) -> None:
    if not _NAME.fullmatch(name):
        raise DeviceError(
            f"the name of a device is made of up to 64 letters, digits, dots and dashes, not {name!r}"
        )
    if name.lower() in {str(config.broker.account(part)).lower() for part in broker_files.parts(config)}:
        raise DeviceError(f"{name} is an account of Baulk's own; take another name")


def _keep(shop: Shop, device: Device) -> None:
    body = {
        "name": device.name,
        "enrolled_utc": device.enrolled_utc.isoformat(),
        "places": device.places,
        "topics": device.topics,
        "display": device.display,
        "forwards": device.forwards,
        "events": device.events,
        "by": device.by,
        "revoked_utc": device.revoked_utc.isoformat() if device.revoked_utc else None,
    }
    shop.store.note(_KEY + device.name, json.dumps(body).encode())


def _read(note: bytes) -> Device | None:
    try:
        body: dict[str, Any] = json.loads(note)
        revoked = body["revoked_utc"]
        return Device(
            name=body["name"],
            enrolled_utc=datetime.fromisoformat(body["enrolled_utc"]),
            places=tuple(body["places"]),
            topics=tuple(body["topics"]),
            display=bool(body["display"]),
            forwards=bool(body.get("forwards", False)),
            events=bool(body.get("events", False)),
            by=body["by"],
            revoked_utc=datetime.fromisoformat(revoked) if revoked else None,
        )
    except (KeyError, TypeError, ValueError):  # written by another version
        return None


def _day(moment: datetime, shop: Shop) -> str:
    return f"{moment.astimezone(shop.config.zone):%Y-%m-%d}"
