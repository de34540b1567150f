"""``python -m baulk.dashboard.commands``: how `serve` and `demo` start their parts."""

from baulk.dashboard.commands import main

main()
