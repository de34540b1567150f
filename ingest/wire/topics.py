"""MQTT topics: ours, and the filters of foreign sensors."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final, Protocol

from baulk.models.quantity import Owner

ROOT: Final = "baulk/v1"


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """What a topic speaks of.

    Parameters
    ----------
    owner : Owner
        Timber or air.
    name : str
        Tag or place, as it stands in the topic; of a sensor that moves its own name.
    sensor : str or None
        The device that sent it, whose account the broker lets publish there and no other.
    """

    owner: Owner
    name: str
    sensor: str | None = None


class _Source(Protocol):
    @property
    def topic(self) -> str: ...


def subscriptions(slug: str, sources: Iterable[_Source], share: str | None = None) -> list[str]:
    """Give the filters to subscribe to; of those with a ``share`` each message goes to one listener only.

    No two of them fit the same topic, for a broker may send a message once for each filter that it fits
    (MQTT 5.0 3.3.4); filters that overlap are put together into a wider one.
    """
    apart = disjoint([own_filter(slug), *(one.topic for one in sources)])
    return [f"$share/{share}/{one}" for one in apart] if share else apart


def handed_on(slug: str, sources: Iterable[_Source], more: Iterable[str]) -> list[str]:
    """Give the filters of what a forwarder takes, of which no two fit the same topic."""
    return disjoint([own_filter(slug), *(one.topic for one in sources), *more])


def disjoint(patterns: Iterable[str]) -> list[str]:
    """Put filters that overlap together, until no topic fits two of them."""
    apart: list[str] = []
    for pattern in patterns:
        one = pattern
        while other := next((each for each in apart if overlap(each, one)), None):
            apart.remove(other)
            one = _wider(other, one)
        apart.append(one)
    return apart


def overlap(one: str, other: str) -> bool:
    """Whether a topic can fit both filters."""
    ours, theirs = one.split("/"), other.split("/")
    if (one[:1] == "$") != (other[:1] == "$") and "$" in {one[:1], other[:1]}:
        return ours[0] == theirs[0]  # a wildcard in front does not fit $SYS and its like
    for index in range(max(len(ours), len(theirs))):
        mine = ours[index] if index < len(ours) else None
        yours = theirs[index] if index < len(theirs) else None
        if "#" in {mine, yours}:
            return True  # also the level above it
        if mine is None or yours is None or ("+" not in {mine, yours} and mine != yours):
            return False
    return True


def _wider(one: str, other: str) -> str:
    """Give the narrowest filter that both fit under."""
    ours, theirs = one.split("/"), other.split("/")
    together: list[str] = []
    for mine, yours in zip(ours, theirs, strict=False):
        if "#" in {mine, yours}:
            return "/".join([*together, "#"])
        together.append(mine if mine == yours else "+")
    return "/".join(together if len(ours) == len(theirs) else [*together, "#"])


def own_filter(slug: str) -> str:
    """Give the filter of all under the shop's level, so that a topic of the wrong depth is seen too."""
    return f"{ROOT}/{slug}/#"


def own(owner: Owner, name: str, slug: str) -> str:
    """Give the topic that a sensor of this timber or place publishes to."""
    return f"{ROOT}/{slug}/{owner.value}/{name}"


def device(name: str, slug: str, place: str | None = None) -> str:
    """Give the topic that belongs to one device alone: of a sensor that moves, or for the air of a place."""
    return f"{ROOT}/{slug}/sensor/{name}" + (f"/air/{place}" if place else "")


def event(tag: str, slug: str) -> str:
    """Give the topic on which a message tells what was measured, seen or done on a timber."""
    return f"{ROOT}/{slug}/timber/{tag}/event"


def event_tag(topic: str, slug: str) -> str | None:
    """Return the timber that a message tells an event of, or nothing for a topic of anything else."""
    head = f"{ROOT}/{slug}/timber/"
    match topic.removeprefix(head).split("/") if topic.startswith(head) else []:
        case [tag, "event"] if tag:
            return tag
    return None


def weather_ahead(slug: str) -> str:
    """Give the topic of the coming days' weather outside, retained by who sends it."""
    return f"{ROOT}/{slug}/weather/ahead"


def verdict(tag: str, slug: str) -> str:
    """Give the topic of a timber's verdict, retained."""
    return f"{ROOT}/{slug}/timber/{tag}/verdict"


def plan(place: str, slug: str) -> str:
    """Give the topic of a room's humidity plan, retained."""
    return f"{ROOT}/{slug}/air/{place}/plan"


def notices(slug: str) -> str:
    """Give the topic of the open notices, retained."""
    return f"{ROOT}/{slug}/notices"


def status(number: str, slug: str) -> str:
    """Give the topic that says whether a listener is there, retained; its client id is nobody's business."""
    return f"{ROOT}/{slug}/listener/{number}/status"


def forwarder(name: str, slug: str) -> str:
    """Give the topic on which a forwarder tells the shop's broker how it is, retained."""
    return f"{ROOT}/{slug}/forward/{name}/status"


def forwarder_here(name: str, slug: str) -> str:
    """Give the topic that says at the far broker whether a forwarder is there, retained."""
    return f"{ROOT}/{slug}/forward/{name}/here"


def is_answer(topic: str, slug: str) -> bool:
    """Whether a topic is one that we publish to ourselves; what comes on it is no reading."""
    ours = (verdict("+", slug), plan("+", slug), notices(slug), status("+", slug))
    filters = (*ours, forwarder("+", slug), forwarder_here("+", slug))
    return any(matches(each, topic) for each in filters)


def target(topic: str, slug: str) -> Target | None:
    """Read one of our own topics, or return nothing for any other."""
    head = f"{ROOT}/{slug}/"
    match topic.removeprefix(head).split("/") if topic.startswith(head) else []:
        case [("timber" | "air") as owner, name] if name:
            return Target(owner=Owner(owner), name=name)
        case ["sensor", sensor] if sensor:
            return Target(owner=Owner.TIMBER, name=sensor, sensor=sensor)
        case ["sensor", sensor, "air", name] if sensor and name:
            return Target(owner=Owner.AIR, name=name, sensor=sensor)
    return None


def matches(pattern: str, topic: str) -> bool:
    """Whether a topic falls under a filter with ``+`` and ``#`` (MQTT 5.0 section 4.7)."""
    asked, given = pattern.split("/"), topic.split("/")
    if topic.startswith("$") and asked[0] in {"+", "#"}:
        return False
    for index, level in enumerate(asked):
        if level == "#":
            return index == len(asked) - 1
        if index >= len(given) or level not in {"+", given[index]}:
            return False
    return len(asked) == len(given)


def valid_filter(pattern: str) -> bool:
    """Whether a filter keeps the rules: ``#`` alone at the end, ``+`` alone on its level."""
    *front, last = pattern.split("/")
    fine = all(level == "+" or not re.search(r"[+#\x00]", level) for level in front)
    return bool(pattern) and fine and (last in {"+", "#"} or not re.search(r"[+#\x00]", last))


def fill(template: str, topic: str) -> str:
    """Put levels of the topic into ``{0}``, ``{1}`` and so on; a level that is not there stays empty."""
    levels = topic.split("/")

    def level(found: re.Match[str]) -> str:
        index = int(found[1])
        return levels[index] if index < len(levels) else ""

    return re.sub(r"\{(\d{1,2})\}", level, template)
