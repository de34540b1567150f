"""What one shop knows of woods and of their uses, as one value."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from baulk.models import species, use_class
from baulk.models.species import SpeciesTable
from baulk.models.use_class import UseClassTable


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Woods:
    """The species and the use classes that a shop looks up.

    Parameters
    ----------
    species : SpeciesTable
        The woods.
    use_classes : UseClassTable
        Where a finished piece may live.
    """

    species: SpeciesTable = species.BUILT_IN
    use_classes: UseClassTable = use_class.BUILT_IN


BUILT_IN: Final = Woods()
