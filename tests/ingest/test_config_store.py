"""[store] in baulk.toml: which server, and that no secret stands in it."""

from __future__ import annotations

import pytest

from baulk.ingest import config
from baulk.ingest import shop as shops
from baulk.ingest.errors import ConfigError


@pytest.fixture
def load(tmp_path):
    folder = shops.init(tmp_path / "yard", name="Ferry yard")

    def read(lines, **env):
        path = folder / "baulk.toml"
        head, _, tail = path.read_text().partition("[store]\n")
        path.write_text(f"{head}[store]\n{lines}\n{tail[tail.index('[verdict]') :]}")
        return config.load(folder, env)

    return read


def test_postgres_takes_its_password_from_the_environment(load):
    got = load('kind = "postgres"\nurl = "postgresql://baulk@db:5432/yard"', BAULK_STORE_PASSWORD="p w")  # noqa: S106
    assert got.store.postgres_url == "postgresql://baulk@db:5432/yard"
    assert got.store.password.get_secret_value() == "p w"
    assert "p w" not in repr(got)


def test_influx_takes_its_token_from_the_environment_and_keeps_its_books_here_or_in_postgres(load):
    lines = 'kind = "influx"\nurl = "http://metrics:8086"\norg = "yard"'
    got = load(lines, BAULK_INFLUX_TOKEN="t==")  # noqa: S106
    assert (got.store.token.get_secret_value(), got.store.bucket, got.store.postgres_url) == (
        "t==",
        "baulk",
        None,
    )
    got = load(lines + '\nbooks_url = "postgresql://baulk@db/yard"')
    assert got.store.postgres_url == "postgresql://baulk@db/yard"


@pytest.mark.parametrize(
    ("lines", "says"),
    [
        ('kind = "postgres"', "needs a url, for instance postgresql://"),
        ('kind = "influx"\nurl = "http://metrics:8086"', "needs org"),
        ('kind = "influx"\nurl = "metrics:8086"\norg = "y"', "url begins with http:// or https://"),
        ('kind = "postgres"\nurl = "mysql://db/yard"', "url begins with postgresql:// or postgres://"),
        ('kind = "postgres"\nurl = "postgresql:///yard"', "host=/var/run/postgresql"),
        ('kind = "postgres"\nurl = "postgresql://h/yard?password=p"', "BAULK_STORE_PASSWORD"),
        ('kind = "postgres"\nurl = "postgresql://a:pw@db/yard"', "set BAULK_STORE_PASSWORD instead"),
        ('kind = "postgres"\nurl = "postgresql://db/y"\npassword = "pw"', "set BAULK_STORE_PASSWORD instead"),
        ('kind = "influx"\ntoken = "t"', "set BAULK_INFLUX_TOKEN instead"),
        ('url = "postgresql://db/yard"', 'url belongs to kind = "postgres" or "influx"'),
        (
            'kind = "postgres"\nurl = "postgresql://db/y"\nbooks_url = "postgresql://db/y"',
            "books_url belongs to",
        ),
        ("thin_after_days = 0", "greater than or equal to 1"),
        ('thin_to = "weekly"', "'hourly' or 'daily'"),
        ('kind = "papyrus"', "is not a kind of store; known: sqlite, postgres, influx"),
        ("tokn = 1", "tokn is not known; known: backup_dir, books_url,"),
    ],
)
def test_a_mistake_is_named_in_one_sentence(load, lines, says):
    with pytest.raises(ConfigError) as caught:
        load(lines)
    assert says in str(caught.value)
    assert "\n" not in str(caught.value)
    assert "pw" not in str(caught.value)
