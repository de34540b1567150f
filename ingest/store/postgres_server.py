"""The PostgreSQL server: reaching it, the tables of the books and readings, and its errors in words."""

from __future__ import annotations

import importlib
import math
from collections.abc import Iterator
from contextlib import contextmanager
from types import ModuleType
from typing import TYPE_CHECKING, Any, Final
from urllib.parse import parse_qs, unquote, urlsplit

from baulk.ingest.config import STORE_PASSWORD, StorePart
from baulk.ingest.errors import (
    ConfigError,
    StoreAway,
    StoreBroken,
    StoreError,
    StoreFull,
    StoreLocked,
    StoreMissing,
    StoreRefused,
    extra_missing,
)

if TYPE_CHECKING:
    import psycopg


FORM: Final = 3  # of the tables below; kept in the table form
_ANSWER_S: Final = 20  # a server that leaves a question without any answer for so long is away
_RAW: Final = """
CREATE TABLE IF NOT EXISTS raw (
    id BIGINT GENERATED ALWAYS AS IDENTITY PRIMARY KEY, client TEXT NOT NULL, linked_us BIGINT,
    written_us BIGINT NOT NULL, first_us BIGINT NOT NULL, last_us BIGINT NOT NULL,
    messages INTEGER NOT NULL, size INTEGER NOT NULL, body BYTEA NOT NULL);
CREATE INDEX IF NOT EXISTS raw_by_client ON raw (client, id);
CREATE INDEX IF NOT EXISTS raw_by_arrival ON raw (last_us);
"""
_TABLES: Final = """
CREATE TABLE form (one INTEGER PRIMARY KEY CHECK (one = 1), n INTEGER NOT NULL);
CREATE TABLE series (
    id INTEGER GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    text TEXT NOT NULL UNIQUE, owner TEXT NOT NULL, name TEXT NOT NULL);
CREATE INDEX series_by_owner ON series (owner, name);
CREATE TABLE reading (
    series INTEGER NOT NULL, taken_us BIGINT NOT NULL, value DOUBLE PRECISION NOT NULL,
    arrived_us BIGINT NOT NULL, source TEXT NOT NULL, flags TEXT NOT NULL, PRIMARY KEY (series, taken_us));
CREATE TABLE quarantine (
    id BIGINT GENERATED ALWAYS AS IDENTITY PRIMARY KEY, topic TEXT NOT NULL, payload BYTEA NOT NULL,
    arrived_us BIGINT NOT NULL, retained INTEGER NOT NULL, reason TEXT NOT NULL, waits_for TEXT,
    cause TEXT NOT NULL, size BIGINT NOT NULL, once BYTEA NOT NULL UNIQUE);
CREATE INDEX quarantine_by_cause ON quarantine (cause, md5(topic));
CREATE INDEX quarantine_by_tag ON quarantine (waits_for) WHERE waits_for IS NOT NULL;
CREATE TABLE touched (
    owner TEXT NOT NULL, name TEXT NOT NULL, revision BIGINT NOT NULL, arrived_us BIGINT NOT NULL,
    first_us BIGINT NOT NULL, last_us BIGINT NOT NULL, PRIMARY KEY (owner, name));
CREATE TABLE evaluation (
    tag TEXT PRIMARY KEY, made_us BIGINT NOT NULL, payload BYTEA NOT NULL, revision BIGINT NOT NULL,
    exact INTEGER NOT NULL, air_first_us BIGINT, air_last_us BIGINT, fingerprint TEXT);
CREATE TABLE past_evaluation (
    tag TEXT NOT NULL, made_us BIGINT NOT NULL, payload BYTEA NOT NULL, PRIMARY KEY (tag, made_us));
CREATE TABLE note (key TEXT PRIMARY KEY, value BYTEA NOT NULL);
CREATE TABLE counter (one INTEGER PRIMARY KEY CHECK (one = 1), n BIGINT NOT NULL);
INSERT INTO counter VALUES (1, 0);
"""
_FROM: Final = {  # the same once as `quarantine.once`
    1: r"""
ALTER TABLE quarantine ADD COLUMN cause TEXT, ADD COLUMN size BIGINT, ADD COLUMN once BYTEA;
UPDATE quarantine SET size = length(payload), cause = CASE
    WHEN waits_for LIKE 'sensor:%' THEN 'unplaced-sensor'
    WHEN waits_for IS NOT NULL THEN 'unknown-timber'
    WHEN substring(payload FROM 1 FOR 9) = '{"series"'::bytea AND topic NOT LIKE 'baulk/%' THEN 'clash'
    ELSE 'not-understood' END,
    once = substring(sha256(convert_to(topic, 'UTF8') || '\x00'::bytea || payload || '\x00'::bytea
        || convert_to(arrived_us::text, 'UTF8') || '\x00'::bytea || convert_to(reason, 'UTF8'))
        FROM 1 FOR 16);
ALTER TABLE quarantine ALTER COLUMN cause SET NOT NULL, ALTER COLUMN size SET NOT NULL,
    ALTER COLUMN once SET NOT NULL, ADD UNIQUE (once);
DROP INDEX quarantine_once;
CREATE INDEX quarantine_by_cause ON quarantine (cause, md5(topic));
""",
    2: _RAW,
}
_THERE: Final = (
    "SELECT 1 FROM pg_tables WHERE tablename = 'form' AND schemaname = ANY (current_schemas(false))"
)
_ALONE: Final = 0x6261756C6B  # of the lock under which the tables are raised
_BY_STATE: Final = (  # SQLSTATE, or how it begins; PostgreSQL 15 manual, appendix A
    ("55P03", StoreLocked, "is locked by another program; wait, then try again"),
    ("40", StoreLocked, "met another writer ({err}); try again"),
    ("53100", StoreFull, "has no room on its disk; make room there, then try again"),
    ("25006", StoreFull, "may only be read just now ({err}); make it writable, then try again"),
    ("28", StoreRefused, f"does not let us in ({{err}}); look at the user in url and at {STORE_PASSWORD}"),
    ("3D000", StoreMissing, "does not exist; make it as deploy/postgres describes"),
    ("42501", StoreRefused, "does not give us the right ({err}); grant it as deploy/postgres describes"),
    ("42P01", StoreBroken, "is not a readable Baulk store ({err}); restore a backup or name another one"),
    ("42703", StoreBroken, "is not a readable Baulk store ({err}); restore a backup or name another one"),
    ("08", StoreAway, "is away ({err}); see whether the server runs"),
    ("53", StoreAway, "has no time for us ({err}); try again later"),
    ("57P", StoreAway, "is away ({err}); see whether the server runs"),
    ("58", StoreAway, "is in trouble ({err}); see the server's log"),
)
_BY_WORDS: Final = (  # of a refusal before a session began, without an SQLSTATE; other languages read as away
    ("FATAL: password", "28"),
    ("no password supplied", "28"),
    ("FATAL: no pg_hba.conf entry", "28"),
    ("FATAL: role ", "28"),
    ("FATAL: database ", "3D000"),
    ("FATAL: permission denied", "42501"),
)


