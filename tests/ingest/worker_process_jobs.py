"""Work for the process beside, in a module that it can import as well."""

import os
import signal
import sys
import time

from baulk.ingest import worker_process
from baulk.ingest.errors import StoreError
from baulk.models.errors import OutOfRange


def add(line, one, other):
    print("a library prints something")
    for number in (one, other):
        line.tell(number)
    return one + other


def number(_line):
    return os.getpid()


def end(_line):
    os.kill(os.getpid(), signal.SIGKILL)


def leave(_line):
    os._exit(7)


def wait(line):
    line.tell("waiting")
    until = time.monotonic() + 60
    while not line.stopped() and time.monotonic() < until:
        time.sleep(0.01)
    return line.stopped()


def interrupted(_line):
    for each in (signal.SIGINT, signal.SIGTERM):
        os.kill(os.getpid(), each)
    time.sleep(0.2)
    return "there still"


def out_of_range(_line):
    raise OutOfRange("the start", "must lie between 0 and 200 %, not 300 %")


def store_away(_line):
    raise StoreError("the store is away")


def wrong(_line):
    return 1 // 0


def unfit(_line):
    return sys.stdout


def deaf(line):
    line.tell(os.getpid())
    time.sleep(60)


def frozen(line):
    line.tell(os.getpid())
    os.kill(os.getpid(), signal.SIGSTOP)


def asks(line, seconds):
    worker_process.SIGN_S = 0.05
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        line.stopped()
        time.sleep(0.02)
    return "done"


def count(_line, file):
    with open(file, "a", encoding="ascii") as found:  # noqa: PTH123 - appended, which a Path can't
        found.write(f"{os.getpid()}\n")
