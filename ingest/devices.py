"""Accounts at the broker: one a device, with topics of its own, and one for each part of this program.

Two files in the shop folder, `broker/passwd` and `broker/acl`, are written whole from what the store knows of
the devices, for mosquitto to take over (deploy/mosquitto). A password is shown once; only its hash is kept.
The broker knows each connection by its account, so that nobody can take another's session.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
import os
import re
import secrets
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any, Final
from urllib.parse import quote, urlsplit

from baulk.ingest.config import PASSWORD, Config
from baulk.ingest.errors import ConfigError, DeviceError
from baulk.ingest.shop import Shop
from baulk.ingest.wire import topics
from baulk.ingest.wire.message import MOST_LISTENERS
from baulk.models.quantity import Owner

FOLDER: Final = "broker"
PASSWD: Final = "passwd"  # noqa: S105 - a file's name; it holds hashes
ACL: Final = "acl"
PART: Final = "{part}"
FORWARD: Final = "forward"  # the part of the program that `baulk forward` is at a yard's own broker
_KEY: Final = "device/"
_NAME: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}")
_ROUNDS: Final = 101  # as mosquitto_passwd: our passwords are drawn, so that more rounds protect nothing
_SALT: Final = 12  # bytes
_DRAWN: Final = 18  # bytes of a password: 144 bits


@dataclass(frozen=True, slots=True, kw_only=True)
class Device:
    """A device with an account of its own.

    Parameters
    ----------
    name : str
        Of device and account.
    enrolled_utc : datetime
        When its present password was made.
    places : tuple of str
        Places whose air it measures.
    topics : tuple of str
        Further topics that it may publish to.
    display : bool
        Whether it reads verdicts, plans and notices.
    forwards : bool
        Whether it is a forwarder, which hands on what sensors at a yard far away send.
    events : bool
        Whether it tells events of any timber: what was measured, seen or done on it.
    by : str
        Who enrolled it.
    revoked_utc : datetime or None
        When its rights were taken back.
    """

    name: str
    enrolled_utc: datetime
    places: tuple[str, ...] = ()
    topics: tuple[str, ...] = ()
    display: bool = False
    forwards: bool = False
    events: bool = False
    by: str = ""
    revoked_utc: datetime | None = None


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
    _write_files(shop.config, [*others, device], {name: hashed(password)})
    _keep(shop, device)
    broker, at = shop.config.broker, urlsplit(shop.config.broker.devices_at or "")
    tls = at.scheme == "mqtts" if at.scheme else broker.tls
    return Handover(
        device=device,
        password=password,
        host=at.hostname or broker.host,
        port=at.port or ((8883 if tls else 1883) if at.scheme else broker.port),
        tls=tls,
        publishes=tuple(publishes(device, shop.config.slug)),
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
    _write_files(shop.config, [one for one in enrolled(shop) if one.name != name], {})
    _keep(shop, gone)
    return gone


def write_files(shop: Shop) -> Path:
    """Write the broker's two files after a change of baulk.toml or of our password; give their folder."""
    return _write_files(shop.config, enrolled(shop), {})


def publishes(device: Device, slug: str) -> Iterator[str]:
    """Give the topics that a device may publish to, its own first; + stands for any timber."""
    yield topics.device(device.name, slug)
    for place in device.places:
        yield topics.device(device.name, slug, place)
    if device.events:
        yield topics.event("+", slug)
    yield from device.topics


def rules(config: Config, devices: Sequence[Device]) -> str:
    """Word who may do what as mosquitto's access list."""
    slug = config.slug
    lines = [
        "# Who may do what at the broker, written by `baulk sensor`; changes made here are lost.",
        "# What is forbidden is not refused but silent: the broker confirms it and delivers nothing.",
        "",
        "# every account: its own topic, which bears its name",
        f"pattern write {topics.device('%u', slug)}",
    ]
    ours = [topics.verdict("+", slug), topics.notices(slug)]
    ours += _announced(config)
    told = [f"topic write {one}" for one in ours]
    for part in _parts(config):
        lines += ["", f"user {config.broker.account(part)}"]
        if part == "plan":
            lines.append(f"topic write {topics.plan('+', slug)}")
        elif part == FORWARD:
            lines += _rules_of_forwarder(config)
        elif part == "pair":  # hears everything for ten minutes, while somebody looks for a new sensor
            lines.append("topic read #")
        else:
            lines += told
        if part.startswith("listener"):
            lines.append(f"topic write {topics.plan('+', slug)}")
            lines += [f"topic read {one}" for one in topics.subscriptions(slug, config.source)]
            lines.append(f"topic write {topics.status('+', slug)}")
    for device in devices:
        if device.revoked_utc is None and (mine := _rules_of(device, config)):
            lines += ["", f"user {device.name}", *mine]
    return "\n".join(lines) + "\n"


def lacking(shop: Shop) -> list[str]:
    """Give the accounts that the access list in the shop's folder leaves without a right that they need.

    An older version wrote it; what such an account sends then is confirmed by the broker and goes nowhere.
    Whether the broker has that very file is not seen from here.

    Parameters
    ----------
    shop : Shop
        An open shop.

    Returns
    -------
    list of str
        Names of accounts, in the order of the list; empty where no list was written.
    """
    path = shop.config.shop_dir / FOLDER / ACL
    if shop.config.broker.user is None:
        return []  # no accounts of our own
    try:
        written = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError):
        return []
    there = _by_account(written)
    needed = _by_account(rules(shop.config, enrolled(shop)))
    return [name or "every account" for name, rights in needed.items() if rights - there.get(name, set())]


