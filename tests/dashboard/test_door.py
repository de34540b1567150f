"""The door by itself: who is let through, what is said to others, and that nothing of theirs is read."""

from __future__ import annotations

import asyncio
from concurrent.futures import ThreadPoolExecutor
from http.cookies import SimpleCookie
from urllib.parse import urlencode

import pytest
from argon2 import PasswordHasher

from baulk.dashboard.server import access, door, uploads
from baulk.models.errors import BaulkError

SECRET = "three wet oaks"
MB = 1024 * 1024


class Files:
    """Stands in for the page server's keeper of files."""

    def __init__(self):
        self.dropped = []

    def remove_file(self, session_id, file_id):
        self.dropped.append((session_id, file_id))

    def remove_session_files(self, session_id):
        self.dropped.append((session_id, "*"))


class Behind:
    """Everything behind the door: notes who came, and reads all that is sent."""

    def __init__(self):
        self.came, self.status = [], 200

    async def __call__(self, scope, receive, send):
        self.came.append(scope["path"])
        if scope["type"] == "websocket":
            await send({"type": "websocket.accept"})
            return
        while (await receive()).get("more_body"):
            pass
        await send({"type": "http.response.start", "status": self.status, "headers": []})
        await send({"type": "http.response.body", "body": b"inside"})


class Said:
    """An answer."""

    def __init__(self, sent, read):
        self.kind, self.read = sent[0]["type"], read
        self.status = sent[0].get("status")
        self.headers = {name.decode(): value.decode() for name, value in sent[0].get("headers", ())}
        self.body = b"".join(each.get("body", b"") for each in sent[1:]).decode()

    @property
    def cookie(self):
        (made,) = SimpleCookie(self.headers["set-cookie"]).values()
        return made


@pytest.fixture
def shop(shop_dir, monkeypatch):
    monkeypatch.setattr(door, "folder", lambda: shop_dir)
    monkeypatch.setenv("BAULK_SHOP", str(shop_dir))
    monkeypatch.setattr(access, "PasswordHasher", lambda: PasswordHasher(time_cost=1, memory_cost=64))
    access.set_password(shop_dir, SECRET)
    return shop_dir


class Ask:
    def __init__(self):
        self.behind, self.files, self.active = Behind(), Files(), {"s", "t", "u", "v"}
        self.uploads = uploads.Uploads(lambda: self.files, self.active.__contains__)
        self.door = door.Door(self.behind, self.uploads)

    def __call__(
        self, method, path, body=b"", *, kind="http", scheme="http", client="203.0.113.7", **headers
    ):
        path, _, query = path.partition("?")
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        if method in {"POST", "PUT"}:
            named.setdefault("content-length", str(len(body)))
        scope = {
            "type": kind, "method": method, "path": path, "query_string": query.encode(), "scheme": scheme,
            "headers": [
                (name.encode(), str(value).encode("latin-1", "replace"))
                for name, value in named.items()
                if value is not None
            ],
            "client": (client, 4711),
        }  # fmt: skip
        sent, read = [], []

        async def receive():
            read.append(1)
            return {"type": "http.request", "body": body, "more_body": False}

        async def send(message):
            sent.append(message)

        with ThreadPoolExecutor(1) as alone:  # in this thread the browser's loop may run already
            alone.submit(asyncio.run, self.door(scope, receive, send)).result()
        return Said(sent, len(read))

    def sign_in(self, password=SECRET, goal="/", **how):
        return self("POST", "/sign-in", urlencode({"password": password, "goal": goal}).encode(), **how)

    def pass_of(self):
        made = self.sign_in().cookie
        return f"{made.key}={made.value}"


@pytest.fixture
def ask(shop):
    return Ask()


CLOSED = [
    ("PUT", "/_stcore/upload_file/s/f"),
    ("DELETE", "/_stcore/upload_file/s/f"),
    ("OPTIONS", "/_stcore/upload_file/s/f"),
    ("GET", "/_stcore/host-config"),
    ("GET", "/_stcore/metrics"),
    ("POST", "/_stcore/health"),
    ("GET", "/media/0123.png"),
    ("GET", "/component/x/index.html"),
    ("GET", "/timber"),
    ("POST", "/"),
    ("PUT", "/static/x"),
    ("GET", "/_stcore/../media/x"),
    ("GET", "/oauth2callback"),
]
NO_PASSES = [None, "baulk_door=guessed", "baulk_door=", 'baulk_pass=x; baulk_door="\\303"', ";;=;\xff"]


