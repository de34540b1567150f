"""Programs that the listener's bench runs as processes of their own: bare subscriber, listener and sender.

``bare PORT N`` and ``listener FOLDER N [NUMBER]`` print "ready" and, once N messages are through, a line of
JSON: when (by the machine's clock) and the memory held. ``send PORT N`` waits for a line, then sends N packs.
"""

from __future__ import annotations

import json
import resource
import sys
import threading
import time
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties


def rss_mb():
    lines = Path("/proc/self/status").read_text(encoding="ascii").splitlines()
    return next(int(line.split()[1]) / 1024 for line in lines if line.startswith("VmRSS"))


def cpu_s():
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime


def done(first, count, before_s=0.0):
    said = {
        "first": first,
        "last": time.time(),
        "count": count,
        "rss_mb": rss_mb(),
        "cpu_s": cpu_s() - before_s,  # since the first message
    }
    print(json.dumps(said), flush=True)


def bare(port, wanted):
    """Take N messages, acknowledge each as paho does by itself, and store nothing."""
    seen = {"n": 0, "first": 0.0, "before_s": 0.0}

    def arrived(client, _data, _message):
        seen["n"] += 1
        if seen["n"] == 1:
            seen["first"], seen["before_s"] = time.time(), cpu_s()
        if seen["n"] == wanted:
            done(seen["first"], wanted, seen["before_s"])
            client.disconnect()

    def connected(client, *_):
        client.subscribe("baulk/v1/ferry-yard/timber/+", qos=1)

    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id="bare", protocol=mqtt.MQTTv5)
    client.on_message, client.on_connect = arrived, connected
    client.on_subscribe = lambda *_: print("ready", flush=True)
    properties = Properties(PacketTypes.CONNECT)
    properties.ReceiveMaximum = 1000
    client.connect("127.0.0.1", port, properties=properties)
    client.loop_forever()


def listen(folder, wanted, number):
    """Listen in earnest; count what is committed."""
    from baulk.ingest import pipeline, shop  # noqa: PLC0415 - the bare one must not pay for it
    from baulk.ingest.mqtt import listener  # noqa: PLC0415 - the bare one must not pay for it

    seen, first, before_s, stop = 0, 0.0, 0.0, threading.Event()
    commit = pipeline.handle_batch

    def counted(raws, yard, **more):
        nonlocal seen, first, before_s
        first, before_s = first or time.time(), before_s or cpu_s()
        new = commit(raws, yard, **more)
        seen += len(raws)
        if 0 < wanted <= seen:
            done(first, seen, before_s)
            stop.set()
        return new

    pipeline.handle_batch = counted
    threading.Thread(target=lambda: (sys.stdin.read(), stop.set()), daemon=True).start()
    with shop.open(folder, durable=True) as opened:
        listener.settle_memory()
        listener.run(
            opened,
            stop,
            on_ready=lambda: print("ready", flush=True),
            number=number,
            say=lambda words: print(words, file=sys.stderr, flush=True),
        )
    if not 0 < wanted <= seen:
        done(first, seen, before_s)


def send(port, wanted):
    """Send N packs of three records over twenty timbers, each with its own time."""
    start = time.time() - 8_000_000
    packs = [
        (
            f"baulk/v1/ferry-yard/timber/FER-{k % 20:02d}",
            json.dumps(
                [
                    {"bt": start + 60 * k, "n": "pin-45/b/moisture", "u": "/", "v": 0.2 + k % 100 / 1000},
                    {"n": "wood-temp", "u": "Cel", "v": 12.5},
                    {"n": "weight", "u": "kg", "v": 96.2},
                ]
            ),
        )
        for k in range(wanted)
    ]
    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id="sender", protocol=mqtt.MQTTv5)
    client.max_queued_messages_set(0)
    client.max_inflight_messages_set(500)
    confirmed = 0

    def published(*_):
        nonlocal confirmed
        confirmed += 1

    client.on_publish = published
    client.connect("127.0.0.1", port)
    client.loop_start()
    print("ready", flush=True)
    sys.stdin.readline()
    first = time.time()
    print(json.dumps({"first": first}), flush=True)
    for number, (topic, payload) in enumerate(packs):
        while number - confirmed > 2000:
            time.sleep(0.001)
        client.publish(topic, payload, qos=1)
    while confirmed < wanted:
        time.sleep(0.002)
    done(first, wanted)
    client.disconnect()
    client.loop_stop()


if __name__ == "__main__":
    kind, where, count, *more = sys.argv[1:]
    if kind == "bare":
        bare(int(where), int(count))
    elif kind == "send":
        send(int(where), int(count))
    else:
        listen(where, int(count), int(more[0]) if more else None)
