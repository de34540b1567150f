"""A strict double of an InfluxDB 2 server, written from its published API: write, delete, a little of Flux.

It refuses what the published grammars do not allow, and whatever it does not know, with the server's status
and JSON; it stores what it is sent and answers questions from that. It is not the server:
deploy/influxdb/README.md says what has not met one.

Read: docs.influxdata.com/influxdb/v2, "Troubleshoot issues writing data" (what each status means and what is
stored then), "Delete predicate syntax" (AND of equals; keywords of InfluxQL must be quoted, which is not done
here and so refused). From memory: "Annotated CSV", the wording of messages, the order of columns, the list of
keywords.
"""

from __future__ import annotations

import csv
import gzip
import io
import json
import re
import sys
import threading
from decimal import Decimal
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

sys.path.insert(0, str(Path(__file__).parent))
from influx_text import Flux, Refused, nanoseconds, parse_line, rfc3339

TOKEN, ORG = "s3cret-token==", "yard"
_NS = {"ns": 1, "us": 1000, "ms": 10**6, "s": 10**9}
_CODES = {400: "invalid", 401: "unauthorized", 403: "forbidden", 404: "not found", 500: "internal error"}
_CODES |= {413: "request too large", 415: "unsupported media type", 422: "unprocessable entity"}
_CODES |= {429: "too many requests", 503: "unavailable"}
_KEYWORDS = {"ANY", "BY", "FIELD", "FROM", "GROUP", "IN", "KEY", "MEASUREMENT", "NAME", "ON", "TAG", "VALUES"}
_PARAMETERS = {"write": {"org", "bucket", "precision"}, "query": {"org"}, "delete": {"org", "bucket"}}


class InfluxDouble:
    """Points by bucket, series and field; served on a free port of this machine until `stop`."""

    def __init__(self, *buckets: str) -> None:
        self.points: dict[str, dict] = {
            bucket: {} for bucket in buckets
        }  # (measurement, tags) -> field -> ns
        self.kinds: dict[tuple[str, str, str], type] = {}
        self.rights = {TOKEN: {"read", "write"}}
        self.largest = 10**7  # bytes in one write
        self.oldest: dict[str, int] = {}  # nanoseconds, of buckets that forget
        self.next: list[tuple[int, dict[str, str]]] = []  # answers to give instead, to the next requests
        self.asked: list[tuple[str, dict[str, str], dict[str, str]]] = []
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

    def lines(self, bucket: str) -> int:
        """How many points a bucket holds."""
        with self.lock:
            return sum(len(set().union(*held.values())) for held in self.points[bucket].values())

    def handle(self, path: str, query: dict[str, str], headers, body: bytes) -> tuple[int, str]:
        if self.next:
            return _as_wished(*self.next.pop(0))
        scheme, _, token = headers.get("Authorization", "").partition(" ")
        if scheme != "Token" or token not in self.rights:
            raise Refused(401, "unauthorized access")
        coding = headers.get("Content-Encoding", "identity")
        if coding not in {"gzip", "identity"}:
            raise Refused(415, "unknown content encoding")
        what = path.removeprefix("/api/v2/")
        if what not in _PARAMETERS or set(query) - _PARAMETERS[what]:
            raise Refused(404, f"the double knows no {path} with {sorted(query)}")
        if query.get("org") != ORG:
            raise Refused(404, f'organization name "{query.get("org")}" not found')
        body = gzip.decompress(body) if coding == "gzip" else body
        if what == "query":
            return self.query(json.loads(body), self.rights[token])
        series = self._of(query.get("bucket"))
        if "write" not in self.rights[token]:
            raise Refused(403, "insufficient permissions for write")
        if what == "delete":
            return self.delete(series, json.loads(body))
        if not headers.get("Content-Type", "").startswith("text/plain"):
            raise Refused(415, "line protocol is text/plain")
        return self.write(series, query, body)

    def _of(self, bucket: str | None) -> dict:
        if bucket not in self.points:
            raise Refused(404, f'bucket "{bucket}" not found')
        return self.points[bucket]

    def write(self, series: dict, query: dict[str, str], body: bytes) -> tuple[int, str]:
        if len(body) > self.largest:
            raise Refused(413, "unable to read data: points batch is too large")
        if query.get("precision", "ns") not in _NS:
            raise Refused(400, "invalid precision; valid precision units are ns, us, ms, and s")
        scale, dropped = _NS[query.get("precision", "ns")], []
        lines = [line for line in body.decode().split("\n") if line and not line.startswith("#")]
        for measurement, tags, fields, time in [parse_line(line) for line in lines]:  # all of them, or none
            if time is None:
                raise Refused(400, "the double wants a time with every point")
            keys = [(query["bucket"], measurement, key) for key in fields]
            if any(self.kinds.get(key, type(fields[key[-1]])) is not type(fields[key[-1]]) for key in keys):
                dropped.append("field type conflict")
            elif time * scale < self.oldest.get(query["bucket"], -(2**63)):
                dropped.append("points beyond retention policy")
            else:
                held = series.setdefault((measurement, frozenset(tags.items())), {})
                for key, value in fields.items():
                    self.kinds[query["bucket"], measurement, key] = type(value)
                    held.setdefault(key, {})[time * scale] = value
        if dropped or not lines:
            raise Refused(422, f"partial write: {(dropped or ['no points'])[0]} dropped={len(dropped)}")
        return 204, ""

    def delete(self, series: dict, asked: dict[str, str]) -> tuple[int, str]:
        if set(asked) != {"start", "stop", "predicate"}:
            raise Refused(400, "invalid request; error parsing request json")
        start, stop = nanoseconds(asked["start"]), nanoseconds(asked["stop"])
        wanted = {}
        for part in asked["predicate"].split(" AND "):
            found = re.fullmatch(r'(\w+)="([^"\\]*)"', part)
            if found is None or found[1].upper() in _KEYWORDS:
                raise Refused(400, "error decoding json body: bad logical expression")
            wanted[found[1]] = found[2]
        for (measurement, tags), held in series.items():
            if wanted.items() <= {"_measurement": measurement, **dict(tags)}.items():
                for times in held.values():
                    for ns in [ns for ns in times if start <= ns <= stop]:
                        del times[ns]
        return 204, ""

    def query(self, asked: dict, rights: set[str]) -> tuple[int, str]:
        if "read" not in rights:
            raise Refused(404, "could not find bucket")  # the server hides what may not be read
        dialect = asked.get("dialect", {})
        if asked.get("type", "flux") != "flux" or dialect.get("annotations") or not dialect.get("header"):
            raise Refused(400, "the double answers Flux, with a header and no annotations")
        (first, bucket), (second, span), *steps = [*Flux(asked["query"]).steps, ("", {})]
        if (first, set(bucket), second, set(span)) != ("from", {"bucket"}, "range", {"start", "stop"}):
            raise Refused(400, "cannot submit unbounded read")
        if span["start"] >= span["stop"]:
            raise Refused(400, "cannot query an empty range")
        tables = _range(self._of(bucket["bucket"]), **span)
        for name, given in steps[:-1]:
            tables = _step(tables, name, given)
        return 200, _csv(tables)


