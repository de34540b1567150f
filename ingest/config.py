"""The shop's settings: one folder, one baulk.toml; passwords only from the environment."""

from __future__ import annotations

import ipaddress
import os
import re
import tomllib
from collections.abc import Mapping
from datetime import tzinfo
from functools import lru_cache
from pathlib import Path
from typing import Annotated, Any, ClassVar, Final, Literal, Self
from urllib.parse import parse_qs, urlsplit

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    SecretStr,
    ValidationError,
    field_validator,
    model_validator,
)

from baulk.ingest.errors import ConfigError
from baulk.ingest.meters import MeterPart
from baulk.ingest.store_kinds import STORES
from baulk.ingest.wire.logger_columns import Logger
from baulk.ingest.wire.source import Source
from baulk.ingest.wire.topics import valid_filter
from baulk.ingest.wire.zone import zone_of

FILE = "baulk.toml"
PASSWORD = "BAULK_BROKER_PASSWORD"  # noqa: S105 - the name of the variable
FORWARD_PASSWORD: Final = "BAULK_FORWARD_PASSWORD"  # noqa: S105
STORE_PASSWORD: Final = "BAULK_STORE_PASSWORD"  # noqa: S105
TOKEN: Final = "BAULK_INFLUX_TOKEN"  # noqa: S105
_SLUG = r"^[a-z0-9][a-z0-9-]{0,62}$"
Twelve = Annotated[tuple[float, ...], Field(min_length=12, max_length=12)]


_SECRETS: Final = (
    ("broker", "password", PASSWORD),
    ("forward", "password", FORWARD_PASSWORD),
    ("store", "password", STORE_PASSWORD),
    ("store", "token", TOKEN),
)


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class ShopPart(_Part):
    """What the shop is called and which units its people read."""

    name: str = Field(default="Shop", min_length=1, max_length=80)
    topic: str | None = Field(default=None, pattern=_SLUG)  # the shop's level in MQTT topics
    units: Literal["inch", "metric"] = "metric"
    temperature: Literal["F", "C"] | None = None
    zone: str | None = None  # by whose clock people write times and nights are counted; this machine's

    @field_validator("zone")
    @classmethod
    def _zone_exists(cls, text: str | None) -> str | None:
        if text is not None:
            zone_of(text)
        return text


class BrokerAt(_Part):
    """How a broker is reached."""

    section: ClassVar[str]
    secret: ClassVar[str]
    host: str = Field(default="127.0.0.1", min_length=1)
    port: int = Field(default=1883, ge=1, le=65535)
    user: str | None = None  # {part} in it stands for listener, listener-1, plan, pair: an account for each
    client_id: str | None = Field(default=None, pattern=r"^[A-Za-z0-9_-]{1,64}$")
    keepalive_s: int = Field(default=30, ge=5, le=3600)
    tls: bool = False
    ca_file: Path | None = None
    cert_file: Path | None = None
    key_file: Path | None = None
    password: SecretStr | None = Field(default=None, exclude=True)

    @field_validator("user")
    @classmethod
    def _holds_no_more(cls, text: str | None) -> str | None:
        if text is not None and re.search(r"[{}:\s]", text.replace("{part}", "")):
            raise ValueError(f"user = {text!r} is no account's name; {{part}} is the only thing in braces")
        return text

    def account(self, part: str) -> str | None:
        """Return the account that a part of the program signs in with."""
        return None if self.user is None else self.user.replace("{part}", part)


class BrokerPart(BrokerAt):
    """Where the messages come from."""

    section: ClassVar[str] = "broker"
    secret: ClassVar[str] = PASSWORD
    session_days: float = Field(default=14, gt=0, le=3650)
    share: str | None = Field(default=None, pattern=r"^[A-Za-z0-9_-]{1,64}$")  # several listeners take turns
    devices_at: str | None = Field(
        default=None, pattern=r"^mqtts?://([A-Za-z0-9._-]{1,253}|\[[0-9A-Fa-f:]+\])(:\d{1,5})?$"
    )  # as devices reach the broker, if not as we do
    spool_mb: float = Field(default=500, gt=0)  # room for messages while the store is away


