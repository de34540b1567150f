"""A shop that stays open for days, opened anew when its settings or its own tables have changed."""

from __future__ import annotations

import hashlib
from types import TracebackType
from typing import Final, Self

from baulk.ingest import config as settings
from baulk.ingest import shop as shops
from baulk.ingest.config import Config
from baulk.ingest.errors import StoreError
from baulk.ingest.shop import Shop
from baulk.ingest.store import mappings
from baulk.models import species, use_class
from baulk.models.errors import BaulkError

_FILES: Final = (settings.FILE, species.FILE, use_class.FILE)
_GONE: Final = b"\0"


def digest(config: Config) -> bytes:
    """Return what the files say that a shop is opened by: settings, own tables, the typical year.

    Parameters
    ----------
    config : Config
        The settings as they were read last.

    Returns
    -------
    bytes
        16 bytes; others when a file changed, came or went. A file that was only saved again changes nothing.
    """
    year = config.climate.typical_year
    paths = [config.shop_dir / name for name in _FILES] + ([] if year is None else [config.beside(year)])
    made = hashlib.blake2b(digest_size=16)
    for path in paths:
        try:
            said = path.read_bytes()
        except OSError:
            said = _GONE
        made.update(len(said).to_bytes(8) + said)
    return made.digest()


class Eye:
    """Notices that the files have changed, once they stand still: an editor may be in the middle of saving.

    Parameters
    ----------
    config : Config
        The settings as they were read.
    """

    def __init__(self, config: Config) -> None:
        self._config = config
        self._taken = self._seen = digest(config)
        self._refused: bytes | None = None

    def changed(self) -> bool:
        """Whether they are others than those taken or refused last, and the same as at the last look."""
        now = digest(self._config)
        stands, self._seen = now == self._seen, now
        if now == self._taken:
            self._refused = None
        return stands and now not in {self._taken, self._refused}

    def take(self, config: Config) -> None:
        """Go on with what has been read anew."""
        self._config = config
        self._taken = self._seen = digest(config)
        self._refused = None

    def refuse(self, err: BaulkError) -> str:
        """Leave them alone until they change again, and return the sentence to tell."""
        self._refused = self._seen
        return f"the settings have changed and can't be taken: {err}; those of before go on"


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
        self._eye = Eye(shop.config)
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
        self._eye.take(opened.config)
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
