"""Who may see the pages: on this machine anybody; from anywhere else a password or a sign-in is needed."""

from __future__ import annotations

import importlib.util
import ipaddress
import json
import math
import os
import secrets
import time
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from hashlib import blake2b
from pathlib import Path
from threading import BoundedSemaphore, Lock
from typing import Final, Literal

from argon2 import PasswordHasher, extract_parameters
from argon2.exceptions import InvalidHashError, VerificationError

from baulk.ingest.config import Config, is_loopback
from baulk.ingest.errors import ConfigError, extra_missing
from baulk.ingest.shop import Shop
from baulk.models.errors import BaulkError

PASSWORD_FILE: Final = "pages.password"  # noqa: S105 - a file's name; it holds an argon2 hash
LOGIN_FILE: Final = "login.toml"
_LOGIN_PACKAGES: Final = ("authlib", "httpx")
SHORTEST: Final = 10
STAYS: Final = timedelta(days=30)
NOTE: Final = "pass/"
Locked = Literal["open", "password", "login"]
_HASHING: Final = BoundedSemaphore(2)


def lock(config: Config) -> Locked:
    """Return what stands before the pages of a shop."""
    return lock_of(config.shop_dir)


def lock_of(folder: Path) -> Locked:
    """Return what stands before the pages of a shop folder."""
    if (folder / LOGIN_FILE).exists():
        return "login"
    return "password" if (folder / PASSWORD_FILE).exists() else "open"


def refuse_open(config: Config, host: str) -> None:
    """Refuse to serve the pages beyond this machine without a password or a sign-in.

    Raises
    ------
    ConfigError
        With what to do about it.
    """
    kind = lock(config)
    if kind == "login":
        _refuse_half_login(config)
    elif kind == "password":
        _read_hash(config.shop_dir)
    elif not is_loopback(host):
        raise ConfigError(
            f"the pages would be open to everybody who reaches {host}; set a password with "
            f"`baulk password --shop {config.shop_dir}`, or leave host at 127.0.0.1"
        )


def _refuse_half_login(config: Config) -> None:
    if None in map(importlib.util.find_spec, _LOGIN_PACKAGES):
        raise ConfigError(extra_missing("Signing in through a provider", "login"))
    path = config.shop_dir / LOGIN_FILE
    try:
        given = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as err:
        raise ConfigError(f"{path} can't be read as TOML: {err}") from err
    auth = given.get("auth")
    needed = {"redirect_uri", "cookie_secret", "client_id", "client_secret", "server_metadata_url"}
    missing = sorted(needed - (auth.keys() if isinstance(auth, dict) else set()))
    if missing:
        raise ConfigError(f"{path}, [auth]: {', '.join(missing)} missing; see the README on signing in")
    if not config.dashboard.allowed:
        raise ConfigError(
            f"{path} lets in every account of the provider; name the people under allowed, e-mail "
            "addresses, in [dashboard] of baulk.toml"
        )


def set_password(folder: Path, password: str) -> None:
    """Keep the hash (argon2id) of a password in the shop folder, readable by its owner only.

    Raises
    ------
    ConfigError
        If it is too short, or the file can't be written.
    """
    if len(password) < SHORTEST:
        raise ConfigError(f"a password has at least {SHORTEST} signs, this one {len(password)}")
    path = folder / PASSWORD_FILE
    fresh = path.with_suffix(".new")
    try:
        number = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
        with os.fdopen(number, "w", encoding="ascii") as file:
            file.write(PasswordHasher().hash(password) + "\n")
        fresh.replace(path)
    except OSError as err:
        raise ConfigError(f"{path} can't be written: {err.strerror}") from err


def take_password_away(folder: Path) -> bool:
    """Open the pages again; return whether there was a password."""
    try:
        (folder / PASSWORD_FILE).unlink()
    except FileNotFoundError:
        return False
    except OSError as err:
        raise ConfigError(f"{folder / PASSWORD_FILE} can't be taken away: {err.strerror}") from err
    return True


def _read_hash(folder: Path) -> str:
    path = folder / PASSWORD_FILE
    try:
        text = path.read_text(encoding="ascii").strip()
    except (OSError, UnicodeDecodeError) as err:
        raise ConfigError(f"{path} can't be read: {err}; set it anew with `baulk password`") from err
    try:
        extract_parameters(text)
    except InvalidHashError:
        text = ""
    if not text:
        raise ConfigError(f"{path} does not hold a password's hash; set it anew with `baulk password`")
    return text


def right(folder: Path, password: str) -> bool:
    """Return whether a password is the shop's; each try takes 64 MB, so two at most are made at once."""
    kept = _read_hash(folder)
    with _HASHING:
        try:
            return PasswordHasher().verify(kept, password)
        except (InvalidHashError, VerificationError):
            return False