class ForwardPart(BrokerAt):
    """Where `baulk forward` sends what comes from [broker]: the shop's broker, seen from a yard far away."""

    section: ClassVar[str] = "forward"
    secret: ClassVar[str] = FORWARD_PASSWORD
    host: str = Field(min_length=1)
    name: str = Field(default="shed", pattern=r"^[A-Za-z0-9][A-Za-z0-9_-]{0,39}$")  # of this forwarder
    topics: tuple[str, ...] = ()  # filters beside the shop's own level and those of [[source]]
    spool_mb: float = Field(default=2000, ge=5)  # room for what waits for the link; one message takes up to 4

    @field_validator("topics")
    @classmethod
    def _can_be_asked_for(cls, filters: tuple[str, ...]) -> tuple[str, ...]:
        for one in filters:
            if not valid_filter(one) or one.startswith("$"):
                raise ValueError(f"{one!r} is no filter: # stands alone at the end, + alone on its level")
        return filters


class StorePart(_Part):
    """Where the readings are kept."""

    kind: str = "sqlite"
    path: Path = Path("shop.db")  # register and books, unless in PostgreSQL; the readings too with "sqlite"
    wait_s: float = Field(default=5, ge=0, le=600)
    url: str | None = None  # of the server: postgresql://user@host:5432/database, http://host:8086
    books_url: str | None = None  # with "influx": register and books in this PostgreSQL database
    org: str | None = None
    bucket: str = Field(default="baulk", min_length=1)
    kept_bucket: str | None = Field(default=None, min_length=1)  # what never goes; "bucket" may forget then
    thin_after_days: float | None = Field(default=None, ge=1)
    thin_to: Literal["hourly", "daily"] = "hourly"
    quarantine_mb: float = Field(default=200, gt=0)  # room for messages that could not be stored
    quarantine_days: float = Field(default=400, ge=1)  # how long they are kept
    messages_days: float = Field(default=28, ge=1, le=3650)  # how long messages stay as they came, and
    messages_mb: float = Field(default=500, gt=0)  # how much room they may take, packed
    backup_dir: Path | None = None  # a backup every night goes there; the last fourteen stay
    password: SecretStr | None = Field(default=None, exclude=True)
    token: SecretStr | None = Field(default=None, exclude=True)

    @model_validator(mode="after")
    def _server(self) -> Self:
        if self.kind not in STORES:
            raise ValueError(f"{self.kind!r} is not a kind of store; known: {', '.join(STORES)}")
        kind = STORES[self.kind]
        for name, schemes in (("url", kind.url_schemes), ("books_url", STORES["postgres"].url_schemes)):
            if given := getattr(self, name):
                _check_url(name, given, schemes)
        if kind.url_schemes and not self.url:
            raise ValueError(f'kind = "{self.kind}" needs a url, for instance {kind.url_schemes[0]}...')
        for name, what in kind.needs.items():
            if not getattr(self, name, None):
                raise ValueError(f'kind = "{self.kind}" needs {name}, {what}')
        if self.books_url and kind.holds_register:
            apart = " or ".join(f'"{name}"' for name, each in STORES.items() if not each.holds_register)
            raise ValueError(
                f"books_url belongs to kind = {apart}; with the others books and readings are one"
            )
        return self

    @property
    def postgres_url(self) -> str | None:
        """The PostgreSQL database of register and books; None if these lie in the file at `path`."""
        return self.url if self.kind == "postgres" else self.books_url


class ClimatePart(_Part):
    """The air to expect: twelve months, January first, or a file of a typical year."""

    temp_c: Twelve | None = None
    rh_pct: Twelve | None = None
    typical_year: Path | None = None

    @model_validator(mode="after")
    def _both(self) -> Self:
        if (self.temp_c is None) != (self.rh_pct is None):
            raise ValueError("needs both temp_c and rh_pct, twelve values each")
        if self.rh_pct and not all(0 <= rh <= 100 for rh in self.rh_pct):
            raise ValueError("rh_pct lies between 0 and 100")
        if self.temp_c and not all(-60 <= temp <= 60 for temp in self.temp_c):
            raise ValueError("temp_c lies between -60 and 60")
        return self


