"""What Dockerfile and compose file ask for is there, and compose reads its file; no image is built."""

import os
import re
import shutil
import subprocess

import pytest
import yaml

from baulk.dashboard.commands import COMMANDS


@pytest.fixture
def folder(root):
    return root / "deploy" / "container"


def test_the_image_copies_what_there_is_and_runs_as_an_ordinary_user(root, folder):
    lines = [line.split() for line in (folder / "Dockerfile").read_text().splitlines() if line.strip()]
    copied = [
        word for words in lines if words[0] == "COPY" and "--from" not in words[1] for word in words[1:-1]
    ]
    assert copied
    assert [word for word in copied if not (root / word).exists()] == []
    assert {"deploy/mosquitto", "deploy/tls"} <= set(copied), "what the services set-up and broker run"
    assert {"models", "ingest", "dashboard"} <= set(copied)
    (user,) = [words[1] for words in lines if words[0] == "USER"]
    assert re.fullmatch(r"[1-9]\d+:[1-9]\d+", user), "a number, so that it can be checked to be no root"
    kept_out = (root / ".dockerignore").read_text().split()
    assert {".git", ".venv"} <= set(kept_out)
    assert not set(copied) & set(kept_out)


def test_every_service_of_the_compose_file_runs_a_command_of_ours_shut_in(folder):
    told = yaml.safe_load((folder / "compose.yaml").read_text())
    for each in told["services"].values():
        assert each["read_only"]
        assert each["cap_drop"] == ["ALL"]
        named = {volume.partition(":")[0] for volume in each["volumes"]}
        assert named - {"./authority"} <= set(told["volumes"])
    ours = {name: each for name, each in told["services"].items() if name not in {"broker", "set-up"}}
    assert {each["command"][0] for each in ours.values()} == {"listen", "forecast", "dashboard"}
    assert {each["command"][0] for each in ours.values()} <= set(COMMANDS)
    assert (
        told["services"]["set-up"]["entrypoint"][0].removeprefix("/opt/baulk/") == "deploy/mosquitto/set-up"
    )
    assert ours["pages"]["ports"] == ["127.0.0.1:8501:8501"], (
        "a password first, and something with TLS before it"
    )
    assert (folder / told["x-part"]["build"]["context"]).resolve() == folder.parents[1]


def test_compose_itself_takes_the_file(folder, tmp_path):
    program = shutil.which("docker-compose")
    if program is None:
        pytest.skip("no docker-compose on this machine")
    told = yaml.safe_load((folder / "compose.yaml").read_text())
    old = subprocess.run([program, "version"], capture_output=True, text=True, check=False).stdout
    if re.search(r"version v?1\.", old):
        del told["name"]  # the first versions knew none
    (tmp_path / "compose.yaml").write_text(yaml.safe_dump(told))
    command = [program, "-f", tmp_path / "compose.yaml", "config"]
    env = {**os.environ, "BAULK_BROKER_PASSWORD": "drawn"}
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False, env=env)
    assert (done.returncode, done.stderr) == (0, "")
    services = {name for name, each in told["services"].items() if "profiles" not in each}
    assert services <= set(yaml.safe_load(done.stdout)["services"])
