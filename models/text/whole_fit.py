"""Why a fit was made anew from the timber's arrival instead of gone on with, in words."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Final

from baulk.models.formatting import count
from baulk.models.text import series
from baulk.models.units import System

Values = Mapping[str, Any]

SENTENCES: Final[Mapping[str, Callable[[Values, System], str]]] = {
    "whole_fit.in_future": lambda _v, _s: "The last fit lies in the future.",
    "whole_fit.members": lambda _v, _s: "The size of the ensemble has changed.",
    "whole_fit.few_readings": lambda v, _: f"The last fit had only {count(v['used'], 'reading')}.",
    "whole_fit.stepped": lambda _v, _s: "All series had changed at once; only a whole fit tells if it holds.",
    "whole_fit.contradiction": lambda _v, _s: (
        "Scale and pins contradict each other; only a whole fit tells if they still do."
    ),
    "whole_fit.left_out": lambda v, system: (
        f"A series is left out ({series.called(v['series'], system)}); only a whole fit tells if it still "
        "should be."
    ),
    "whole_fit.many_updates": lambda v, _: (
        f"New readings were added {count(v['updates'], 'time')} since the last whole fit."
    ),
    "whole_fit.old": lambda v, _: f"The last whole fit is {count(round(v['days']), 'day')} old.",
    "whole_fit.changed": lambda _v, _s: "An event, the timber's entry or an earlier reading has changed.",
    "whole_fit.outlier": lambda _v, _s: "A new reading does not fit the rest.",
    "whole_fit.unusable": lambda _v, _s: "A new reading can't be used as it is.",
    "whole_fit.new_weights": lambda _v, _s: "A new series of weights has begun.",
}
