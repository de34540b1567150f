"""The door before the pages: who gets in, who waits, and what the shop refuses to serve openly."""

from __future__ import annotations

import gc
import sys
from datetime import UTC, datetime, timedelta

import pytest
from streamlit.testing.v1 import AppTest

from baulk.dashboard.server import access, door, preferences, process, shop_access
from baulk.ingest import config as settings
from baulk.ingest import shop as shops
from baulk.ingest.errors import ConfigError

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)
SECRET = "three wet oaks"


def wide(folder, more=""):
    path = folder / settings.FILE
    path.write_text(path.read_text() + f'\n[dashboard]\nhost = "192.0.2.7"\n{more}')
    return settings.load(folder)


@pytest.mark.parametrize(
    ("host", "alone"),
    [
        ("127.0.0.1", True),
        ("127.8.8.8", True),
        ("::1", True),
        ("localhost", True),
        ("0.0.0.0", False),  # noqa: S104
        ("::", False),
        ("192.168.1.20", False),
        ("yard.local", False),
        ("127.0.0.1.example.org", False),
    ],
)
def test_only_addresses_of_this_machine_count_as_its_own(host, alone):
    assert settings.is_loopback(host) is alone


def test_pages_beyond_this_machine_are_refused_without_a_password(shop_dir):
    with pytest.raises(ConfigError, match=r"open to everybody who reaches 192\.0\.2\.7; set a password"):
        process.command(shop_dir, 8501, wide(shop_dir))


def test_the_command_refuses_in_one_sentence(baulk, shop_dir):
    wide(shop_dir)
    for word in ("dashboard", "serve"):
        done = baulk(word, "--shop", str(shop_dir))
        assert done.returncode == 1
        assert done.stderr.count("\n") == 1
        assert "baulk password" in done.stderr


def test_with_a_password_the_pages_are_served_where_the_settings_say(shop_dir):
    config = wide(shop_dir, 'url = "http://yard.local:8501"\n')
    access.set_password(shop_dir, SECRET)
    argv = process.command(shop_dir, 8501, config)
    assert "--server.address=192.0.2.7" in argv
    assert "--browser.serverAddress=yard.local" in argv
    assert SECRET not in " ".join(argv)


def test_tls_files_are_named_to_the_server_and_missed_in_a_sentence(shop_dir):
    config = wide(shop_dir, 'cert_file = "c.pem"\nkey_file = "k.pem"\n')
    access.set_password(shop_dir, SECRET)
    with pytest.raises(ConfigError, match=r"c\.pem, and there is no such file"):
        process.command(shop_dir, 8501, config)
    for name in ("c.pem", "k.pem"):
        (shop_dir / name).write_text("x")
    argv = process.command(shop_dir, 8501, config)
    assert f"--server.sslCertFile={shop_dir / 'c.pem'}" in argv
    assert process.where(config, 8501) == "https://192.0.2.7:8501"


def test_only_the_hash_is_kept_and_only_for_its_owner(shop_dir):
    access.set_password(shop_dir, SECRET)
    path = shop_dir / access.PASSWORD_FILE
    assert path.stat().st_mode & 0o077 == 0
    assert path.read_text().startswith("$argon2id$")
    assert access.right(shop_dir, SECRET)
    assert not access.right(shop_dir, SECRET + " ")


def test_a_short_password_and_a_spoilt_file_are_refused_in_words(shop_dir):
    with pytest.raises(ConfigError, match="at least 10 signs, this one 5"):
        access.set_password(shop_dir, "short")
    for spoilt in ("", "hunter2", "$argon2id$nonsense", "\xff"):
        (shop_dir / access.PASSWORD_FILE).write_bytes(spoilt.encode("latin-1"))
        with pytest.raises(ConfigError, match="set it anew"):
            access.right(shop_dir, SECRET)