def test_without_a_pass_nothing_answers_and_nothing_is_read(ask):
    for method, path in CLOSED:
        for cookie in NO_PASSES:
            said = ask(method, path, b"x" * 100, cookie=cookie)
            assert (said.status, said.read, ask.behind.came) == (401, 0, []), (method, path, cookie)
            assert said.headers["connection"] == "close"


def test_without_a_pass_no_socket_opens(ask):
    said = ask("", "/_stcore/stream", kind="websocket")
    assert said.kind == "websocket.close"
    assert ask.behind.came == []
    ask("", "/_stcore/stream", kind="websocket", cookie=ask.pass_of())
    assert ask.behind.came == ["/_stcore/stream"]


@pytest.mark.parametrize(
    ("origin", "opens"),
    [
        (None, True),  # no browser: it shows its pass or has none
        ("http://yard.local:8501", True),
        ("http://yard.local:9999", False),
        ("http://stranger.example", False),
        ("null", False),
        ("http://[", False),
    ],
)
@pytest.mark.parametrize("locked", [True, False])
def test_no_page_of_another_program_on_this_machine_opens_a_socket_by_a_visitors_pass(
    ask, shop, origin, opens, locked
):
    """Browsers send a cookie to every port of a machine, so that the port has to be looked at here."""
    host = "yard.local:8501" if locked else "127.0.0.1:8501"
    cookie = ask.pass_of() if locked else None
    if not locked:
        access.take_password_away(shop)
        origin = origin and origin.replace("yard.local", "127.0.0.1")
    said = ask("", "/_stcore/stream", kind="websocket", cookie=cookie, host=host, origin=origin)
    assert (said.kind == "websocket.accept") is opens
    assert (ask.behind.came == ["/_stcore/stream"]) is opens


def test_a_page_asks_for_the_password_and_keeps_where_one_was_going(ask):
    said = ask("GET", '/timber?tag=FER-02&x="><script>')
    assert said.status == 401
    assert 'value="/timber?tag=FER-02&amp;x=&quot;&gt;&lt;script&gt;"' in said.body
    assert "<script" not in said.body
    assert said.headers["cache-control"] == "no-store"
    assert "frame-ancestors 'none'" in said.headers["content-security-policy"]
    assert ask("HEAD", "/").body == ""


@pytest.mark.parametrize("scheme", ["http", "https"])
def test_the_right_password_buys_a_pass_that_no_script_reads(ask, scheme):
    said = ask.sign_in(goal="/timber?tag=FER-02", scheme=scheme)
    assert (said.status, said.headers["location"]) == (303, "/timber?tag=FER-02")
    made = said.cookie
    assert made["httponly"]
    assert made["samesite"] == "Lax"
    assert bool(made["secure"]) is (scheme == "https")
    assert int(made["max-age"]) == 30 * 86_400
    cookie = f'other="a, b{{}} ; odd; {made.key}={made.value}'
    assert ask("GET", "/timber", cookie=cookie).body == "inside"
    assert ask("PUT", "/_stcore/upload_file/s/f", b"x" * 10, cookie=cookie).body == "inside"


ELSEWHERE = [
    *("//elsewhere.example", "/\\elsewhere.example", "https://elsewhere.example", "", "javascript:alert(1)"),
    *("/a\r\nset-cookie: x=1", "/sign-in", "/\x00", "/ü"),
]


def test_signing_in_leads_to_no_other_place(ask):
    for goal in ELSEWHERE:
        assert ask.sign_in(goal=goal).headers["location"] == "/"


def test_a_wrong_password_is_told_and_too_many_wait(ask):
    for _ in range(4):
        said = ask.sign_in("wrong")
        assert said.status == 401
        assert "That is not the password" in said.body
        assert "set-cookie" not in said.headers
    assert ask.sign_in().status == 429  # held before the password is looked at
    assert "Too many wrong passwords from here; try again in" in ask.sign_in().body
    assert ask.sign_in(client="203.0.113.8").status == 303


def test_no_other_site_signs_a_browser_in(ask):
    assert ask.sign_in(origin="https://elsewhere.example", host="yard.local:8501").status == 403
    assert ask.sign_in(origin="http://yard.local:8501", host="yard.local:8501").status == 303


def test_a_sign_in_that_is_none_is_refused(ask):
    for body in (b"", b"\xff\xfe", b"password", b"a=1&" * 50, b"password=" + b"x" * 9000):
        assert ask("POST", "/sign-in", body, client=str(len(body))).status == 401


def test_a_pass_ends_with_the_password(ask, shop):
    cookie = ask.pass_of()
    assert ask("GET", "/", cookie=cookie).status == 200
    access.set_password(shop, SECRET + "!")
    assert ask("GET", "/", cookie=cookie).status == 401


