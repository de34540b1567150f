"""The door before the pages in a real browser: password kept a month, signing in, the address asked for."""

import importlib.util
from pathlib import Path

import pytest
from playwright.sync_api import expect

from baulk.dashboard.server import access, door
from baulk.ingest import config as settings

pytestmark = pytest.mark.browser
_HERE = Path(__file__).parent
SECRET = "three wet oaks"


def _load(path):
    spec = importlib.util.spec_from_file_location(path.stem + "_of_door_tests", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


browse = _load(_HERE / "conftest.py")
invented = _load(_HERE.parent / "dashboard" / "invented.py")


@pytest.fixture
def person(chromium):
    """A browser with cookies of its own."""
    context = chromium.new_context(viewport={"width": 390, "height": 844})
    yield context
    context.close()


def test_the_password_is_asked_once_and_leads_to_the_page_that_was_asked_for(tmp_path, person):
    folder = invented.shop(tmp_path / "shop")
    access.set_password(folder, SECRET)
    pages = browse.Pages(folder, tmp_path / "pages.log")
    try:
        page = person.new_page()
        page.goto(f"{pages.base}/timber?tag=FER-02")
        box = page.get_by_label("Password", exact=True)
        expect(box).to_be_visible(timeout=60_000)
        assert page.get_by_text("FER-02").count() == 0
        browse.shoot(page, "door")
        box.fill("not this one")
        page.get_by_role("button", name="Sign in").click()
        expect(page.get_by_text("not the password")).to_be_visible()
        box.fill(SECRET)
        page.get_by_role("button", name="Sign in").click()
        expect(page.get_by_role("heading", name="FER-02")).to_be_visible(timeout=60_000)
        (kept,) = [each for each in person.cookies() if each["name"] == door.COOKIE]
        assert kept["httpOnly"]
        assert kept["sameSite"] == "Lax"
        assert door.COOKIE not in page.evaluate("document.cookie")
        again = person.new_page()
        again.goto(pages.base)
        expect(again.locator(".b-timber", has_text="FER-01")).to_be_visible(timeout=60_000)
        again.get_by_role("button", name="More").click()
        again.get_by_role("button", name="Sign out").click()
        expect(again.get_by_label("Password", exact=True)).to_be_visible(timeout=60_000)
        page.reload()
        expect(page.get_by_label("Password", exact=True)).to_be_visible(timeout=60_000)
    finally:
        pages.close()
    assert SECRET not in (tmp_path / "pages.log").read_text()


@pytest.mark.parametrize(("email", "let_in"), [("ida@example.org", True), ("eve@example.org", False)])
def test_signing_in_lets_in_those_on_the_list_only(tmp_path, person, email, let_in):
    provider = _load(_HERE / "oidc_provider.py").Provider(email)
    folder = invented.shop(tmp_path / "shop")
    port = browse.free_port()
    path = folder / settings.FILE
    path.write_text(path.read_text() + '\n[dashboard]\nallowed = ["Ida@example.org"]\n')
    (folder / access.LOGIN_FILE).write_text(
        "[auth]\n"
        f'redirect_uri = "http://127.0.0.1:{port}/oauth2callback"\n'
        'cookie_secret = "an invented secret for a test"\n'
        'client_id = "baulk"\nclient_secret = "invented"\n'
        f'server_metadata_url = "{provider.base}/.well-known/openid-configuration"\n'
    )
    pages = browse.Pages(folder, tmp_path / "pages.log", port=port, config=settings.load(folder))
    try:
        page = person.new_page()
        page.goto(f"{pages.base}/timber?tag=FER-02")
        sign_in = page.get_by_role("button", name="Sign in")
        expect(sign_in).to_be_visible(timeout=60_000)
        assert page.get_by_text("FER-02").count() == 0
        sign_in.click()
        if let_in:
            expect(page.get_by_role("heading", name="FER-02")).to_be_visible(timeout=60_000)
        else:
            expect(page.get_by_text("is not on the shop's list")).to_be_visible(timeout=60_000)
            expect(page.get_by_role("button", name="Sign out")).to_be_visible()
            assert page.get_by_text("FER-02").count() == 0
    finally:
        pages.close()
        provider.close()
