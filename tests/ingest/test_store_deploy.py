"""What deploy/postgres tells an administrator to run gives Baulk what it needs, and others nothing."""

from __future__ import annotations

import subprocess
from contextlib import closing
from datetime import UTC, datetime

import pytest
from pydantic import SecretStr

from baulk.ingest import config
from baulk.ingest import shop as shops
from baulk.ingest.config import StorePart
from baulk.ingest.errors import StoreRefused
from baulk.ingest.store import open_store
from baulk.models.reading import Reading, Series

NOW = datetime(2026, 5, 14, 9, 30, tzinfo=UTC)


@pytest.fixture
def deployed(postgres_server, root, tmp_path):
    """Run role.sql on a real server under names of its own; gives the settings for a user and a password."""
    script = tmp_path / "role.sql"
    script.write_text((root / "deploy" / "postgres" / "role.sql").read_text().replace("baulk", "ferry"))
    words = ("psql", postgres_server.url, "-q", "-v", "password='tried & true'", "-f", str(script))
    env = {"PGPASSWORD": postgres_server.password, "PATH": f"{postgres_server.bin}:/usr/bin:/bin"}
    done = subprocess.run(words, env=env, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    settings = config.load(shops.init(tmp_path / "yard", name="Ferry yard"))
    url = f"postgresql://{{}}@127.0.0.1:{postgres_server.port}/ferry"

    def made(user, password):
        part = StorePart(kind="postgres", url=url.format(user), password=SecretStr(password))
        return settings.model_copy(update={"store": part})

    return made


def test_the_role_of_the_script_can_keep_a_shop_and_nobody_else_gets_in(deployed, postgres_server):
    one = Reading(series=Series.parse("air/shed/temp"), value=20, taken_utc=NOW, arrived_utc=NOW)
    with closing(open_store(deployed("ferry", "tried & true"))) as store:
        assert store.append([one]) == 1
        ((superuser, creates),) = store._sql.ask(
            "SELECT rolsuper, rolcreatedb FROM pg_roles WHERE rolname = current_user"
        )
        assert (superuser, creates) == (False, False)
    with postgres_server.connect() as base:
        base.execute("CREATE ROLE stranger LOGIN PASSWORD 'x'")
    with pytest.raises(StoreRefused, match="does not give us the right"):
        open_store(deployed("stranger", "x"))
