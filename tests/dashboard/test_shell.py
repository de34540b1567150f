"""The page around the pages: which addresses there are, and what its HTML holds."""

import asyncio
import json
import re
from concurrent.futures import ThreadPoolExecutor
from html import unescape
from pathlib import Path

import pytest
from starlette.responses import PlainTextResponse
from starlette.routing import Route
from streamlit import file_util

from baulk.dashboard.server import access, early, shell

APP = Path(shell.__file__).parents[1]


class Said:
    """An answer."""

    def __init__(self, sent):
        self.status = sent[0]["status"]
        self.headers = {name.decode(): value.decode() for name, value in sent[0]["headers"]}
        self.text = b"".join(each.get("body", b"") for each in sent[1:]).decode()


def ask(address, method="GET"):
    """Ask for an address as a browser would; what the shell lets through is answered as such."""
    path, _, query = address.partition("?")
    sent = []

    async def send(message):
        sent.append(message)

    async def behind(scope, receive, send):
        app = next((each.endpoint for each in shell.ROUTES if each.path == path), None)
        request = shell.Request(scope)
        answer = await app(request) if app else PlainTextResponse(f"behind {path}")
        await answer(scope, receive, send)

    own = [Route("/field/walk", behind), *shell.ROUTES]
    scope = {
        "type": "http", "method": method, "path": path, "query_string": query.encode(), "headers": [],
        "server": ("127.0.0.1", 8501), "scheme": "http", "root_path": "",
    }  # fmt: skip
    call = shell.Shell(behind, routes=own)(scope, None, send)
    with ThreadPoolExecutor(1) as apart:  # a browser test in this process may have left a loop running
        apart.submit(asyncio.run, call).result()
    return Said(sent)


@pytest.mark.parametrize("path", sorted(shell.PAGES))
def test_a_page_is_html_without_a_word_of_the_platform(path):
    answer = ask(path)
    assert answer.status == 200
    assert "<title>Baulk</title>" in answer.text
    assert "<noscript>These pages need JavaScript.</noscript>" in answer.text
    body = answer.text[answer.text.index("<body>") :]
    assert "treamlit" not in body
    assert body.index("/frame/app.css?v=") < body.index('id="root"')


@pytest.mark.parametrize("path", sorted(shell.PAGES))
def test_no_other_site_shows_a_page_in_a_frame_of_its_own(path):
    """Without a password a stranger's page could lay ours under the visitor's finger, unseen."""
    assert "frame-ancestors 'self'" in ask(path).headers["content-security-policy"]


STATIC = Path(file_util.get_static_dir())


@pytest.mark.parametrize("path", sorted(shell.PAGES))
def test_what_a_pages_first_screen_needs_is_named_in_its_html_once_and_is_there(path):
    named = re.findall(r'href="[.]/(static/js/[^"]+)"', ask(path).text)
    assert len(named) == len(set(named))
    assert [each for each in named if not (STATIC / each).is_file()] == []
    stems = {each.removeprefix("static/js/").split(".")[0] for each in named}
    assert {each.split(".")[0] for each in (*early._EVERYWHERE, *early._FIRST.get(path, ()))} <= stems
    for each in named:  # nor does one of them wait for another that is not named
        needs = early._NEEDS.findall((STATIC / each).read_text(encoding="utf-8"))
        entry = {found.name for found in (STATIC / "static" / "js").glob("index.*.js")}
        assert {f"static/js/{one}" for one in needs if one not in entry} <= set(named), each


def test_the_platforms_typeface_is_not_fetched():
    assert 'as="font"' in (STATIC / "index.html").read_text(encoding="utf-8")
    assert "woff" not in ask("/").text


def test_a_browser_is_told_what_it_would_ask_first_but_not_before_a_sign_in(tmp_path, monkeypatch):
    monkeypatch.setenv("BAULK_SHOP", str(tmp_path))
    told = re.search(r' data-how="([^"]+)"', ask("/timber").text)[1]
    how = json.loads(unescape(told))
    asked = json.loads(ask("/_stcore/host-config").text)
    assert how.pop("allowedOrigins") == ["https://nobody.invalid"]  # a list with nobody in it is not taken
    assert asked.pop("allowedOrigins") == []
    assert how == asked
    (tmp_path / access.LOGIN_FILE).write_text("")
    assert "data-how" not in ask("/timber").text


def test_style_and_script_are_kept_by_the_browser_under_an_address_of_their_content():
    page = ask("/").text
    for name in ("tokens.css", "app.css", "app.js"):
        at = page.index(f"/frame/{name}?v=")
        answer = ask(page[at : page.index('"', at)])
        assert answer.text == (APP / name).read_text(encoding="utf-8")
        assert "immutable" in answer.headers["cache-control"]


@pytest.mark.parametrize(("old", "new"), shell.FORMER.items())
def test_former_addresses_lead_on_with_what_they_say(old, new):
    answer = ask(f"{old}?tag=FER-01")
    assert (answer.status, answer.headers["location"]) == (307, f"{new}?tag=FER-01")


def test_an_unknown_address_is_answered_in_our_own_words():
    answer = ask("/nowhere")
    assert answer.status == 404
    assert "There is no page of that address." in answer.text


@pytest.mark.parametrize("path", ["/field/walk", "/static/js/x.js", "/_stcore/health", "/media/a.csv"])
def test_everything_else_goes_on(path):
    assert ask(path).text == f"behind {path}"


def test_what_is_sent_goes_on():
    assert ask("/timber", "POST").text == "behind /timber"


def test_the_platform_shows_no_message_box_and_lets_nobody_outside_steer_it():
    how = json.loads(ask("/_stcore/host-config").text)
    assert how["blockErrorDialogs"] is True
    assert how["allowedOrigins"] == []


def test_the_script_and_the_server_know_the_same_pages():
    script = (APP / "app.js").read_text(encoding="utf-8")
    listed = script.split("new Set([", 1)[1].split("])", 1)[0]
    assert {each.strip(' "') for each in listed.split(",")} == shell.PAGES
    entry = (APP / "app.py").read_text(encoding="utf-8")
    assert all(f'url_path="{path[1:]}"' in entry for path in shell.PAGES - {"/"})