class VerdictPart(_Part):
    """How sure a verdict has to be, and how long the work goes on after a piece is squared."""

    probability: float = Field(default=0.9, ge=0.5, lt=1)
    build_days: float = Field(default=365, ge=0, le=3650)


class CostsPart(_Part):
    """What the shop pays, in its own money: an hour of work, and coat for a square metre."""

    hour: float | None = Field(default=None, ge=0, le=10_000)
    coat_m2: float | None = Field(default=None, ge=0, le=10_000)


class LearningPart(_Part):
    """Whether a timber's forecast leans on the others of the yard."""

    from_yard: bool = True


class DashboardPart(_Part):
    """Where the pages are served."""

    port: int = Field(default=8501, ge=1, le=65535)
    host: str = Field(default="127.0.0.1", pattern=r"^[A-Za-z0-9.:_-]{1,253}$")
    url: str | None = Field(default=None, pattern=r"^https?://[^\s/?#]+(/[^\s?#]*)?$")  # as phones reach them
    cert_file: Path | None = None
    key_file: Path | None = None
    allowed: tuple[str, ...] = ()  # who may sign in, by e-mail address

    @model_validator(mode="after")
    def _both(self) -> Self:
        if (self.cert_file is None) != (self.key_file is None):
            raise ValueError("TLS needs both cert_file and key_file")
        return self

    @property
    def address(self) -> str:
        """Where the pages are reached; this machine's own when the settings do not say."""
        scheme = "https" if self.cert_file else "http"
        host = f"[{self.host}]" if ":" in self.host else self.host
        return self.url or f"{scheme}://{host}:{self.port}"


class NoticesPart(_Part):
    """When people want to be left alone, and what they do not want to hear of."""

    quiet_from: str | None = Field(default="21:00", pattern=r"^([01]\d|2[0-3]):[0-5]\d$")
    quiet_to: str | None = Field(default="07:00", pattern=r"^([01]\d|2[0-3]):[0-5]\d$")
    without: tuple[str, ...] = ()


class AnnouncePart(_Part):
    """Whether timbers and air plans are announced to home automation; off until a prefix is set."""

    prefix: str | None = Field(default=None, pattern=r"^[A-Za-z0-9_-]+(/[A-Za-z0-9_-]+)*$", max_length=100)


class Config(_Part):
    """Everything in baulk.toml, and the folder it lies in."""

    shop_dir: Path
    shop: ShopPart = ShopPart()
    broker: BrokerPart = BrokerPart()
    forward: ForwardPart | None = None
    store: StorePart = StorePart()
    climate: ClimatePart = ClimatePart()
    verdict: VerdictPart = VerdictPart()
    costs: CostsPart = CostsPart()
    learning: LearningPart = LearningPart()
    dashboard: DashboardPart = DashboardPart()
    notices: NoticesPart = NoticesPart()
    announce: AnnouncePart = AnnouncePart()
    source: tuple[Source, ...] = ()
    meter: tuple[MeterPart, ...] = ()
    logger: tuple[Logger, ...] = ()

    @property
    def store_path(self) -> Path:
        """The store's file; a relative path counts from the shop folder."""
        return self.shop_dir / self.store.path

    @property
    def slug(self) -> str:
        """The shop's level in MQTT topics."""
        return self.shop.topic or slugify(self.shop.name)

    @property
    def client_id(self) -> str:
        """The listener's fixed name at the broker, by which its session is kept."""
        return self.broker.client_id or f"baulk-{self.slug}"[:64]

    @property
    def temperature(self) -> Literal["F", "C"]:
        """Degrees that the shop's people read; those of their length units unless set."""
        return self.shop.temperature or ("F" if self.shop.units == "inch" else "C")

    @property
    def zone(self) -> tzinfo | None:
        """The shop's time zone; None is this machine's, as `datetime.astimezone` takes it."""
        return None if self.shop.zone is None else zone_of(self.shop.zone)

    def beside(self, path: Path) -> Path:
        """Take a relative path from the shop folder."""
        return self.shop_dir / path


