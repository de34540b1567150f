"""The broker's two files: who has an account (`passwd`), and who may publish and read what (`acl`).

They lie in `broker` in the shop folder and are written whole, for mosquitto to take over (deploy/mosquitto).
A password is shown once; only its hash is kept. The broker knows each connection by its account, so that
nobody can take another's session.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import os
import secrets
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Final

from baulk.ingest.config import PASSWORD, Config
from baulk.ingest.errors import ConfigError
from baulk.ingest.wire import topics
from baulk.ingest.wire.message import MOST_LISTENERS
from baulk.models.quantity import Owner

FOLDER: Final = "broker"
PASSWD: Final = "passwd"  # noqa: S105 - a file's name; it holds hashes
ACL: Final = "acl"
PART: Final = "{part}"
FORWARD: Final = "forward"  # the part of the program that `baulk forward` is at a yard's own broker
_ROUNDS: Final = 101  # as mosquitto_passwd: our passwords are drawn, so that more rounds protect nothing
_SALT: Final = 12  # bytes


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
    ours = [topics.verdict("+", slug), topics.notices(slug), *_announced(config), topics.plan("+", slug)]
    for part in parts(config):
        lines += ["", f"user {config.broker.account(part)}"]
        if part == "plan":
            lines.append(f"topic write {topics.plan('+', slug)}")
        elif part == FORWARD:
            lines += _rules_of_forwarder(config)
        elif part == "pair":  # hears everything for ten minutes, while somebody looks for a new sensor
            lines.append("topic read #")
        else:  # a listener
            lines += [f"topic write {one}" for one in ours]
            lines += [f"topic read {one}" for one in topics.subscriptions(slug, config.source)]
            lines.append(f"topic write {topics.status('+', slug)}")
    for device in devices:
        if device.revoked_utc is None and (mine := _rules_of(device, config)):
            lines += ["", f"user {device.name}", *mine]
    return "\n".join(lines) + "\n"


def lacking(config: Config, devices: Sequence[Device]) -> list[str]:
    """Give the accounts that the access list in the shop's folder leaves without a right that they need.

    An older version wrote it; what such an account sends then is confirmed by the broker and goes nowhere.
    Whether the broker has that very file is not seen from here.

    Parameters
    ----------
    config : Config
        Settings of the shop.
    devices : sequence of Device
        Every device that has or had an account.

    Returns
    -------
    list of str
        Names of accounts, in the order of the list; empty where no list was written.
    """
    if config.broker.user is None:
        return []  # no accounts of our own
    try:
        written = (config.shop_dir / FOLDER / ACL).read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError):
        return []
    there = _by_account(written)
    needed = _by_account(rules(config, devices))
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


def parts(config: Config) -> list[str]:
    """Return the parts of this program that have an account each."""
    several = [f"listener-{k}" for k in range(1, MOST_LISTENERS + 1)] if config.broker.share else []
    here = [] if config.forward is None else [FORWARD]  # a yard's own broker
    return ["listener", *several, "plan", "pair", *here]


def _own_lines(config: Config, former: Mapping[str, str]) -> dict[str, str]:
    """Give the lines of Baulk's own accounts; whoever enrols a device need not know their password."""
    secret = config.broker.password
    names = [str(config.broker.account(part)) for part in parts(config)]
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


def write(config: Config, devices: Sequence[Device], fresh: Mapping[str, str] | None = None) -> Path:
    """Write both files whole.

    Parameters
    ----------
    config : Config
        Settings of the shop.
    devices : sequence of Device
        Every device that has or had an account; those whose rights were taken back are left out.
    fresh : mapping of str to str, optional
        Hashes of new passwords by account; the others keep theirs.

    Returns
    -------
    Path
        The folder that they lie in.

    Raises
    ------
    ConfigError
        If the settings do not name our own accounts, a hash is lost, or the files can't be written.
    """
    folder = config.shop_dir / FOLDER
    if config.broker.user is None or PART not in config.broker.user:
        raise _no_accounts()
    try:
        former = dict(_lines(folder / PASSWD))
        kept = {one.name: former.get(one.name, "") for one in devices if one.revoked_utc is None} | dict(
            fresh or {}
        )
        if missing := sorted(name for name, line in kept.items() if not line):
            raise ConfigError(
                f"{folder / PASSWD} lacks {', '.join(missing)}, as after a restore, for no backup holds it: "
                "copy the file that the broker has to there, or enrol each again with --again"
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
