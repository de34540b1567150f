"""The one door to a shop: its settings, its store and its register, opened and closed together."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from types import TracebackType
from typing import Self, TypeVar

from baulk.ingest import config as settings
from baulk.ingest import new_shop
from baulk.ingest.config import Config
from baulk.ingest.errors import ConfigError
from baulk.ingest.register.engine import backing
from baulk.ingest.register.register import Register
from baulk.ingest.store import Store, mappings, open_store, sqlite_file
from baulk.models import species, use_class
from baulk.models.woods import BUILT_IN as WOODS
from baulk.models.woods import Woods

_Table = TypeVar("_Table")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shop:
    """An open shop.

    Parameters
    ----------
    config : Config
        Its settings.
    store : Store
        Readings, quarantine, evaluations.
    register : Register
        Timbers.
    woods : Woods
        Species and use classes: the built-in ones and its own.
    """

    config: Config
    store: Store
    register: Register
    woods: Woods

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, err: BaseException | None, where: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close store and register."""
        self.store.close()
        self.register.close()


def init(shop_dir: Path | str, *, name: str, units: str = "metric") -> Path:
    """Make a shop folder: baulk.toml and an empty store. Nothing that is there already is changed."""
    folder = new_shop.write_new(shop_dir, name=name, units=units)
    sqlite_file.create(settings.load(folder).store_path)
    return folder


def open(shop_dir: Path | str, *, durable: bool = False) -> Shop:  # noqa: A001 - read as shop.open
    """Open a shop folder; close it again, or use it in a with statement.

    With ``durable`` what is stored or entered is on the disk when the store and the register say so, as
    whoever acknowledges it, to a broker or to a person, needs; what can be worked out again does without.
    """
    config = settings.load(shop_dir)
    return opened_by(config, _woods(config.shop_dir), durable=durable)


def opened_by(config: Config, woods: Woods, *, durable: bool = False) -> Shop:
    """Open a shop by settings and tables that were read already, perhaps by another process; see `open`."""
    store = open_store(config, durable=durable)
    try:
        register = Register(backing(config, durable=durable), zone=config.zone)
        config = mappings.joined(config, store)
        store.check_here()
    except BaseException:
        store.close()
        raise
    return Shop(config=config, store=store, register=register, woods=woods)


def read_mappings(shop: Shop) -> Shop:
    """Return the same open shop with the mappings of sensors that are in force now."""
    return replace(shop, config=mappings.joined(shop.config, shop.store))


def woods_of(folder: Path | str) -> Woods:
    """Read what a shop folder knows of woods and uses without opening its store; no shop has no own ones."""
    folder = Path(folder)
    return _woods(folder) if (folder / settings.FILE).exists() else WOODS


def _woods(folder: Path) -> Woods:
    """Read the shop's own tables, if it has any."""
    return Woods(
        species=_own(folder / species.FILE, species.read_own) or species.BUILT_IN,
        use_classes=_own(folder / use_class.FILE, use_class.read_own) or use_class.BUILT_IN,
    )


def _own(file: Path, read: Callable[[str, str], _Table]) -> _Table | None:
    """Read a table of the shop's own, if it has one; a mistake in it is named by file and line."""
    try:
        text = file.read_text(encoding="utf-8")
    except FileNotFoundError:
        return None
    except (OSError, UnicodeDecodeError) as err:
        why = (
            "is not text in UTF-8"
            if isinstance(err, UnicodeDecodeError)
            else f"can't be read ({err.strerror})"
        )
        raise ConfigError(f"{file} {why}; put it right or take it away") from err
    return read(text, str(file))
