"""Whatever writes a moment for a person says by whose clock: the shop's, wherever the machine stands."""

from __future__ import annotations

import ast
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
# who has put a moment on the shop's clock before it is written
PUT = ("astimezone(", "by_clock(", "local(", "wall(")
# what is written as it stands, and why
AS_IT_STANDS = {
    ("dashboard/commands/demo.py", "when"): "an argument for a command, which takes it as UTC's day",
    ("dashboard/printing/drawings.py", "at"): "ticks, from the first day on that was put on the shop's clock",
    ("dashboard/printing/record_hands.py", "day"): "a day that a person wrote, without an hour",
    ("ingest/monitoring/health.py", "end"): "the key of a finding, which says UTC",
    ("ingest/register/event_rules.py", "event.at_utc"): "put on the shop's clock by `checked`",
    ("ingest/register/event_rules.py", "arrived"): "put on the shop's clock by `_refuse`",
    ("ingest/store/influx_lines.py", "from_us(at_us)"): "InfluxDB's own form",
    ("dashboard/commands/doctor_store.py", "found.hours[0]"): "an hour of the books, which says UTC itself",
    ("ingest/weather_ahead.py", "issued_utc"): "says UTC itself",
    ("ingest/wire/zone.py", "naive"): "what a person wrote, said back",
    ("models/forecast.py", "when_utc"): "by the clock of whoever asks",
    ("models/forecast.py", "last"): "by the clock of whoever asks",
    ("models/formatting.py", "moment"): "called by models.text, whose moments are put on the reader's clock",
    ("models/plan/buying/buy.py", "part.wanted_by_utc"): "a day of a parts list, kept as midnight UTC",
}
TEXT = "models/text/"  # `models.text.sentence` puts every moment on the reader's clock


def sources(*folders):
    for folder in folders:
        for path in sorted((ROOT / folder).rglob("*.py")):
            yield path.relative_to(ROOT).as_posix(), ast.parse(path.read_text(encoding="utf-8"))


def is_put(text, put):
    return any(each in text for each in PUT) or text in put or text.split(".")[0] in put


def names_put(function):
    """Give the names in a function that hold a moment by the shop's clock."""
    found = set()
    for node in ast.walk(function):
        if isinstance(node, ast.Assign) and any(each in ast.unparse(node.value) for each in PUT):
            found |= {one.id for aim in node.targets for one in ast.walk(aim) if isinstance(one, ast.Name)}
    return found


def written(tree):
    """Give each moment that is formatted, within its function."""
    for function in ast.walk(tree):
        if not isinstance(function, ast.FunctionDef):
            continue
        put = names_put(function)
        for node in ast.walk(function):
            text = None
            if isinstance(node, ast.FormattedValue) and node.format_spec is not None:
                spec = "".join(one.value for one in node.format_spec.values if isinstance(one, ast.Constant))
                text = ast.unparse(node.value) if "%" in spec.rstrip("%") and len(spec) > 1 else None
            elif isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
                text = ast.unparse(node.func.value) if node.func.attr == "strftime" else None
            if text is not None and "%" in ast.unparse(node) and not is_put(text, put):
                yield text


def test_every_moment_that_is_written_was_put_on_the_shops_clock():
    found = {
        (path, text)
        for path, tree in sources("models", "ingest", "dashboard")
        if not path.startswith(TEXT)
        for text in written(tree)
        if not _is_share(text)
    }
    assert found == AS_IT_STANDS.keys()


def _is_share(text):
    """Whether it is a share that is written in percent."""
    return text.endswith(("share", "VARY")) or "share" in text


def test_every_sentence_of_the_pages_is_asked_for_by_the_shops_clock():
    asked = ("text.sentence", "text.sentences", "event_text.event", "event_text.ends", "event_text.flags")
    missing = [
        f"{path}, line {node.lineno}"
        for path, tree in sources("dashboard/views", "dashboard/sections", "ingest")
        for node in ast.walk(tree)
        if isinstance(node, ast.Call) and ast.unparse(node.func) in asked
        if not any(each.arg == "zone" for each in node.keywords)
    ]
    # the caution of a published plan, and why a value is none, name no moment
    assert {each.split(",")[0] for each in missing} == {"ingest/checks.py", "ingest/mqtt/publish_plan.py"}


def test_events_are_told_by_the_shops_clock_everywhere():
    missing = [
        f"{path}, line {node.lineno}"
        for path, tree in sources("dashboard", "ingest")
        for node in ast.walk(tree)
        if isinstance(node, ast.Call)
        and ast.unparse(node.func) in {"event_text.event", "event_text.ends", "event_text.flags"}
        and not any(each.arg == "zone" for each in node.keywords)
    ]
    assert not missing
