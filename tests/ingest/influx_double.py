"""A double of an InfluxDB 2 server: write, delete, the Flux that is asked, buckets, tokens and tasks.

It answers as a real 2.9.1 answered to the same 74 requests (`test_influx_double.py` has those that matter),
and refuses what it does not know. With ``BAULK_TEST_INFLUX=url,org,token`` `influx_real.py` puts a real
server in its place.
"""

from __future__ import annotations

import csv
import gzip
import io
import json
import sys
import threading
import time as clock
import zlib
from decimal import Decimal
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

sys.path.insert(0, str(Path(__file__).parent))
from influx_flux import Flux, Held, Moment, Series, Table, library
from influx_text import FIRST_NS, LAST_NS, Refused, lines_of, nanoseconds, parse_line, predicate, rfc3339

TOKEN, ORG = "s3cret-token==", "yard"
VERSION = "v2.9.1"
ASKED = frozenset({"query", "write", "delete"})
_CHUNK = 4096  # bytes of an answer in one piece
DAY_NS = 86_400 * 10**9
_NS = {"ns": 1, "us": 1000, "ms": 10**6, "s": 10**9}
_CODES = {400: "invalid", 401: "unauthorized", 403: "forbidden", 404: "not found", 500: "internal error"}
_CODES |= {413: "request too large", 415: "unsupported media type", 422: "unprocessable entity"}
_CODES |= {429: "too many requests", 501: "not implemented", 503: "unavailable"}
_TYPES = {float: "float", int: "integer", str: "string", bool: "boolean"}