def _as_wished(status: int, headers: dict[str, str]) -> tuple[int, str]:
    if status == 204:
        return 200, "\r\n"  # to a question: nothing
    raise Refused(status, "as the test wishes", **headers)


def _range(series: dict, start: int, stop: int) -> list[list[dict]]:
    return [
        [
            {"_start": start, "_stop": stop, "_time": ns, "_value": value, "_field": field}
            | {"_measurement": measurement, **dict(sorted(tags))}
            for ns, value in sorted(times.items())
            if start <= ns < stop
        ]
        for (measurement, tags), held in series.items()
        for field, times in held.items()
    ]


def _step(tables: list[list[dict]], name: str, given: dict) -> list[list[dict]]:
    if name == "filter" and set(given) == {"fn"}:
        return [[row for row in rows if given["fn"](row)] for rows in tables]
    if name == "last" and not given:
        return [rows[-1:] for rows in tables]
    if name == "pivot" and given == {"rowKey": ["_time"], "columnKey": ["_field"], "valueColumn": "_value"}:
        wide: dict[tuple, dict[int, dict]] = {}
        for row in (row for rows in tables for row in rows):
            same = {key: value for key, value in row.items() if key not in {"_field", "_value", "_time"}}
            times = wide.setdefault(tuple(sorted(same.items())), {})
            times.setdefault(row["_time"], {**same, "_time": row["_time"]})[row["_field"]] = row["_value"]
        return [[times[ns] for ns in sorted(times)] for times in wide.values()]
    raise Refused(400, f"compilation failed: {name}({', '.join(given)}) is undefined")


def _csv(tables: list[list[dict]]) -> str:
    out, columns = io.StringIO(), None
    written = csv.writer(out)
    for number, rows in enumerate(rows for rows in tables if rows):
        if columns != list(rows[0]):
            if columns is not None:
                written.writerow([])
            columns = list(rows[0])
            written.writerow(["", "result", "table", *columns])
        for row in rows:
            written.writerow(["", "_result", number, *(_cell(key, row[key]) for key in columns)])
    return out.getvalue() + "\r\n"


def _cell(column: str, value: object) -> str:
    if column in {"_start", "_stop", "_time"}:
        return rfc3339(value)
    return format(Decimal(repr(value)), "f") if isinstance(value, float) else str(value)


class _Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    double: InfluxDouble

    def do_POST(self):
        split = urlsplit(self.path)
        body = self.rfile.read(int(self.headers.get("Content-Length", 0)))
        query = {key: values[-1] for key, values in parse_qs(split.query).items()}
        more: dict[str, str] = {}
        with self.double.lock:
            self.double.asked.append((split.path, query, dict(self.headers)))
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
        if status != 204:
            self.send_header("Content-Type", "text/csv" if status == 200 else "application/json")
            self.send_header("Content-Length", str(len(text.encode())))
        self.end_headers()
        self.wfile.write(text.encode())

    def log_message(self, *words):
        pass
