"""The field pages' own routes: behind the door, from our own page only, each entry stored once."""

from __future__ import annotations

import asyncio
import io
import json
import re
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from urllib.parse import quote

import pypdfium2
import pytest
import segno
import zxingcpp
from argon2 import PasswordHasher
from PIL import Image
from starlette.applications import Starlette

from baulk.dashboard.printing import label_answer
from baulk.dashboard.server import access, door, field, uploads
from baulk.ingest import photos
from baulk.ingest import shop as shops
from baulk.models import plausible, species
from baulk.models.quantity import Owner

HERE = ("host", "127.0.0.1:8501")
BATCH = {
    "walk": "walk-of-monday",
    "sent_ms": 1000,
    "entries": [
        {"id": "entry-0001", "tag": "FER-05", "kind": "pins", "shown": "31", "depth_mm": 32, "at_ms": 0},
        {"id": "entry-0002", "tag": "FER-05", "kind": "weight", "kg": 90.0, "at_ms": 0},
        {"id": "entry-0003", "tag": "FER-99", "kind": "weight", "kg": 90.0, "at_ms": 0},
    ],
}


class Said:
    """An answer."""

    def __init__(self, sent, read):
        self.status, self.read = sent[0]["status"], read
        self.headers = {name.decode(): value.decode() for name, value in sent[0]["headers"]}
        self.body = b"".join(each.get("body", b"") for each in sent[1:])

    def json(self):
        return json.loads(self.body)


def asked(app, path, body=None, *headers, query=""):
    """Ask the application as a browser would."""
    sent, read = [], []
    scope = {
        "type": "http",
        "http_version": "1.1",
        "method": "GET" if body is None else "POST",
        "path": path,
        "raw_path": path.encode(),
        "query_string": query.encode(),
        "scheme": "http",
        "root_path": "",
        "server": ("127.0.0.1", 8501),
        "client": ("127.0.0.1", 1),
        "headers": [(name.encode(), value.encode()) for name, value in (HERE, *headers)],
    }

    async def receive():
        read.append(path)
        return {"type": "http.request", "body": body or b"", "more_body": False}

    async def send(message):
        sent.append(message)

    with ThreadPoolExecutor(1) as alone:  # whose thread has no loop of the browser's tests
        alone.submit(asyncio.run, app(scope, receive, send)).result()
    return Said(sent, read)


JSON = ("content-type", "application/json")


@pytest.fixture
def app(shop_folder, monkeypatch):
    monkeypatch.setenv("BAULK_SHOP", str(shop_folder))
    monkeypatch.setattr(access, "PasswordHasher", lambda: PasswordHasher(time_cost=1, memory_cost=64))
    behind = Starlette(routes=[*field.ROUTES, *label_answer.ROUTES])
    return door.Door(behind, uploads.Uploads(lambda: None, lambda _session: False))


def by_hand(folder):
    with shops.open(folder) as shop:
        return [one for one in shop.store.readings(Owner.TIMBER, "FER-05") if one.source == "hand"]


def test_a_batch_is_stored_once_and_each_entry_is_answered(app, shop_folder):
    body = json.dumps(BATCH).encode()
    first = asked(app, "/field/readings", body, JSON, ("origin", "http://127.0.0.1:8501"))
    assert [each["state"] for each in first.json()["outcomes"]] == ["stored", "stored", "refused"]
    assert "FER-99" in first.json()["outcomes"][2]["said"]
    again = asked(app, "/field/readings", body, JSON)
    assert [each["state"] for each in again.json()["outcomes"]] == ["known", "known", "refused"]
    assert sorted(one.value for one in by_hand(shop_folder)) == [31.0, 90.0]


@pytest.mark.parametrize(
    ("body", "headers", "status"),
    [
        (BATCH, [JSON, ("origin", "http://elsewhere.example")], 403),
        (BATCH, [JSON, ("sec-fetch-site", "cross-site")], 403),
        (BATCH, [("content-type", "text/plain")], 415),
        (b"{", [JSON], 400),
        (b"[" * 100_000, [JSON], 400),
        ({"walk": "x", "entries": []}, [JSON], 400),
        (b" " * 500_000, [JSON], 413),
    ],
)
def test_what_is_not_sent_by_our_own_page_or_is_no_batch_is_refused(app, shop_folder, body, headers, status):
    given = body if isinstance(body, bytes) else json.dumps(body).encode()
    assert asked(app, "/field/readings", given, *headers).status == status
    assert by_hand(shop_folder) == []


