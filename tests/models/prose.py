"""What every sentence of `baulk.models.text` has to stand, in both systems of units."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime

from baulk.models import text
from baulk.models.reason import Reason

WHEN = datetime(2027, 3, 4, 12, tzinfo=UTC)
LATER = datetime(2028, 1, 9, 12, tzinfo=UTC)
# units of each system as they stand behind a number; kg/m3 is told as a specific gravity in inches
UNITS = {
    "inch": re.compile(r"\d (in|ft|lb|°F)\b|\d °F"),
    "metric": re.compile(r"\d (mm|m|kg|kg/m³)\b|\d °C"),
}


def said(code, values, system="metric"):
    """The sentence of a code, its values gone through JSON as in a store."""
    reason = Reason(code=code, values=values)
    return text.sentence(Reason.from_json(json.loads(json.dumps(reason.to_json()))), system)


def hold(code, values, *, clause=False):
    """Hold a code's sentence to the rules of all of them; return it in inches and in metric units."""
    inch, metric = (said(code, values, system) for system in ("inch", "metric"))
    for words, other in ((inch, "metric"), (metric, "inch")):
        own = words
        for quoted in filter(None, (values.get("note"), values.get("source"))):  # a table's words stay so
            own = own.replace(quoted, "")
        assert not UNITS[other].search(own), words
        assert "  " not in words
        assert " ." not in words
        assert ".." not in words
        assert "None" not in words
        assert "nan" not in words
        assert not re.search(r"\d{3,}\.\d{2,}|\d\.\d{4,}", words), words  # no digits that nobody measured
        if clause:
            assert not words.endswith(".")
        else:
            assert words[0].isupper() or words[0].isdigit()
            assert words.rstrip(")").endswith("."), words
    return inch, metric