def test_the_password_command_sets_and_takes_away(baulk, shop_dir):
    import subprocess  # noqa: PLC0415
    import sys  # noqa: PLC0415

    done = subprocess.run(
        [sys.executable, "-P", "-m", "baulk.dashboard.commands", "password", "--stdin", "--shop", shop_dir],
        input=SECRET + "\n",
        text=True,
        capture_output=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert SECRET not in done.stdout + done.stderr
    assert access.right(shop_dir, SECRET)
    assert "open" in baulk("password", "--remove", "--shop", str(shop_dir)).stdout
    assert access.lock(settings.load(shop_dir)) == "open"


def test_a_pass_lasts_a_month_and_ends_with_the_password_or_a_sign_out(shop_dir):
    access.set_password(shop_dir, SECRET)
    with shops.open(shop_dir) as shop:
        token = access.new_pass(shop, NOW)
        assert access.admits(shop, token, NOW + timedelta(days=29))
        assert not access.admits(shop, token, NOW + timedelta(days=31))
        assert not access.admits(shop, token + "x", NOW)
        assert token not in repr(shop.store.notes(access.NOTE))
        access.set_password(shop_dir, SECRET + "!")
        assert not access.admits(shop, token, NOW)
        other = access.new_pass(shop, NOW)
        access.take_pass_away(shop, other)
        assert not access.admits(shop, other, NOW)


def test_passes_that_have_run_out_are_cleared_away(shop_dir):
    access.set_password(shop_dir, SECRET)
    with shops.open(shop_dir) as shop:
        access.new_pass(shop, NOW - timedelta(days=40))
        access.new_pass(shop, NOW)
        assert len(shop.store.notes(access.NOTE)) == 1


def test_whoever_guesses_waits_longer_each_time_and_others_do_not():
    patience = access.Patience()
    waits, now_s = [], 100.0
    for _ in range(9):
        if wait_s := patience.begin("a", now_s):
            waits.append(wait_s)
            now_s += wait_s
            assert patience.begin("a", now_s) == 0
        else:
            waits.append(0)
    assert waits == [0, 0, 0, 0, 2, 4, 8, 16, 32]
    assert patience.begin("b", now_s) == 0
    patience.end("a", ok=True)
    assert patience.begin("a", now_s) == 0


@pytest.fixture
def locked(shop_folder, monkeypatch):
    access.set_password(shop_folder, SECRET)
    monkeypatch.setenv("BAULK_SHOP", str(shop_folder))
    return AppTest.from_file(
        str(shop_access.__file__).replace("server/shop_access.py", "app.py"), default_timeout=60
    )


def everything(app):
    return " ".join(str(each.value) for kind in (app.markdown, app.title, app.caption) for each in kind)


def test_a_page_without_a_pass_shows_nothing_of_the_shop_though_the_door_let_its_socket_in(locked):
    locked.run()
    assert not locked.exception
    assert "FER-01" not in str(locked.main)
    assert "no longer signed in" in locked.error[0].value


def test_a_page_ends_with_its_pass(locked, shop_folder, monkeypatch):
    with shops.open(shop_folder) as shop:
        token = access.new_pass(shop, datetime.now(UTC))
    monkeypatch.setattr(preferences, "kept", {door.COOKIE: token}.get)
    locked.run()
    assert not locked.error
    assert "Yard" in everything(locked)
    locked.button(key="sign-out").click().run()
    locked.run()
    assert "no longer signed in" in locked.error[0].value
    with shops.open(shop_folder) as shop:
        assert not access.admits(shop, token, datetime.now(UTC))


def test_signing_in_needs_a_list_of_people_and_a_whole_file(shop_dir):
    whole = "\n".join(
        f'{name} = "x"'
        for name in ("redirect_uri", "cookie_secret", "client_id", "client_secret", "server_metadata_url")
    )
    login = shop_dir / access.LOGIN_FILE
    login.write_text("[auth]\nclient_id = 'x'\n")
    with pytest.raises(ConfigError, match="client_secret, cookie_secret, redirect_uri"):
        process.command(shop_dir, 8501, wide(shop_dir))
    login.write_text("[auth]\n" + whole)
    with pytest.raises(ConfigError, match="name the people under allowed"):
        process.command(shop_dir, 8501, settings.load(shop_dir))
    path = shop_dir / settings.FILE
    path.write_text(path.read_text() + 'allowed = ["ida@example.org"]\n')
    assert f"--secrets.files={login}" in process.command(shop_dir, 8501, settings.load(shop_dir))


def test_the_page_server_never_asks_the_world_for_its_own_address(monkeypatch):
    from streamlit import net_util  # noqa: PLC0415
    from streamlit.web import cli  # noqa: PLC0415

    from baulk.dashboard.server import page_server  # noqa: PLC0415

    monkeypatch.setattr(net_util, "get_external_ip", net_util.get_external_ip)
    monkeypatch.setattr(cli, "main", lambda **_: 0)
    monkeypatch.setattr(sys, "argv", ["baulk"])
    try:
        with pytest.raises(SystemExit):
            page_server.main(["run", "asgi.py", "--", "--shop", "ferry"])
    finally:
        gc.enable()  # which the server does once it is warm
    assert net_util.get_external_ip() is None
    assert sys.argv[1:3] + sys.argv[-3:] == ["run", "asgi.py", "--", "--shop", "ferry"]
    assert {"--server.enableAgentApi=false"} >= set(sys.argv[3:-3]), "older ones do not know it"