def name_of(url: str) -> str:
    """Name the database in sentences, without what is secret."""
    parts = urlsplit(url)
    told = parse_qs(parts.query)  # what stands there counts before what stands in front, as libpq has it
    host = told.get("host", [unquote(parts.hostname or "")])[-1]
    at = f"at the socket in {host}" if host.startswith("/") else f"on {host}:{parts.port or 5432}"
    return f"{told.get('dbname', [parts.path.strip('/')])[-1] or 'postgres'} {at}"


def in_words(url: str, err: BaseException) -> StoreError:
    """Say what PostgreSQL's error means for the person."""
    text = " ".join(str(err).split())
    state = getattr(err, "sqlstate", None) or ""
    lost = type(err).__name__ in {"OperationalError", "InterfaceError", "ConnectionTimeout"} and not state
    if lost:
        state = next((known for words, known in _BY_WORDS if words in text), "08")
        text = text.rpartition("FATAL: ")[2] if state != "08" else text
    for begins, kind, says in _BY_STATE:
        if state.startswith(begins):
            return kind(f"the store {name_of(url)} {says.format(err=text)}")
    return StoreError(f"the store {name_of(url)} can't be used: {text}")


def _driver() -> ModuleType:
    """Return the package psycopg, or say how to install it."""
    try:
        return importlib.import_module("psycopg")
    except ImportError as err:
        raise ConfigError(extra_missing("PostgreSQL", "postgres")) from err


@contextmanager
def faults(url: str) -> Iterator[None]:
    """Turn what PostgreSQL says into one sentence about the store."""
    driver = _driver()
    try:
        yield
    except driver.Error as err:
        raise in_words(url, err) from err


def connect(store: StorePart, *, autocommit: bool = True) -> psycopg.Connection[Any]:
    """Connect to the database of register and books.

    Parameters
    ----------
    store : StorePart
        The settings, with `postgres_url`.
    autocommit : bool
        As psycopg means it; SQLAlchemy wants False.

    Raises
    ------
    StoreError, ConfigError
        If the server can't be reached or refuses, or its driver is not installed.
    """
    url = store.postgres_url
    assert url is not None  # noqa: S101 - asked only for such stores
    with faults(url):
        made: psycopg.Connection[Any] = _driver().connect(
            url,
            password=store.password.get_secret_value() if store.password else None,
            autocommit=autocommit,
            application_name="baulk",
            connect_timeout=max(2, math.ceil(store.wait_s)),
            keepalives_idle=_ANSWER_S,
            tcp_user_timeout=_ANSWER_S * 1000,
            options=f"-c lock_timeout={max(1, round(store.wait_s * 1000))}",
        )
        return made


def raise_tables(base: psycopg.Connection[Any], url: str) -> None:
    """Make the tables if there are none; those of a newer Baulk are left alone."""
    if base.execute(_THERE).fetchone() is None:
        with base.transaction():
            base.execute("SELECT pg_advisory_xact_lock(%s)", (_ALONE,))
            if base.execute(_THERE).fetchone() is None:  # nobody made them while we waited
                base.execute((_TABLES + _RAW).encode())
                base.execute("INSERT INTO form VALUES (1, %s)", (FORM,))
    row = base.execute("SELECT n FROM form").fetchone()
    if row is not None and row[0] < FORM:
        with base.transaction():
            base.execute("SELECT pg_advisory_xact_lock(%s)", (_ALONE,))
            row = base.execute("SELECT n FROM form").fetchone()
            for older in range(row[0] if row else FORM, FORM):
                base.execute(_FROM[older].encode())
            base.execute("UPDATE form SET n = %s", (FORM,))
            row = (FORM,)
    if row is None or row[0] > FORM:
        raise StoreBroken(
            f"the store {name_of(url)} was written by a newer Baulk (form {row and row[0]}); install that one"
        )
