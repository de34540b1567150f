"""Runs commands by forking, so that hundreds of them do not each load the same packages again.

Reads a JSON array a line: words, environment, folder, and the files for what is said and what went wrong;
answers with the process number when it has started and with ``NUMBER CODE`` when it has ended. Loaded before
the first fork are packages of others and what of ours every command loads; a command's own module is imported
by its process, as ever. Whether a command asks for all that it needs of those packages is not seen by who
runs it so: tests/architecture/test_late_imports.py and the tests of `serve`, `demo` and `listen` start one of
their own.
"""

from __future__ import annotations

import json
import os
import sys
import time


def become(words: list[str], env: dict[str, str], folder: str, out: str, err: str) -> None:
    """Be the command: its words, its environment, its streams; ends as Python does."""
    for number, path, how in ((0, os.devnull, os.O_RDONLY), (1, out, os.O_WRONLY), (2, err, os.O_WRONLY)):
        opened = os.open(path, how)
        os.dup2(opened, number)
        os.close(opened)
    os.environ.clear()
    os.environ.update(env)
    time.tzset()  # the C library read TZ when this one started
    os.chdir(folder)
    sys.argv = ["baulk", *words]
    commands.main()
    sys.exit(0)


if __name__ == "__main__":
    import numpy as np  # noqa: F401
    import pydantic  # noqa: F401
    import rich.console
    import rich.table  # noqa: F401
    import sqlalchemy  # noqa: F401
    import typer.rich_utils  # noqa: F401

    from baulk.dashboard import commands
    from baulk.ingest import operations, shop  # noqa: F401

    for line in sys.stdin:
        child = os.fork()
        if not child:
            become(*json.loads(line))
        print(child, flush=True)
        _, status = os.waitpid(child, 0)
        print(child, os.waitstatus_to_exitcode(status), flush=True)