def _by_account(text: str) -> dict[str, set[str]]:
    found: dict[str, set[str]] = {}
    name = ""
    for line in text.splitlines():
        if line.startswith("user "):
            name = line.removeprefix("user ")
        elif line.startswith(("topic ", "pattern ")):
            found.setdefault(name, set()).add(line)
    return found


def _announced(config: Config) -> list[str]:
    """Give the filter of what is announced: we write it, and a display may be what reads it."""
    prefix = config.announce.prefix
    return [] if prefix is None else [f"{prefix}/sensor/+/config"]


def _rules_of_forwarder(config: Config) -> list[str]:
    """Word what `baulk forward` may do at its yard's own broker: take everything, say that it is there."""
    if config.forward is None:
        return []
    asked = topics.handed_on(config.slug, config.source, config.forward.topics)
    here = topics.forwarder_here(config.forward.name, config.slug)
    return [*(f"topic read {one}" for one in asked), f"topic readwrite {here}"]


def _rules_of(device: Device, config: Config) -> list[str]:
    """Word what a device may do beside what every account may."""
    slug = config.slug
    mine = [f"topic write {one}" for one in list(publishes(device, slug))[1:]]
    if device.forwards:
        mine += [f"topic write {one}" for one in _forwarded(config)]
        mine.append(f"topic write {topics.forwarder(device.name, slug)}")
    if device.display:
        shown = (topics.verdict("+", slug), topics.plan("+", slug), topics.notices(slug))
        mine += [f"topic read {one}" for one in (*shown, topics.status("+", slug), *_announced(config))]
    return mine


def _forwarded(config: Config) -> list[str]:
    """Give the filters under which readings and events come, and none of what we publish ourselves."""
    slug = config.slug
    own = [topics.own(Owner.TIMBER, "+", slug), topics.own(Owner.AIR, "+", slug), topics.event("+", slug)]
    moving = [topics.device("+", slug), topics.device("+", slug, "+")]
    return [*own, *moving, topics.weather_ahead(slug), *dict.fromkeys(one.topic for one in config.source)]


def hashed(password: str) -> str:
    """Hash a password as `mosquitto_passwd` of 2.0 does: PBKDF2 with SHA-512."""
    salt = secrets.token_bytes(_SALT)
    made = hashlib.pbkdf2_hmac("sha512", password.encode(), salt, _ROUNDS)
    return f"$7${_ROUNDS}${base64.b64encode(salt).decode()}${base64.b64encode(made).decode()}"


def _fits(kept: str, password: str) -> bool:
    try:
        _, mark, rounds, salt, made = kept.split("$")
        found = hashlib.pbkdf2_hmac("sha512", password.encode(), base64.b64decode(salt), int(rounds))
        return mark == "7" and hmac.compare_digest(found, base64.b64decode(made))
    except ValueError:
        return False


def _parts(config: Config) -> list[str]:
    several = [f"listener-{k}" for k in range(1, MOST_LISTENERS + 1)] if config.broker.share else []
    here = [] if config.forward is None else [FORWARD]  # a yard's own broker
    return ["listener", *several, "out", "plan", "pair", *here]


def _check_name(config: Config, name: str) -> None:
    if not _NAME.fullmatch(name):
        raise DeviceError(
            f"the name of a device is made of up to 64 letters, digits, dots and dashes, not {name!r}"
        )
    if name.lower() in {str(config.broker.account(part)).lower() for part in _parts(config)}:
        raise DeviceError(f"{name} is an account of Baulk's own; take another name")


def _own_lines(config: Config, former: Mapping[str, str]) -> dict[str, str]:
    """Give the lines of Baulk's own accounts; whoever enrols a device need not know their password."""
    secret = config.broker.password
    names = [str(config.broker.account(part)) for part in _parts(config)]
    if secret is None:
        if not all(former.get(name) for name in names):
            raise _no_accounts()
        return {name: former[name] for name in names}
    password = secret.get_secret_value()
    return {
        name: former[name] if _fits(former.get(name, ""), password) else hashed(password) for name in names
    }


def _no_accounts() -> ConfigError:
    return ConfigError(
        f'set user = "baulk-{PART}" in [broker] of baulk.toml and a password in {PASSWORD} first: an '
        "account for each part of Baulk is written beside those of the devices"
    )


def _write_files(config: Config, devices: Sequence[Device], fresh: dict[str, str]) -> Path:
    folder = config.shop_dir / FOLDER
    if config.broker.user is None or PART not in config.broker.user:
        raise _no_accounts()
    try:
        former = dict(_lines(folder / PASSWD))
        kept = {one.name: former.get(one.name, "") for one in devices if one.revoked_utc is None} | fresh
        if missing := sorted(name for name, line in kept.items() if not line):
            raise ConfigError(
                f"{folder / PASSWD} lacks {', '.join(missing)}, as after a restore, for no backup holds it: "
                "copy the file that the broker has to there, or enrol each anew with --again"
            )
        kept |= _own_lines(config, former)
        folder.mkdir(mode=0o700, exist_ok=True)
        _put(folder / ACL, rules(config, devices))
        _put(folder / PASSWD, "".join(f"{name}:{kept[name]}\n" for name in sorted(kept)))
    except (OSError, UnicodeDecodeError) as err:
        raise ConfigError(f"the broker's files in {folder} can't be written: {err}") from err
    return folder


def _lines(path: Path) -> Iterator[tuple[str, str]]:
    if path.exists():
        for line in path.read_text(encoding="utf-8").splitlines():
            name, colon, rest = line.partition(":")
            if colon:
                yield name, rest


def _put(path: Path, text: str) -> None:
    part = path.with_name(f".{path.name}.part")
    with os.fdopen(
        os.open(part, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "w", encoding="utf-8"
    ) as file:
        file.write(text)
    part.replace(path)


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
