"""What other programs may ask: the yard behind the door, a calendar at an address with a key."""

from __future__ import annotations

import asyncio
import json
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from urllib.parse import urlencode, urlsplit

import icalendar
import pytest
from argon2 import PasswordHasher
from starlette.applications import Starlette
from typer.testing import CliRunner

from baulk.dashboard import commands
from baulk.dashboard.server import access, door, outside, uploads
from baulk.ingest import shop as shops

SECRET = "three wet oaks"


@pytest.fixture
def ask(shop_folder, monkeypatch):
    monkeypatch.setattr(door, "folder", lambda: shop_folder)
    monkeypatch.setenv("BAULK_SHOP", str(shop_folder))
    monkeypatch.setattr(access, "PasswordHasher", lambda: PasswordHasher(time_cost=1, memory_cost=64))
    access.set_password(shop_folder, SECRET)
    behind = Starlette(routes=list(outside.ROUTES))
    app = door.Door(behind, uploads.Uploads(lambda: None, lambda _: False))

    def ask(path, method="GET", body=b"", **headers):
        sent = []
        headers.setdefault("content-length", str(len(body)))
        scope = {
            "type": "http", "http_version": "1.1", "method": method, "path": path, "raw_path": path.encode(),
            "query_string": b"", "scheme": "http", "client": ("203.0.113.7", 4711),
            "server": ("127.0.0.1", 80),
            "headers": [(name.encode(), value.encode()) for name, value in headers.items()],
        }  # fmt: skip

        async def receive():
            return {"type": "http.request", "body": body, "more_body": False}

        async def send(message):
            sent.append(message)

        with ThreadPoolExecutor(1) as alone:
            alone.submit(asyncio.run, app(scope, receive, send)).result()
        found = {name.decode(): value.decode() for name, value in sent[0]["headers"]}
        return sent[0]["status"], found, b"".join(each.get("body", b"") for each in sent[1:])

    return ask


def sign_in(ask):
    _, headers, _ = ask("/sign-in", "POST", urlencode({"password": SECRET, "goal": "/"}).encode())
    return headers["set-cookie"].partition(";")[0]


def test_the_yard_is_given_to_whoever_has_a_pass_and_to_nobody_else(ask, shop_folder):
    status, _, body = ask("/api/yard")
    assert status == 401
    assert b"FER-03" not in body
    cookie = sign_in(ask)
    status, headers, body = ask("/api/yard", cookie=cookie)
    assert (status, headers["cache-control"]) == (200, "no-store")
    found = {one["tag"]: one for one in json.loads(body)["timbers"]}
    with shops.open(shop_folder) as shop:
        assert found.keys() == {timber.tag for timber in shop.register.list()}
        evaluated = shop.store.evaluated()
    assert {tag for tag, one in found.items() if one["evaluation"]} == evaluated.keys() & found.keys()
    judged = next(
        one["evaluation"] for one in found.values() if one["evaluation"] and "step" in one["evaluation"]
    )
    assert {"core_now_pct", "mean_now_pct", "dates", "reasons"} <= judged.keys()
    assert ask("/api/yard", "POST", cookie=cookie)[0] == 405


def test_a_program_reads_the_yard_by_a_token_and_nothing_else(ask, shop_folder):
    asked = {"authorization": "Bearer nothing"}
    assert ask(outside.YARD, **asked)[0] == 401  # none was made
    done = CliRunner().invoke(commands.build(("password",)), ["password", "--token", "--json"])
    made = json.loads(done.stdout)["token"]
    asked = {"authorization": f"Bearer {made}"}
    status, _, body = ask(outside.YARD, **asked)
    assert status == 200
    assert "timbers" in json.loads(body)
    assert ask(outside.YARD, "POST", **asked)[0] == 401
    assert ask("/timber", **asked)[0] == 401
    assert ask(f"{outside.YARD}/", **asked)[0] == 401
    with shops.open(shop_folder) as opened:
        kept = [opened.store.noted("yard token")]
    assert made.encode() not in kept[0]
    CliRunner().invoke(commands.build(("password",)), ["password", "--stop"])
    assert ask(outside.YARD, **asked)[0] == 401


def test_wrong_tokens_have_to_wait_and_right_passwords_do_not(ask):
    found = [ask(outside.YARD, authorization=f"Bearer {n}") for n in range(6)]
    assert [each[0] for each in found[:4]] == [401] * 4
    assert found[-1][0] == 429
    assert int(found[-1][1]["retry-after"]) >= 1
    assert ask(outside.YARD, cookie=sign_in(ask))[0] == 200


def test_the_calendar_has_no_address_until_it_is_asked_for_and_none_after_it_is_ended(ask, shop_folder):
    assert ask("/calendar/.ics")[0] == 404
    with shops.open(shop_folder) as shop:
        address = outside.new_address(shop, datetime.now(UTC))
    path = urlsplit(address).path
    status, headers, body = ask(path)
    assert (status, headers["content-type"].partition(";")[0]) == (200, "text/calendar")
    entries = icalendar.Calendar.from_ical(body).walk("VEVENT")
    assert entries
    assert all(entry["uid"].endswith(".baulk") for entry in entries)
    for wrong in (
        path[:-5] + ".ics",
        path.replace("/calendar/", "/calendar/x"),
        path + "/x",
        "/calendar/",
        "/calendar",
    ):
        assert ask(wrong)[0] in {401, 404}
    assert ask(path, "POST")[0] == 404
    assert ask("/api/yard" + path)[0] == 401  # the key opens nothing else
    with shops.open(shop_folder) as shop:
        notes = b"".join(shop.store.notes().values())
        assert path.removeprefix("/calendar/").removesuffix(".ics").encode() not in notes
        again = urlsplit(outside.new_address(shop, datetime.now(UTC))).path
    assert ask(path)[0] == 404
    assert ask(again)[0] == 200
    with shops.open(shop_folder) as shop:
        outside.end_address(shop)
    assert ask(again)[0] == 404


def test_the_command_gives_and_ends_the_address(ask, shop_folder):
    app = commands.build(["calendar"])

    def run(*words):
        done = CliRunner().invoke(app, ["calendar", *words], env={"BAULK_SHOP": str(shop_folder)})
        assert done.exit_code == 0, done.output
        return done.stdout

    address = json.loads(run("--address", "--json"))["address"]
    assert ask(urlsplit(address).path)[0] == 200
    assert "no address any more" in run("--stop")
    assert ask(urlsplit(address).path)[0] == 404