def test_without_a_pass_nothing_is_told_and_nothing_read(app, shop_folder):
    access.set_password(shop_folder, "three wet oaks")
    sent = asked(app, "/field/readings", json.dumps(BATCH).encode(), JSON)
    assert (sent.status, sent.read) == (401, [])
    for path in (
        "/field/known.json",
        "/field/add",
        "/field/label",
        "/field/yard.json",
        "/field/walk",
        "/field/walk.js",
        "/field/worker.js",
    ):
        shut = asked(app, path)
        assert shut.status == 401
        assert b"FER-0" not in shut.body
        assert b"IndexedDB" not in shut.body
    assert by_hand(shop_folder) == []


def test_the_yard_is_told_in_the_persons_own_units_and_in_the_order_of_the_walk(app):
    told = asked(app, "/field/yard.json").json()
    assert told["system"] == "inch"
    assert [each["tag"] for each in told["stops"]] == [f"FER-0{n}" for n in range(1, 6)]
    first, last = told["stops"][0], told["stops"][-1]
    assert first["size"] == "8 x 7 3/4 in"
    assert (first["pins"]["depth_mm"], first["pins"]["face"]) == (32.0, "b")
    assert first["expected"][0]["low"] < first["expected"][0]["high"]
    assert (last["pins"], last["weight"], last["likely_kg"]) == (None, None, None)
    mine = quote(json.dumps({"system": "metric"}))
    metric = asked(app, "/field/yard.json", None, ("cookie", f"baulk_me={mine}")).json()
    assert metric["stops"][0]["size"] == "203 x 197 mm"
    damaged = asked(app, "/field/yard.json", None, ("cookie", "baulk_me=%5B1"))
    assert damaged.json()["system"] == "inch"


def timber(**change):
    given = {
        "id": "arrival-0001", "tag": "FER-06", "proposed": True, "species": "white oak",
        "size_mm": [203.2, 197], "pith_mm": [0, 0], "length_mm": 2438.4, "finished_mm": [152.4, 152.4],
        "use": "backbone-above-water",
        "place": "shed", "at_ms": 0,
    }  # fmt: skip
    return json.dumps({"sent_ms": 0, "entries": [given | change]}).encode()


def test_a_timber_is_entered_once_and_said_back_and_its_photograph_and_label_follow(app, shop_folder):
    known = asked(app, "/field/known.json").json()
    assert known["tags"][:2] == ["FER-06", "FER-07"]
    assert known["limits"]["side_mm"] == [*plausible.SIDE_MM]
    oaks = [each["name"] for each in known["woods"] if "oak" in each["also"]]
    assert oaks == list(species.BUILT_IN.group("oak"))
    picture = io.BytesIO()
    Image.new("RGB", (40, 30)).save(picture, "JPEG")
    jpeg, path = ("content-type", "image/jpeg"), "/field/photograph"
    early = asked(app, path, picture.getvalue(), jpeg, query="of=arrival-0001")
    assert early.json() == {"kept": False}
    for state in ("stored", "known"):
        (told,) = asked(app, "/field/arrivals", timber(), JSON).json()["outcomes"]
        assert (told["state"], told["tag"]) == (state, "FER-06")
        assert "8 x 7 3/4 in green" in told["said"]
        assert "Not a lift for one" in told["said"]
    for _ in range(2):
        assert asked(app, path, picture.getvalue(), jpeg, query="of=arrival-0001").json() == {"kept": True}
    with shops.open(shop_folder) as shop:
        assert len(photos.of(shop, "FER-06")) == 1
    mine = quote(json.dumps({"system": "metric"}))
    for who, size in (
        ((), "8 x 7 3/4 in, face a up"),
        ((("cookie", f"baulk_me={mine}"),), "203 x 197 mm, face a up"),
    ):
        pdf = asked(app, "/field/label", None, *who, query="tag=FER-06").body
        document = pypdfium2.PdfDocument(pdf)
        assert size in document[0].get_textpage().get_text_range()
        picture_of = document[0].render(scale=3, grayscale=True).to_pil()
        assert zxingcpp.read_barcodes(picture_of)[0].text.startswith(
            "http://127.0.0.1:8501/timber?tag=FER-06"
        )
        document.close()
    assert asked(app, "/field/label", None, query="tag=NO-1").status == 400


