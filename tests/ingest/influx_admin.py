"""The double with the administration that `influx_real.py` asks of a real server: buckets and tokens.

So what puts a real server in the double's place is tried where there is none. By hand: ``python
tests/ingest/influx_admin.py`` prints what to set ``BAULK_TEST_INFLUX`` to, and serves until Ctrl-C.
"""

from __future__ import annotations

import json
import secrets
import sys
import threading
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
import influx_double

OPERATOR = "operator-token=="


class InfluxAdmin(influx_double.InfluxDouble):
    """A double whose buckets come and go, each with the tokens that may read or write it."""

    org, token = "test-org", OPERATOR

    def __init__(self) -> None:
        self.said: dict[str, str] = {}  # descriptions
        self.ids: dict[str, str] = {}
        self.tokens: dict[str, set[tuple[str, str]]] = {}
        super().__init__()
        self.rights = {OPERATOR: {"read", "write"}}

    def handle(self, path, query, headers, body):
        token = headers.get("Authorization", "").removeprefix("Token ")
        what, _, number = path.removeprefix("/api/v2/").partition("/")
        if what == "buckets" and self.method != "GET":
            return self._change(number, body)
        if what == "authorizations":
            return self._authorize(body)
        if token in self.tokens and what in {"query", "write", "delete"}:
            named = {name: number for number, name in self.ids.items()}
            asked = named.get(query.get("bucket"), "")
            self.rights[token] = {
                right for right, number in self.tokens[token] if what == "query" or number == asked
            }
        return super().handle(path, query, headers, body)

    def _change(self, number, body):
        told = json.loads(body or b"{}")
        if self.method == "DELETE":
            name = self.ids.pop(number)
            del self.points[name], self.said[name]
            self.kinds = {key: kind for key, kind in self.kinds.items() if key[0] != name}
            self.retention.pop(name, None)
            return 204, ""
        if self.method == "PATCH":
            (rule,) = told["retentionRules"]
            self.retention[self.ids[number]] = rule["everySeconds"]
            return 200, json.dumps({"id": number})
        number = secrets.token_hex(8)
        self.ids[number], self.points[told["name"]] = told["name"], {}
        self.said[told["name"]] = told["description"]
        return 201, json.dumps({"id": number, "name": told["name"]})

    def _authorize(self, body):
        token = secrets.token_hex(8)
        self.tokens[token] = {
            (one["action"], one["resource"]["id"]) for one in json.loads(body)["permissions"]
        }
        self.rights[token] = set()
        return 201, json.dumps({"token": token})

    def _buckets(self, query, body, rights):
        del body, rights
        self._known_org(query)
        found = [
            {"id": number, "name": name, "description": self.said[name], "retentionRules": self._rules(name)}
            for number, name in self.ids.items()
            if query.get("name", name) == name
        ]
        return 200, json.dumps({"buckets": found})


if __name__ == "__main__":
    served = InfluxAdmin()
    print(f"BAULK_TEST_INFLUX={served.url},{served.org},{served.token}", flush=True)
    try:
        threading.Event().wait()
    except KeyboardInterrupt:
        served.stop()
