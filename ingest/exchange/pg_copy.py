"""A PostgreSQL database into a file and back, by the server's own tools."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from pathlib import Path
from typing import Final

from baulk.ingest.config import StorePart
from baulk.ingest.errors import BackupError
from baulk.ingest.store.postgres_server import connect, faults, name_of

_COPY: Final = re.compile(rb'COPY (?:\S+\.)?"?(\w+)"? \(.*FROM stdin;$')
_PLAIN: Final = ("--no-owner", "--no-privileges")


def dump(store: StorePart, target: Path) -> dict[str, int]:
    """Dump the database as it is at one moment; return how many rows each table has then."""
    url = store.postgres_url or ""
    with faults(url), connect(store, autocommit=False) as base:
        base.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ, READ ONLY")
        moment = base.execute("SELECT pg_export_snapshot()").fetchone()
        assert moment is not None  # noqa: S101 - one row, always
        tables = base.execute(
            "SELECT tablename FROM pg_tables WHERE schemaname = ANY (current_schemas(false)) ORDER BY 1"
        ).fetchall()
        quoted = {name: name.replace('"', '""') for (name,) in tables}
        counts = {}
        for name, safe in quoted.items():
            row = base.execute(f'SELECT count(*) FROM "{safe}"'.encode()).fetchone()  # noqa: S608 - ours
            counts[name] = int(row[0]) if row else 0
        _run(
            store,
            "pg_dump",
            "--format=custom",
            *_PLAIN,
            f"--snapshot={moment[0]}",
            f"--file={target}",
            f"--dbname={url}",
        )
    return counts


def counted(dumped: Path) -> dict[str, int]:
    """Read a dump through, as restoring does, and count the rows of each table."""
    words = [_tool("pg_restore"), "--data-only", "--file=-", str(dumped)]
    counts: dict[str, int] = {}
    with subprocess.Popen(  # noqa: S603 - the server's own tool, no shell
        words, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
    ) as process:
        table = None
        for line in process.stdout or ():
            if table is None:
                if found := _COPY.match(line.rstrip(b"\n")):
                    table = found[1].decode()
                    counts[table] = 0
            elif line == b"\\.\n":
                table = None
            else:
                counts[table] += 1
    if process.returncode:
        raise BackupError("the dump of the database in the backup can't be read by pg_restore; it is damaged")
    return counts


def load(store: StorePart, dumped: Path) -> None:
    """Load a dump into an empty database; all of it or nothing."""
    url = store.postgres_url or ""
    with faults(url), connect(store) as base:
        row = base.execute(
            "SELECT count(*) FROM pg_tables WHERE schemaname = ANY (current_schemas(false))"
        ).fetchone()
    if row is None or row[0]:
        raise BackupError(
            f"the database {name_of(url)} is not empty; make a new one as deploy/postgres describes and name "
            "it with --database"
        )
    _run(
        store,
        "pg_restore",
        *_PLAIN,
        "--exit-on-error",
        "--single-transaction",
        f"--dbname={url}",
        str(dumped),
    )


def _tool(name: str) -> str:
    found = shutil.which(name)
    if found is None:
        raise BackupError(
            f"{name} is not on this machine; install PostgreSQL's own tools (on Debian: postgresql-client)"
        )
    return found


def _run(store: StorePart, name: str, *words: str) -> None:
    env = {**os.environ}
    if store.password is not None:
        env["PGPASSWORD"] = store.password.get_secret_value()
    done = subprocess.run(  # noqa: S603 - the server's own tool, no shell
        [_tool(name), "--no-password", *words],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        check=False,
        env=env,
    )
    if done.returncode:
        said = [line for line in done.stderr.splitlines() if line.strip()] or ["it said nothing"]
        raise BackupError(f"{name} failed: {said[0].removeprefix(f'{name}: ')[:300]}")