class InfluxDouble:
    """Points by bucket, series and field; served on a free port of this machine until `stop`."""

    org, token = ORG, TOKEN

    def __init__(self, *buckets: str) -> None:
        self.points: dict[str, dict] = {
            bucket: {} for bucket in buckets
        }  # (measurement, tags) -> field -> ns
        self.kinds: dict[tuple[str, str, str], type] = {}
        self.rights = {TOKEN: {"read", "write"}}
        self.largest = 10**7  # bytes in one write
        self.retention: dict[str, int] = {}  # seconds, of buckets that forget
        self.tasks: list[dict[str, str]] = []
        self.next: list[tuple[int, dict[str, str]]] = []  # answers to give instead, to the next requests
        self.asked: list[tuple[str, dict[str, str], dict[str, str]]] = []
        self.bodies: list[tuple[str, str]] = []  # of the questions
        self.given = 0  # bytes of all answers
        self.method = ""  # of the last request
        self.lock, self.port = threading.RLock(), 0
        self.start()

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def start(self) -> None:
        bound = type("Bound", (_Handler,), {"double": self})
        self.server = ThreadingHTTPServer(("127.0.0.1", self.port), bound)
        self.server.daemon_threads = True
        self.port = self.server.server_port
        self.thread = threading.Thread(target=self.server.serve_forever, args=(0.02,), daemon=True)
        self.thread.start()

    def stop(self) -> None:
        self.server.shutdown()
        self.server.server_close()
        self.thread.join()

    # --- what tests look at and set; a real server answers the same

    def lines(self, bucket: str) -> int:
        """How many points a bucket holds."""
        with self.lock:
            return sum(len(set().union(*held.values())) for held in self.points[bucket].values())

    def rows(self, bucket: str) -> list[tuple[str, dict[str, str], int, dict[str, object]]]:
        """Give what a bucket holds: measurement, tags, nanoseconds, fields."""
        with self.lock:
            return [
                (
                    measurement,
                    dict(tags),
                    ns,
                    {name: times[ns] for name, times in held.items() if ns in times},
                )
                for (measurement, tags), held in self.points[bucket].items()
                for ns in sorted(set().union(*held.values()))
            ]

    def paths(self) -> list[str]:
        """Give the questions, writes and deletions that came, in their order."""
        return [path for path, _, _ in self.asked if path.rsplit("/", 1)[1] in ASKED]

    def forget_after(self, bucket: str, seconds: int) -> None:
        """Give a bucket a retention."""
        self.retention[bucket] = seconds

    def only_reads(self) -> None:
        """Take the right to write away from the token."""
        self.rights[TOKEN] = {"read"}

    def run_task(self, text: str) -> None:
        """Run a task's Flux once, now."""
        with self.lock:
            self._run(text)

    # --- requests

    def handle(self, path: str, query: dict[str, str], headers, body: bytes) -> tuple[int, str]:
        if self.next and path.rsplit("/", 1)[1] in ASKED:
            return _as_wished(*self.next.pop(0))
        if path == "/health":
            return 200, json.dumps({"name": "influxdb", "status": "pass", "version": VERSION})
        scheme, _, token = headers.get("Authorization", "").partition(" ")
        if scheme not in {"Token", "Bearer"} or token not in self.rights:
            raise Refused(401, "unauthorized access")
        coding = headers.get("Content-Encoding", "identity")
        if coding not in {"gzip", "identity"}:
            raise Refused(415, "unknown content encoding")
        try:
            body = gzip.decompress(body) if coding == "gzip" else body
        except (EOFError, OSError, zlib.error) as err:
            raise Refused(500, "unable to read data: unexpected EOF") from err
        work = (
            getattr(self, "_" + path.removeprefix("/api/v2/"), None) if path.startswith("/api/v2/") else None
        )
        if work is None:
            raise Refused(404, f"the double knows no {path}")
        return work(query, body, self.rights[token])

    def _write(self, query: dict[str, str], body: bytes, rights: set[str]) -> tuple[int, str]:
        series = self._of(query, rights)
        if len(body) > self.largest:
            raise Refused(413, "unable to read data: points batch is too large")
        if query.get("precision", "ns") not in _NS:
            raise Refused(400, "invalid precision; valid precision units are ns, us, ms, and s")
        scale, dropped, now = _NS[query.get("precision", "ns")], [], clock.time_ns()
        points = []
        for line in lines_of(body.decode()):  # all of them, or none
            measurement, tags, fields, time = parse_line(line)
            ns = now if time is None else time * scale
            if not FIRST_NS <= ns <= LAST_NS:
                raise Refused(400, f"unable to parse '{line}': time outside range {FIRST_NS} - {LAST_NS}")
            points.append((line, measurement, tags, fields, ns))
        for line, measurement, tags, fields, ns in points:
            if why := self._dropped(query["bucket"], line, measurement, fields, ns, now):
                dropped.append(why)
                continue
            held = series.setdefault((measurement, frozenset(tags.items())), {})
            for key, value in fields.items():
                self.kinds[query["bucket"], measurement, key] = type(value)
                held.setdefault(key, {})[ns] = value
        if dropped:
            raise Refused(
                422, "failure writing points to database: partial write: " + dropped[0].format(len(dropped))
            )
        return 204, ""

    def _dropped(
        self, bucket: str, line: str, measurement: str, fields: dict, ns: int, now: int
    ) -> str | None:
        if "time" in fields:
            where = f'input field "time" on measurement "{measurement}"'
            return f"invalid field name: {where} is invalid dropped={{}}"
        for key, value in fields.items():
            known = self.kinds.get((bucket, measurement, key), type(value))
            if known is not type(value):
                return (
                    f'field type conflict: input field "{key}" on measurement "{measurement}" is type '
                    f"{_TYPES[type(value)]}, already exists as type {_TYPES[known]} dropped={{}}"
                )
        keeps = self.retention.get(bucket)
        if (
            keeps and (ns // DAY_NS + 1) * DAY_NS <= now - keeps * 10**9
        ):  # by whole shard groups, here of a day
            name = line.split(" ", 1)[0].replace("{", "{{").replace("}", "}}")
            return (
                f"dropped {{}} points outside retention policy of duration {keeps // 3600}h0m0s - "
                f"oldest point {name} at {rfc3339(ns)} dropped because it violates a Retention Policy "
                f"Lower Bound at "
                f"{rfc3339(now - keeps * 10**9)}"
            )
        return None

    def _delete(self, query: dict[str, str], body: bytes, rights: set[str]) -> tuple[int, str]:
        series = self._of(query, rights)
        asked = json.loads(body)
        if not {"start", "stop"} <= set(asked):
            raise Refused(400, "invalid request; error parsing request json")
        start, stop = nanoseconds(asked["start"]), nanoseconds(asked["stop"])
        hit = predicate(asked.get("predicate", ""))
        for (measurement, tags), held in list(series.items()):
            if hit({"_measurement": measurement, **dict(tags)}):
                for times in held.values():
                    for ns in [ns for ns in times if start <= ns <= stop]:
                        del times[ns]
        return 204, ""

    def _of(self, query: dict[str, str], rights: set[str]) -> dict:
        if query.get("org") != self.org:
            raise Refused(404, f'organization name "{query.get("org")}" not found')
        if query.get("bucket") not in self.points:
            raise Refused(404, f'bucket "{query.get("bucket")}" not found')
        if "write" not in rights:
            raise Refused(403, "insufficient permissions for write")
        return self.points[query["bucket"]]

    def _query(self, query: dict[str, str], body: bytes, rights: set[str]) -> tuple[int, str]:
        if query.get("org") != self.org:
            name = query.get("org")
            raise Refused(400, f'failed to decode request body: organization name "{name}" not found')
        asked = json.loads(body)
        dialect = asked.get("dialect", {})
        if asked.get("type", "flux") != "flux" or dialect.get("annotations") or not dialect.get("header"):
            raise Refused(400, "the double answers Flux, with a header and no annotations")
        return 200, _csv(self._run(asked["query"], rights))

    def _run(
        self, text: str, rights: frozenset[str] | set[str] = frozenset({"read", "write"})
    ) -> list[Table]:
        def source(bucket: str, start: int, stop: int) -> list[Table]:
            if bucket not in self.points or "read" not in rights:  # the server hides what may not be read
                raise Refused(404, f'failed to initialize execute state: could not find bucket "{bucket}"')
            return [
                Held(
                    Series({"_field": field, "_measurement": measurement, **dict(sorted(tags))}),
                    times, start, stop,
                )
                for (measurement, tags), held in self.points[bucket].items()
                for field, times in held.items()
            ]  # fmt: skip

        return Flux(text).run(library(source, self._to, clock.time_ns()))

    def _to(self, tables: list[Table], bucket: str) -> list[Table]:
        ours = {"_start", "_stop", "_time", "_measurement"}
        for table in tables:
            for row in table.rows:
                tags = {key: row[key] for key in table.key if key not in ours}
                held = self.points[bucket].setdefault((row["_measurement"], frozenset(tags.items())), {})
                for name, value in row.items():
                    if name not in ours and name not in tags:
                        held.setdefault(name, {})[int(row["_time"])] = value
        return tables

    # --- administration, as far as it is asked

    def _buckets(self, query: dict[str, str], body: bytes, rights: set[str]) -> tuple[int, str]:
        del body
        self._known_org(query)
        found = [
            {"id": f"{k:016x}", "name": name, "retentionRules": self._rules(name)}
            for k, name in enumerate(self.points)
            if query.get("name", name) == name and rights
        ]
        return 200, json.dumps({"buckets": found})

    def _rules(self, name: str) -> list[dict[str, object]]:
        keeps = self.retention.get(name)
        return (
            [{"type": "expire", "everySeconds": keeps, "shardGroupDurationSeconds": 86400}] if keeps else []
        )

    def _orgs(self, query: dict[str, str], body: bytes, rights: set[str]) -> tuple[int, str]:
        del body, rights
        self._known_org(query)
        return 200, json.dumps({"orgs": [{"id": f"{7:016x}", "name": self.org}]})

    def _tasks(self, query: dict[str, str], body: bytes, rights: set[str]) -> tuple[int, str]:
        del body, rights
        self._known_org(query)
        return 200, json.dumps({"tasks": [each for each in self.tasks if each["name"] == query.get("name")]})

    def _known_org(self, query: dict[str, str]) -> None:
        if query.get("org", self.org) != self.org:
            raise Refused(404, f'organization name "{query["org"]}" not found')


def _as_wished(status: int, headers: dict[str, str]) -> tuple[int, str]:
    if status == 204:
        return 200, "\r\n"  # to a question: nothing
    raise Refused(status, "as the test wishes", **headers)


def _csv(tables: list[Table]) -> str:
    out, columns = io.StringIO(), None
    written = csv.writer(out)
    for number, rows in enumerate(table.rows for table in tables if table.rows):
        if columns != list(rows[0]):
            if columns is not None:
                written.writerow([])
            columns = list(rows[0])
            written.writerow(["", "result", "table", *columns])
        for row in rows:
            written.writerow(["", "_result", number, *(_cell(row[key]) for key in columns)])
    return out.getvalue() + "\r\n"


def _cell(value: object) -> str:
    if isinstance(value, Moment):
        return rfc3339(value)
    if isinstance(value, float):
        text = format(Decimal(repr(value)), "f")
        return text.rstrip("0").rstrip(".") if "." in text else text
    return str(value).replace("\n", "\r\n")


def _chunk(part: bytes) -> bytes:
    return f"{len(part):x}\r\n".encode() + part + b"\r\n"


class _Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    disable_nagle_algorithm, wbufsize = True, -1  # else each answer waits for 40 ms
    double: InfluxDouble

    def do_POST(self):
        split = urlsplit(self.path)
        body = self.rfile.read(int(self.headers.get("Content-Length", 0)))
        query = {key: values[-1] for key, values in parse_qs(split.query).items()}
        more: dict[str, str] = {}
        with self.double.lock:
            self.double.method = self.command
            self.double.asked.append((split.path, query, dict(self.headers)))
            if split.path.endswith("/query"):
                self.double.bodies.append((split.path, json.loads(body).get("query", "")))
            try:
                status, text = self.double.handle(split.path, query, self.headers, body)
            except Refused as err:
                status, more = (
                    err.status,
                    {key.replace("_", "-"): value for key, value in err.headers.items()},
                )
                text = json.dumps({"code": _CODES[status], "message": str(err)})
        self.send_response(status)
        for key, value in more.items():
            self.send_header(key, value)
        body, csv_like = text.encode(), status == 200 and not text.startswith("{")
        self.double.given += len(body)
        if status != 204:
            self.send_header("Content-Type", "text/csv" if csv_like else "application/json")
            if "gzip" in self.headers.get("Accept-Encoding", ""):
                self.send_header("Content-Encoding", "gzip")
                body = gzip.compress(body, 1)
            if csv_like:  # as it is worked out, of no known length
                self.send_header("Transfer-Encoding", "chunked")
                parts = [body[at : at + _CHUNK] for at in range(0, len(body), _CHUNK)]
                body = b"".join(map(_chunk, [*parts, b""]))
            else:
                self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)
        self.wfile.flush()

    do_GET = do_DELETE = do_PATCH = do_POST  # noqa: N815 - http.server's name

    def log_message(self, *words):
        pass
