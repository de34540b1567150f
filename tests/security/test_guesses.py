"""Guesses at the password and sign-ins that prove nothing: held before anything is computed."""

from __future__ import annotations

import threading
import time

import pytest

from baulk.dashboard.server import access

SECRET = "a long enough one"


@pytest.fixture
def slow(monkeypatch):
    """The hash takes its time, so that guesses made at once are all under way together."""
    looked_at, under_way, most = [], [], []

    def right(_folder, password):
        looked_at.append(password)
        under_way.append(password)
        most.append(len(under_way))
        time.sleep(0.1)
        under_way.pop()
        return password == SECRET

    monkeypatch.setattr(access, "right", right)
    return looked_at


def guess_at_once(folder, patience, guesses, address):
    """Try passwords side by side; return whether each was right, or what was said to it."""
    found = []

    def one(password):
        try:
            found.append(access.tried(folder, password, address, patience))
        except access.TooSoon as err:
            found.append(str(err))

    team = [threading.Thread(target=one, args=(each,)) for each in guesses]
    for each in team:
        each.start()
    for each in team:
        each.join()
    return found


def test_of_thirty_guesses_made_at_once_four_are_looked_at(slow, tmp_path):
    patience = access.Patience()
    found = guess_at_once(tmp_path, patience, [f"guess {n}" for n in range(30)], "203.0.113.7")
    assert len(slow) == 4
    assert found.count(False) == 4
    assert sum("try again in 2 seconds" in str(each) for each in found) == 26


def test_a_flood_from_one_address_holds_up_nobody_else(slow, tmp_path):
    patience = access.Patience()
    guess_at_once(tmp_path, patience, [f"guess {n}" for n in range(30)], "203.0.113.7")
    assert access.tried(tmp_path, SECRET, "203.0.113.8", patience)


def test_addresses_of_one_network_count_as_one_and_other_networks_do_not(slow, tmp_path):
    patience = access.Patience()
    for n in range(4):
        assert not access.tried(tmp_path, "wrong", f"2001:db8::{n + 1}", patience)
    with pytest.raises(access.TooSoon):
        access.tried(tmp_path, "wrong", "2001:db8::ffff", patience)
    assert access.tried(tmp_path, SECRET, "2001:db8:0:1::1", patience)
    for _ in range(4):
        assert not access.tried(tmp_path, "wrong", "::ffff:203.0.113.9", patience)
    with pytest.raises(access.TooSoon):
        access.tried(tmp_path, "wrong", "203.0.113.9", patience)


def test_a_flood_of_addresses_does_not_free_one_that_waits():
    patience = access.Patience(most=100)
    for _ in range(4):
        patience.begin("203.0.113.7", 0.0)
    for n in range(95):
        patience.begin(f"198.51.100.{n}", 1.0)
    assert patience.begin("203.0.113.7", 1.0) > 0
    for n in range(1000):
        patience.begin(f"10.0.{n // 250}.{n % 250}", 2.0)
    assert len(patience._wrong) == 100


def test_a_right_password_is_let_in_again_at_once(slow, tmp_path):
    patience = access.Patience()
    for _ in range(10):
        assert access.tried(tmp_path, SECRET, "203.0.113.7", patience)


def test_two_hashes_at_most_are_computed_at_once(tmp_path, monkeypatch):
    access.set_password(tmp_path, SECRET)
    under_way, most = [], []

    class Slow:
        def verify(self, _kept, password):
            under_way.append(password)
            most.append(len(under_way))
            time.sleep(0.02)
            under_way.remove(password)
            return True

    monkeypatch.setattr(access, "PasswordHasher", Slow)
    team = [threading.Thread(target=access.right, args=(tmp_path, f"{n}")) for n in range(12)]
    for each in team:
        each.start()
    for each in team:
        each.join()
    assert len(most) == 12
    assert max(most) <= 2


@pytest.mark.parametrize(
    ("address", "verified", "why"),
    [
        ("ida@example.org", True, None),
        ("Ida@Example.org", "true", None),
        ("ida@example.org", False, "email_verified"),
        ("ida@example.org", None, "email_verified"),
        ("ida@example.org", "false", "email_verified"),
        ("ida@example.org", 1, "email_verified"),
        ("eve@example.org", True, "not on the shop's list"),
        ("", True, "this account is not on the shop's list"),
    ],
)
def test_an_address_that_nobody_has_verified_is_no_sign_in(address, verified, why):
    found = access.why_not_listed(address, verified, ["ida@example.org"])
    assert found is None if why is None else why in found
