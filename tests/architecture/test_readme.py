"""The README and the command line tell the same story."""

from __future__ import annotations

import re
import shlex

import pytest
from typer.testing import CliRunner

from baulk.dashboard import commands


@pytest.fixture(scope="module")
def readme(root):
    texts = ("README.md", "dashboard/guide/commands.md")
    return "\n".join((root / each).read_text(encoding="utf-8") for each in texts)


def spans(text):
    """What stands as code: between backquotes, and in indented blocks with lines that go on joined."""
    blocks = re.findall(r"^    (.+)$", text.replace("\\\n", " "), flags=re.MULTILINE)
    return re.findall(r"`([^`\n]+)`", text) + blocks


def test_every_command_stands_in_the_readme(readme):
    words = {word for span in spans(readme) for word in re.findall(r"[a-z]+", span)}
    assert set(commands.COMMANDS) <= words


def test_every_command_that_the_readme_shows_exists_and_has_help(readme):
    app = commands.build()
    shown = set()
    for span in spans(readme):
        words = shlex.split(span.partition("#")[0], posix=True) if "baulk" in span and "'" not in span else []
        if words and words[0].endswith("baulk"):
            names = [w for w in words[1:] if re.fullmatch(r"[a-z]+,?", w)]
            shown.add(tuple(w.rstrip(",") for w in names[:2] if w))
    assert shown
    for names in shown - {()}:
        group = names if names[0] in {"timber", "reading", "plan"} else names[:1]
        assert CliRunner().invoke(app, [*group, "--help"]).exit_code == 0, names


def test_the_printed_emc_is_what_the_readme_promises(readme):
    shown = re.search(r"baulk (emc --temp \S+ --rh \d+)", readme)
    assert shown
    assert CliRunner().invoke(commands.build(), shlex.split(shown[1])).stdout.startswith("9.2 %")