def test_the_platforms_own_scripts_and_its_health_need_no_pass(ask):
    for path in ("/static/js/main.js", "/_stcore/health"):
        assert ask("GET", path).body == "inside"


def test_an_open_shop_has_no_door_but_limits(ask, shop):
    access.take_password_away(shop)
    assert ask("GET", "/").body == "inside"
    said = ask("PUT", "/_stcore/upload_file/s/f", content_length=101 * MB + 1)
    assert (said.status, said.read, said.body) == (413, 0, "The file is larger than 100 MB.")


@pytest.mark.parametrize("kind", ["http", "websocket"])
@pytest.mark.parametrize(
    ("host", "is_ours"),
    [
        ("127.0.0.1:8501", True),
        ("[::1]:8501", True),
        ("localhost:8501", True),
        ("shop.example", True),
        ("stranger.example:8501", False),
        ("127.0.0.1.stranger.example", False),
        ("localhost.stranger.example:8501", False),
        ("[", False),
    ],
)
def test_an_open_shop_answers_to_no_strangers_name(ask, shop, host, is_ours, kind):
    """A stranger may let a name of his lead to this machine; then his page and ours are of one origin."""
    access.take_password_away(shop)
    path = shop / "baulk.toml"
    path.write_text(path.read_text() + '\n[dashboard]\nurl = "https://Shop.example"\n')
    said = ask("GET", "/_stcore/stream", kind=kind, host=host, origin=f"http://{host}")
    assert (ask.behind.came == ["/_stcore/stream"]) is is_ours
    if not is_ours:
        assert (said.kind, said.status) in {("http.response.start", 403), ("websocket.close", None)}


def test_a_door_whose_shop_cannot_be_asked_stays_shut(ask, monkeypatch):
    cookie = ask.pass_of()

    def broken(_question):
        raise BaulkError("the store is away")

    monkeypatch.setattr(door, "ask", broken)
    said = ask("GET", "/", cookie=cookie)
    assert (said.status, ask.behind.came) == (503, [])
    assert "The store is away." in said.body


def test_an_upload_without_a_true_length_or_beyond_the_limit_is_refused_unread(ask):
    cookie = ask.pass_of()
    for length in (None, "-1", "1e9", "x", "²", str(10**30), 102 * MB):
        said = ask("PUT", "/_stcore/upload_file/s/f", cookie=cookie, content_length=length)
        assert said.status in {411, 413}
        assert said.read == 0
    assert ask.uploads.total == 0


def test_a_visitors_oldest_file_makes_room_for_a_new_one(ask):
    for k in range(6):
        ask.uploads.begin("s", f"f{k}", str(25 * MB))
    assert ask.files.dropped == [("s", "f0")]
    ask.uploads.begin("s", "large", str(100 * MB))
    assert ask.uploads.total <= uploads.ONE_VISITOR


def test_all_visitors_together_hold_no_more_than_the_limit(ask):
    for session in "stu":
        ask.uploads.begin(session, "f", str(95 * MB))
    with pytest.raises(uploads.TooMuch, match="too many files") as caught:
        ask.uploads.begin("v", "f", str(20 * MB))
    assert caught.value.status == 503
    assert ask.files.dropped == []
    ask.active.discard("t")  # gone: its files go at once when there is need
    ask.uploads.begin("v", "f", str(20 * MB))
    assert ask.files.dropped == [("t", "*")]


def test_the_files_of_whoever_left_are_dropped_after_two_minutes(ask):
    ask.uploads.begin("s", "f", str(20 * MB))
    ask.uploads.sweep(now_s=0)
    ask.active.clear()
    ask.uploads.sweep(now_s=10)
    ask.uploads.sweep(now_s=100)
    ask.active.add("s")  # a telephone that woke up
    ask.uploads.sweep(now_s=129)
    ask.active.clear()
    ask.uploads.sweep(now_s=140)
    ask.uploads.sweep(now_s=259)
    assert ask.files.dropped == []
    ask.uploads.sweep(now_s=260)
    assert ask.files.dropped == [("s", "*")]
    assert ask.uploads.total == 0


def test_what_was_not_kept_or_was_taken_away_counts_no_more(ask):
    cookie = ask.pass_of()
    ask.behind.status = 400
    ask("PUT", "/_stcore/upload_file/s/f", b"x" * 50, cookie=cookie)
    assert ask.uploads.total == 0
    ask.behind.status = 204
    ask("PUT", "/_stcore/upload_file/s/f", b"x" * 50, cookie=cookie)
    assert ask.uploads.total == 50
    ask("DELETE", "/_stcore/upload_file/s/f", cookie=cookie)
    assert ask.uploads.total == 0
