"""A shop that stays open for days, opened anew when its settings or its own tables have changed."""

from __future__ import annotations

from pathlib import Path
from types import TracebackType
from typing import Final, Self

from baulk.ingest import config as settings
from baulk.ingest import shop as shops
from baulk.ingest.changed_files import Eye
from baulk.ingest.config import Config
from baulk.ingest.errors import StoreError
from baulk.ingest.shop import Shop
from baulk.ingest.store import mappings
from baulk.models import species, use_class
from baulk.models.errors import BaulkError

_FILES: Final = (settings.FILE, species.FILE, use_class.FILE)


def files(config: Config) -> tuple[Path, ...]:
    """Return the files that a shop is opened by: settings, own tables, the typical year."""
    year = config.climate.typical_year
    own = [config.shop_dir / name for name in _FILES]
    return (*own, *(() if year is None else (config.beside(year),)))


class Watched:
    """An open shop, and the eye on what it was opened by.

    The shop that it was given belongs to the caller; those it opens itself it closes.

    Parameters
    ----------
    shop : Shop
        The open shop.
    durable : bool
        How it is opened anew, as `shop.open` takes it.
    """

    def __init__(self, shop: Shop, *, durable: bool = False) -> None:
        self.shop = shop
        self._first, self._durable = shop, durable
        self._eye = Eye(files(shop.config))
        self._stamp = mappings.stamp(shop.store)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, err: BaseException | None, where: TracebackType | None
    ) -> None:
        if self.shop is not self._first:
            self.shop.close()

    def look(self) -> tuple[bool, str]:
        """Look once whether something changed, and go on with it where it can be read.

        Returns
        -------
        changed : bool
            Whether `shop` is another one now.
        said : str
            A sentence where there is something to tell, once; else empty.
        """
        if not self._eye.changed():
            self._look_at_mappings()
            return False, ""
        try:
            opened = shops.open(self.shop.config.shop_dir, durable=self._durable)
        except StoreError:
            return False, ""  # the store says so itself, round by round; tried again in the next
        except BaulkError as err:
            return False, self._eye.refuse(err)
        before, self.shop = self.shop, opened
        self._eye.take(files(opened.config))
        self._stamp = mappings.stamp(opened.store)
        before.close()
        return True, "the settings or tables have changed; going on with the new ones"

    def _look_at_mappings(self) -> None:
        """Go on with other mappings of sensors: the listener reads them, and no answer rests on them."""
        try:
            if (stamp := mappings.stamp(self.shop.store)) == self._stamp:
                return
            joined = shops.read_mappings(self.shop)
        except StoreError:
            return
        if self.shop is self._first:
            self._first = joined  # the same store and register, which stay the caller's
        self.shop, self._stamp = joined, stamp
