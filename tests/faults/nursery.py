"""Starts listeners by forking, so that hundreds of them can be killed in a few minutes.

Reads lines ``FOLDER [faulty] [mute] [noting] [forward]`` and answers each with the process number of a new
listener. With "faulty" the store says that its server is away, or that it is locked, while the file ``away``
or ``locked`` lies in the folder; with "mute" nothing is acknowledged, as when a kill comes between commit and
acknowledgement; with "noting" the payloads that it acknowledges are written to ``acknowledged.txt`` first.
With "forward" it is a forwarder.
"""

from __future__ import annotations

import os
import signal
import sys
import threading
from dataclasses import replace
from pathlib import Path

from baulk.ingest import config
from baulk.ingest.errors import StoreAway, StoreLocked
from baulk.ingest.mqtt import forwarder, listener, session  # everything is loaded before the first fork


class Faulty:
    """A store that can be taken away or locked."""

    def __init__(self, store, folder):
        self._store, self._folder = store, Path(folder)

    def __getattr__(self, name):
        if (self._folder / "locked").exists():
            raise StoreLocked("the store is locked by another program; close it or wait, then try again")
        if (self._folder / "away").exists():
            raise StoreAway("the store's server can't be reached; start it, or correct [store] in baulk.toml")
        return getattr(self._store, name)


def note_what_is_acknowledged(folder):
    """Write down what is acknowledged, ahead of it."""
    acknowledge = session.Session.acknowledge
    file = os.open(Path(folder) / "acknowledged.txt", os.O_WRONLY | os.O_CREAT | os.O_APPEND)

    def noted(self, batch):
        os.write(file, b"".join(raw.payload + b"\n" for raw in batch.raws))
        acknowledge(self, batch)

    session.Session.acknowledge = noted


def listen(folder, *, faulty, mute, noting):
    """Be a listener until killed; tell what it says in a file of its own."""
    if mute:
        session.Session.acknowledge = lambda *_: None
    if noting:
        note_what_is_acknowledged(folder)
    stop = threading.Event()
    with (Path(folder) / "said.txt").open("a", encoding="utf-8") as said:

        def say(words):
            said.write(f"{words}\n")
            said.flush()

        with listener.opened(folder, stop, say=say) as opened:
            yard = replace(opened, store=Faulty(opened.store, folder)) if faulty else opened
            listener.run(yard, stop, say=say, on_ready=lambda: say("ready"))


def forward(folder):
    """Be a forwarder until killed or asked to end."""
    stop = threading.Event()
    signal.signal(signal.SIGTERM, lambda *_: stop.set())
    with (Path(folder) / "said.txt").open("a", encoding="utf-8") as said:

        def say(words):
            said.write(f"{words}\n")
            said.flush()

        forwarder.run(config.load(folder), stop, say=say, on_ready=lambda: say("ready"))
    os._exit(0)


if __name__ == "__main__":
    signal.signal(signal.SIGCHLD, signal.SIG_IGN)  # nobody waits for the killed
    for line in sys.stdin:
        where, *how = line.split()
        child = os.fork()
        if child == 0:
            signal.signal(signal.SIGCHLD, signal.SIG_DFL)
            try:
                if "forward" in how:
                    forward(where)
                listen(where, faulty="faulty" in how, mute="mute" in how, noting="noting" in how)
            finally:
                os._exit(1)
        print(child, flush=True)