class TooSoon(BaulkError, PermissionError):
    """A password was tried before the wait was over."""


def tried(folder: Path, password: str, address: str, patience: Patience) -> bool:
    """Return whether a password is the shop's, unless its address has guessed too often.

    Raises
    ------
    TooSoon
        If it has to wait; then the password is not looked at.
    """
    if (wait_s := patience.begin(address)) > 0:
        raise TooSoon(f"too many wrong passwords from here; try again in {math.ceil(wait_s)} seconds")
    ok = right(folder, password)
    patience.end(address, ok=ok)
    return ok


@dataclass(slots=True)
class Patience:
    """Makes whoever guesses wait longer and longer, each address for itself.

    A try counts as wrong from its beginning until it is known to be right, so that guesses made side by side
    are held like those made one after the other. Addresses of one IPv6 network of 64 bits, which is what a
    single subscriber gets, count as one.

    Parameters
    ----------
    free : int
        Wrong passwords before the first wait.
    most : int
        Addresses that are remembered.
    """

    free: int = 4
    most: int = 10_000
    _wrong: dict[str, tuple[int, float]] = field(default_factory=dict)
    _alone: Lock = field(default_factory=Lock)

    def begin(self, address: str, now_s: float | None = None) -> float:
        """Count a try, or return how long it has to wait; one that waits is not counted."""
        now_s, key = time.monotonic() if now_s is None else now_s, _network(address)
        with self._alone:
            count, since = self._wrong.get(key, (0, now_s))
            if count >= self.free and (wait_s := since + _pause_s(count - self.free) - now_s) > 0:
                return wait_s
            self._wrong.pop(key, None)
            self._wrong[key] = (count + 1, now_s)  # last, so that the first is the one silent for longest
            if len(self._wrong) > self.most:  # a flood from many addresses must not fill the memory
                del self._wrong[next(iter(self._wrong))]
        return 0.0

    def end(self, address: str, *, ok: bool) -> None:
        """Forget the wrong ones before a right one."""
        if ok:
            with self._alone:
                self._wrong.pop(_network(address), None)


def _pause_s(more: int) -> float:
    return min(2.0 ** (min(more, 10) + 1), 300.0)


def _network(address: str) -> str:
    try:
        found = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return address
    if isinstance(found, ipaddress.IPv6Address):
        if found.ipv4_mapped is not None:
            return str(found.ipv4_mapped)
        return str(ipaddress.ip_network((int(found), 64), strict=False))
    return str(found)


def why_not_listed(address: str, verified: object, allowed: Sequence[str]) -> str | None:
    """Return why somebody whom the provider has signed in may not see the pages; nothing if they may.

    Parameters
    ----------
    address : str
        The e-mail address that the provider gives.
    verified : object
        What it says in ``email_verified``; some write the word.
    allowed : sequence of str
        Who may.
    """
    if not address or address.lower() not in {each.lower() for each in allowed}:
        return (
            f"{address or 'this account'} is not on the shop's list; whoever runs the shop adds it under "
            "allowed, [dashboard], in baulk.toml"
        )
    if verified is not True and str(verified).lower() != "true":
        return (
            f"the provider does not say that {address} is yours (email_verified); confirm the address "
            "there, then sign in again"
        )
    return None


def new_pass(shop: Shop, now_utc: datetime) -> str:
    """Return a new pass for a browser; the shop keeps only its hash, for thirty days."""
    passes = shop.store.notes(NOTE)
    stale = [key for key, value in passes.items() if not _lasts(value, now_utc)]
    if stale:
        shop.store.forget(*stale)
    token = secrets.token_urlsafe(32)
    until = (now_utc.astimezone(UTC) + STAYS).isoformat()
    kept = {"until": until, "password": _mark(shop.config.shop_dir)}
    shop.store.note(_key(token), json.dumps(kept).encode())
    return token


def admits(shop: Shop, token: str, now_utc: datetime) -> bool:
    """Return whether a browser's pass is one of ours, lasts, and belongs to the present password."""
    kept = shop.store.noted(_key(token))
    if kept is None or not _lasts(kept, now_utc):
        return False
    return bool(json.loads(kept).get("password") == _mark(shop.config.shop_dir))


def take_pass_away(shop: Shop, token: str) -> None:
    """End a browser's pass."""
    shop.store.forget(_key(token))


def _lasts(kept: bytes, now_utc: datetime) -> bool:
    return datetime.fromisoformat(json.loads(kept)["until"]) > now_utc


def _key(token: str) -> str:
    return NOTE + blake2b(token.encode(), digest_size=24).hexdigest()


def _mark(folder: Path) -> str:
    """Return what changes when the password does, so that a new password ends every pass."""
    return blake2b(_read_hash(folder).encode(), digest_size=12).hexdigest()
