"""A real InfluxDB 2 server in the double's place, where ``BAULK_TEST_INFLUX=url,org,token`` names one.

The token is an operator's or one that may do all in its organisation; the buckets of a test are made anew
each time, and one that other hands made is left alone, with an error. Requests go through a server of ours
on this machine, which counts them, can be stopped, and gives the answers that a test wishes.
"""

from __future__ import annotations

import http.client
import json
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import datetime
from pathlib import Path
from urllib.parse import urlencode, urlsplit

sys.path.insert(0, str(Path(__file__).parent))
import influx_double
from influx_text import Refused

NAMED = "BAULK_TEST_INFLUX"
OURS = "made by the tests of Baulk"


@contextmanager
def started(*buckets: str) -> Iterator[influx_double.InfluxDouble]:
    """Give the double, or the real server behind ours."""
    given = os.environ.get(NAMED)
    server = InfluxReal(given, *buckets) if given else influx_double.InfluxDouble(*buckets)
    try:
        yield server
    finally:
        server.stop()


class InfluxReal(influx_double.InfluxDouble):
    """Pass everything on to a real server, and ask it what tests want to know."""

    def __init__(self, given: str, *buckets: str) -> None:
        where, self.org, self._operator = given.split(",", 2)
        self.token, self._where = influx_double.TOKEN, urlsplit(where)
        ((self._org_id),) = [one["id"] for one in self._admin("GET", "orgs", org=self.org)["orgs"]]
        self._ids: dict[str, str] = {}
        for name in buckets:
            self._make(name)
        self._allowed = self._authorize("read", "write")
        super().__init__()

    def handle(self, path, query, headers, body):
        if self.next and path.rsplit("/", 1)[1] in influx_double.ASKED:
            return influx_double._as_wished(*self.next.pop(0))
        if path.endswith("/tasks") and self.tasks:  # as the test wishes
            return 200, json.dumps({"tasks": self.tasks})
        if path.endswith("/write") and len(body) > self.largest:
            raise Refused(413, "unable to read data: points batch is too large")
        scheme, _, token = headers.get("Authorization", "").partition(" ")
        sent = {key: headers[key] for key in ("Content-Type", "Content-Encoding") if key in headers}
        if scheme:
            sent["Authorization"] = f"{scheme} {self._allowed if token == self.token else token}"
        status, more, text = self._send(
            "GET" if body == b"" and "write" not in path else "POST", path, query, body, sent
        )
        if status >= 400:
            with suppress(ValueError, KeyError):
                text = json.loads(text)["message"]
            raise Refused(status, text, **more)
        return status, text

    def _send(self, method, path, query, body, headers):
        line = http.client.HTTPConnection(self._where.hostname, self._where.port, timeout=60)
        try:
            line.request(method, f"{path}?{urlencode(query)}", body, headers)
            answer = line.getresponse()
            wait = answer.getheader("Retry-After")
            return answer.status, {"Retry_After": wait} if wait else {}, answer.read().decode()
        finally:
            line.close()

    def _admin(self, method, what, body=None, **query):
        headers = {"Authorization": f"Token {self._operator}", "Content-Type": "application/json"}
        sent = b"" if body is None else json.dumps(body).encode()
        status, _, text = self._send(method, f"/api/v2/{what}", query, sent, headers)
        assert status < 300, text
        return json.loads(text) if text.startswith("{") else {}  # else rows

    def _make(self, name):
        for one in self._admin("GET", "buckets", org=self.org, name=name).get("buckets", []):
            assert one.get("description") == OURS, (
                f"the bucket {name} is not the tests'; name another organisation"
            )
            self._admin("DELETE", f"buckets/{one['id']}")
        made = {"orgID": self._org_id, "name": name, "description": OURS, "retentionRules": []}
        self._ids[name] = self._admin("POST", "buckets", made)["id"]

    def _authorize(self, *rights):
        may = [
            {"action": right, "resource": {"type": "buckets", "id": number, "orgID": self._org_id}}
            for right in rights
            for number in self._ids.values()
        ]
        made = {"orgID": self._org_id, "description": OURS, "permissions": may}
        return self._admin("POST", "authorizations", made)["token"]

    def rows(self, bucket):
        text = (
            f'from(bucket: "{bucket}") |> range(start: 1900-01-01T00:00:00Z, stop: 2200-01-01T00:00:00Z)'
            ' |> pivot(rowKey: ["_time"], columnKey: ["_field"], valueColumn: "_value")'
        )
        from baulk.ingest.config import StorePart  # noqa: PLC0415 - only with a real server
        from baulk.ingest.store.influx_client import Influx  # noqa: PLC0415

        # past ours, which counts what the program asks
        there = StorePart(kind="influx", url=self._where.geturl(), org=self.org, token=self._operator)
        asked = Influx(there)
        found = []
        for row in asked.ask(text, bucket):
            tags = {key: row[key] for key in ("owner", "named", "quantity", "depth", "face", "kept")}
            ns = int(datetime.fromisoformat(row["_time"]).timestamp() * 1e6) * 1000
            fields = {"value": float(row["value"]), "arrived": int(row["arrived"])}
            found.append(
                (row["_measurement"], tags, ns, {**fields, "source": row["source"], "flags": row["flags"]})
            )
        asked.close()
        return found

    def lines(self, bucket):
        return len(self.rows(bucket))

    def forget_after(self, bucket, seconds):
        rules = [{"type": "expire", "everySeconds": seconds, "shardGroupDurationSeconds": 86400}]
        self._admin("PATCH", f"buckets/{self._ids[bucket]}", {"retentionRules": rules})

    def only_reads(self):
        self._allowed = self._authorize("read")

    def run_task(self, text):
        rest = "\n".join(line for line in text.splitlines() if not line.startswith("option task"))
        dialect = {"header": True, "delimiter": ",", "annotations": []}
        self._admin("POST", "query", {"query": rest, "type": "flux", "dialect": dialect}, org=self.org)
