"""Which numbers of a chart, as it goes to the browser, nobody rounded: a label such as 52.520000."""

import re

_ROUNDED = re.compile(r"[+,]*(d|\.[0-2][f%]|\.[1-4]~?r)")  # whole, two decimals, or four figures
_BY_SCALE = ("x", "y", "tooltip", "text")


def unrounded(spec):
    """Give each channel of numbers whose labels have no form, of their own or of the chart."""
    usual = spec.get("config", {}).get("numberFormat", "")
    return [name for name, form in _channels(spec) if not _ROUNDED.fullmatch(form or usual)]


def _channels(view):
    for part in ("layer", "hconcat", "vconcat", "concat"):
        for each in view.get(part, ()):
            yield from _channels(each)
    if isinstance(view.get("spec"), dict):
        yield from _channels(view["spec"])
    for name, told in view.get("encoding", {}).items():
        for one in told if isinstance(told, list) else [told]:
            if name not in _BY_SCALE or one.get("type") != "quantitative":
                continue
            made = one.get("axis", {}) if name in {"x", "y"} else one
            if made is None or "labelExpr" in made:  # no labels, or words
                continue
            yield f"{name} of {one.get('field')}", made.get("format")
