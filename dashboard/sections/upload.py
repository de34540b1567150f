"""A box for a file, which says in our own words what it takes; `app.css` hides those of the platform."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import streamlit as st
from streamlit.runtime.uploaded_file_manager import UploadedFile

from baulk.dashboard.server.uploads import MOST_MB

PICTURES: Final = ("jpg", "jpeg", "png")
TABLES: Final = ("csv", "txt", "tsv")
_CALLED: Final = {"jpg": "JPEG", "jpeg": "JPEG", "png": "PNG", "csv": "CSV", "txt": "text", "tsv": "TSV"}


def box(
    label: str,
    kinds: Sequence[str],
    most_mb: int = MOST_MB,
    *,
    key: str,
    help: str | None = None,  # noqa: A002 - the platform's own name
) -> UploadedFile | None:
    """Ask for a file.

    Parameters
    ----------
    label : str
        What is wanted.
    kinds : sequence of str
        Endings of the files that are taken.
    most_mb : int
        How large a file may be. [MB]
    key : str
        Tells the boxes of a page apart.
    help : str, optional
        More about it.

    Returns
    -------
    UploadedFile or None
        The file, once there is one.
    """
    given = st.file_uploader(label, list(kinds), key=key, max_upload_size=most_mb, help=help)
    if given is None:
        *first, last = dict.fromkeys(_CALLED[each] for each in kinds)
        st.caption(f"{', '.join(first)} or {last}, up to {most_mb} MB.")
    return given