def _check_url(name: str, url: str, schemes: tuple[str, ...]) -> None:
    if not schemes:
        raise ValueError(f'{name} belongs to kind = "postgres" or "influx"; "sqlite" needs none')
    if not url.startswith(schemes):
        raise ValueError(f"{name} begins with {' or '.join(schemes)}")
    parts = urlsplit(url)
    # PostgreSQL takes both there too; a host may be the folder of a local socket
    told = parse_qs(parts.query) if "postgresql://" in schemes else {}
    if parts.password is not None or "password" in told:
        raise ValueError(f"a password does not belong in {name}; set {STORE_PASSWORD} instead")
    if not parts.hostname and not told.get("host"):
        by_socket = f", or {schemes[0]}/baulk?host=/var/run/postgresql" if "postgresql://" in schemes else ""
        raise ValueError(f"{name} names no host, for instance {schemes[0]}127.0.0.1{by_socket}")


def socket_of(url: str) -> str | None:
    """Return the folder of the local socket that a PostgreSQL address names, if it names no other machine."""
    parts = urlsplit(url)
    query = parse_qs(parts.query)
    folders = query.get("host", [])
    local = (
        bool(folders) and all(each.startswith("/") for each in folders) and query.keys() <= {"host", "port"}
    )
    return folders[-1] if local and not parts.hostname else None


def is_loopback(host: str) -> bool:
    """Return whether an address can be reached from this machine only."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


@lru_cache(maxsize=64)  # asked with every message
def slugify(name: str) -> str:
    """Make a topic level of a name: small letters, digits and dashes."""
    return re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")[:60].strip("-") or "shop"


def load(shop_dir: Path | str, env: Mapping[str, str] = os.environ) -> Config:
    """Read the settings of a shop folder; every mistake is named in one sentence."""
    folder = Path(shop_dir).expanduser().absolute()
    path = folder / FILE
    try:
        given = tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError as err:
        raise ConfigError(
            f"there is no {FILE} in {folder}; `baulk init {folder}` makes a shop folder"
        ) from err
    except OSError as err:
        raise ConfigError(f"{path} can't be read: {err.strerror}") from err
    except UnicodeDecodeError as err:
        raise ConfigError(f"{path} is not UTF-8 text") from err
    except tomllib.TOMLDecodeError as err:
        raise ConfigError(f"{path} is not TOML: {err}") from err
    if "shop_dir" in given:
        raise ConfigError(f"{path}: shop_dir is not known; the folder is where the file lies")
    for part, key, variable in _SECRETS:
        beside = given.get(part)
        if isinstance(beside, dict) and key in beside:
            raise ConfigError(
                f"{path}, [{part}]: a {key} does not belong in the file; set {variable} instead"
            )
        if (secret := env.get(variable)) and (part != "forward" or part in given):
            given[part] = {**(beside if isinstance(beside, dict) else {}), key: secret}
    try:
        return Config(shop_dir=folder, **given)
    except ValidationError as err:
        raise ConfigError(f"{path}{sentence_of(err)}") from err


def sentence_of(err: ValidationError) -> str:
    """Return the first mistake in settings as the end of a sentence: where it is, and what is known there."""
    first, *others = err.errors()
    where = [str(part) for part in first["loc"]]
    message = first["msg"].removeprefix("Value error, ")
    if first["type"] == "extra_forbidden":
        part = Config.model_fields.get(where[0]) if len(where) > 1 else None
        rows: dict[str, Any] = {
            "source": Source, "meter": MeterPart, "logger": Logger, "forward": ForwardPart,
        }  # fmt: skip
        model: Any = rows.get(where[0]) or (part.annotation if part else Config)
        known = sorted(model.model_fields.keys() - {"password", "token", "shop_dir"})
        message = f"{where[-1]} is not known; known: {', '.join(known)}"
        where = where[:-1]
    more = f" (and {len(others)} more)" if others else ""
    place = f", [{'.'.join(where)}]" if where else ""
    return f"{place}: {message}{more}"
