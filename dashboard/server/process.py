"""How the page server is started: flags only, so that no settings file has to lie beside the shop."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Final
from urllib.parse import urlsplit

from baulk.dashboard.server import access
from baulk.dashboard.server.here import HOST
from baulk.dashboard.server.uploads import MOST_MB
from baulk.ingest.config import Config
from baulk.ingest.errors import ConfigError

# The server asks an outside service for its own address only when its address is a wildcard; ours never is.
_FLAGS: Final = {
    "server.address": HOST,
    "browser.serverAddress": HOST,
    "server.headless": "true",
    "server.fileWatcherType": "none",
    "server.runOnSave": "false",
    "runner.magicEnabled": "false",  # takes each page's source apart on every run, a fifth of its time
    "server.maxUploadSize": str(MOST_MB),
    "server.maxMessageSize": "50",
    "browser.gatherUsageStats": "false",
    "client.toolbarMode": "minimal",
    "client.showErrorDetails": "none",
    "logger.level": "warning",
    "logger.hideWelcomeMessage": "true",  # it names an address of its own; `baulk dashboard` has said ours
    "theme.baseRadius": "4px",
    "theme.baseFontSize": "17",
    "theme.font": "'Segoe UI', 'Noto Sans', 'DejaVu Sans', system-ui, sans-serif",
    "theme.headingFont": "'Rockwell', 'Roboto Slab', 'Noto Serif', 'DejaVu Serif', serif",
    "theme.headingFontSizes": '["1.9rem", "1.2rem", "1.1rem"]',
    "theme.showWidgetBorder": "true",
}
# One set for each wish of the device; app.css holds the same colours for what is ours.
_COLOURS: Final = {
    "primaryColor": ("#1c5a72", "#2a6f8b"),
    "backgroundColor": ("#f7f8f5", "#161b19"),
    "secondaryBackgroundColor": ("#e9ece6", "#232a27"),
    "textColor": ("#1d2723", "#e6ebe7"),
    "linkColor": ("#1c5a72", "#8cc4da"),
    "blueBackgroundColor": ("#e1ebee", "#1d2f37"),
    "blueTextColor": ("#143f50", "#b5d8e6"),
    "yellowBackgroundColor": ("#f6ead0", "#3a2c12"),
    "yellowTextColor": ("#5c3306", "#f0cf95"),
    "greenBackgroundColor": ("#e4ead2", "#28301a"),
    "greenTextColor": ("#37420c", "#cfdca2"),
    "redBackgroundColor": ("#f6e0da", "#3d211b"),
    "redTextColor": ("#7a1d10", "#f3b6a8"),
    "borderColor": ("#c9d0c8", "#3d4743"),
}


def command(shop_dir: Path | str, port: int, config: Config | None = None) -> list[str]:
    """Return the argument list that starts the page server for one shop.

    Parameters
    ----------
    shop_dir : Path or str
        The shop folder.
    port : int
        TCP port.
    config : Config, optional
        Its settings, for the address, TLS and signing in; without them 127.0.0.1.

    Returns
    -------
    list of str
        Ready for `subprocess.Popen`.

    Raises
    ------
    ConfigError
        If the settings leave a door open, or name a file that is not there.
    """
    app = Path(__file__).parents[1] / "asgi.py"
    colours = {
        f"theme.{wish}.{name}": pair[n]
        for name, pair in _COLOURS.items()
        for n, wish in enumerate(("light", "dark"))
    }
    chosen = _FLAGS | colours | (_reached(config) if config else {})
    flags = [f"--{name}={value}" for name, value in chosen.items()]
    shop = str(Path(shop_dir).resolve())
    start = [sys.executable, "-P", "-m", "baulk.dashboard.server.page_server", "run", str(app)]
    return [*start, f"--server.port={port}", *flags, "--", "--shop", shop]


def _reached(config: Config) -> dict[str, str]:
    """Say in flags from where the pages are reached and what stands before them; refuse open doors."""
    pages = config.dashboard
    access.refuse_open(config, pages.host)
    flags = {"server.address": pages.host, "browser.serverAddress": urlsplit(pages.address).hostname or HOST}
    if pages.cert_file and pages.key_file:
        flags["server.sslCertFile"] = str(_there(config.beside(pages.cert_file), "cert_file"))
        flags["server.sslKeyFile"] = str(_there(config.beside(pages.key_file), "key_file"))
    if access.lock(config) == "login":
        flags["secrets.files"] = str(config.shop_dir / access.LOGIN_FILE)
    return flags


def _there(path: Path, name: str) -> Path:
    if not path.is_file():
        raise ConfigError(f"{name} under [dashboard] names {path}, and there is no such file")
    return path


def where(config: Config, port: int) -> str:
    """Return where a person opens the pages."""
    pages = config.dashboard
    if pages.url:
        return pages.url
    return pages.model_copy(update={"port": port}).address
