"""Where the pages are served unless the settings say otherwise."""

from typing import Final

HOST: Final = "127.0.0.1"
