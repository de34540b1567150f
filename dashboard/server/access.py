"""Who may see the pages: on this machine anybody; from anywhere else a password or a sign-in is needed."""

from __future__ import annotations

import importlib.util
import ipaddress
import json
import os
import secrets
import time
import tomllib
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from hashlib import blake2b
from pathlib import Path
from typing import Final, Literal

from argon2 import PasswordHasher, extract_parameters
from argon2.exceptions import InvalidHashError, VerificationError

from baulk.ingest.config import Config
from baulk.ingest.errors import ConfigError, extra_missing
from baulk.ingest.shop import Shop

PASSWORD_FILE: Final = "pages.password"  # noqa: S105 - a file's name; it holds an argon2 hash
LOGIN_FILE: Final = "login.toml"
_LOGIN_PACKAGES: Final = ("authlib", "httpx")
SHORTEST: Final = 10
STAYS: Final = timedelta(days=30)
NOTE: Final = "pass/"
Lock = Literal["open", "password", "login"]


def is_loopback(host: str) -> bool:
    """Return whether an address can be reached from this machine only."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def lock(config: Config) -> Lock:
    """Return what stands before the pages of a shop."""
    if (config.shop_dir / LOGIN_FILE).exists():
        return "login"
    return "password" if (config.shop_dir / PASSWORD_FILE).exists() else "open"


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
    """Return whether a password is the shop's."""
    try:
        return PasswordHasher().verify(_read_hash(folder), password)
    except (InvalidHashError, VerificationError):
        return False


@dataclass(slots=True)
class Patience:
    """Makes whoever guesses wait longer and longer, each address for itself.

    Parameters
    ----------
    free : int
        Wrong passwords before the first wait.
    """

    free: int = 4
    wrong: dict[str, tuple[int, float]] = field(default_factory=dict)

    def wait_s(self, address: str, now_s: float | None = None) -> float:
        """Return how long this address has to wait still."""
        count, since = self.wrong.get(address, (0, 0.0))
        if count < self.free:
            return 0.0
        pause = min(2.0 ** (count - self.free + 1), 300.0)
        return max(0.0, since + pause - (time.monotonic() if now_s is None else now_s))

    def note(self, address: str, *, ok: bool, now_s: float | None = None) -> None:
        """Remember a try."""
        if ok:
            self.wrong.pop(address, None)
            return
        if len(self.wrong) > 10_000:  # a flood from many addresses must not fill the memory
            self.wrong.clear()
        self.wrong[address] = (
            self.wrong.get(address, (0, 0.0))[0] + 1,
            time.monotonic() if now_s is None else now_s,
        )


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