@pytest.mark.parametrize(
    ("body", "headers", "status"),
    [
        (b"GIF89a", [("content-type", "image/gif")], 415),
        (b"no picture", [("content-type", "image/jpeg")], 400),
        (b"", [("content-type", "image/jpeg"), ("origin", "http://elsewhere.example")], 403),
        (b"0" * (photos.MOST_BYTES + 1), [("content-type", "image/jpeg")], 413),
    ],
)
def test_what_is_no_photograph_of_ours_is_refused(app, body, headers, status):
    assert asked(app, "/field/photograph", body, *headers, query="of=arrival-0001").status == status


def test_what_a_phone_keeps_has_a_name_that_changes_with_its_content(app, monkeypatch):
    worker = asked(app, "/field/worker.js").body.decode()
    name = re.search(r'"baulk-field-([0-9a-f]{12})"', worker)[1]
    kept = json.loads(re.search(r"FILES = (\[.*\]);", worker)[1])
    for each in kept:  # all that a page names, and each is there
        page = asked(app, each)
        assert page.status == 200
        named = re.findall(rb'(?:src|href)="(/field/[\w.]+)"|from "[.](/[\w.]+)"', page.body)
        wanted = {whole.decode() or f"/field{part.decode()}" for whole, part in named}
        assert wanted <= set(kept)
    field._content.cache_clear()
    monkeypatch.setitem(field._KINDS, "walk.css", ("add.css", "text/css"))
    other = asked(app, "/field/worker.js").body.decode()
    field._content.cache_clear()
    assert name not in other


@pytest.mark.parametrize(
    "name", ["walk", "walk.css", "walk.js", "add", "add.js", "field.css", "phone.js", "worker.js"]
)
def test_the_page_asks_nobody_else_and_runs_no_script_but_its_own(app, name):
    page = asked(app, f"/field/{name}")
    assert page.status == 200
    assert "script-src 'self'" in page.headers["content-security-policy"]
    assert b"http://" not in page.body
    assert b"https://" not in page.body


def test_a_photograph_of_the_walk_is_kept_once_with_its_own_time_and_a_code_is_read(app, shop_folder):
    made, code = io.BytesIO(), io.BytesIO()
    Image.new("RGB", (40, 30)).save(made, "JPEG")
    segno.make("http://yard.local/timber?tag=FER-05", micro=False).save(code, kind="png", scale=6, border=4)
    jpeg, png = ("content-type", "image/jpeg"), ("content-type", "image/png")
    where = "id=walk-0001&tag=FER-05&age_s=86400"
    for _ in range(2):
        assert asked(app, "/field/picture", made.getvalue(), jpeg, query=where).json() == {"kept": True}
    with shops.open(shop_folder) as shop:
        ((taken, _),) = photos.of(shop, "FER-05")
    assert abs((datetime.now(UTC) - taken).total_seconds() - 86400) < 60
    for wrong in ("id=walk-0002&tag=FER-99", "id=x&tag=FER-05", "id=walk-0003&tag=FER-05&age_s=nan"):
        assert asked(app, "/field/picture", made.getvalue(), jpeg, query=wrong).status == 400
    assert asked(app, "/field/scan", code.getvalue(), png).json() == {"tag": "FER-05"}
    assert "No code is to be seen" in asked(app, "/field/scan", made.getvalue(), jpeg).json()["error"]
    assert asked(app, "/field/scan", code.getvalue(), png, ("sec-fetch-site", "cross-site")).status == 403
