"""What keeps a shop: its places, a backup at once, and the password of the pages."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Final

import streamlit as st

from baulk.dashboard import words
from baulk.dashboard.queries.shop_facts import ShopFacts
from baulk.dashboard.sections import air_room, entry, layout, press, saved
from baulk.dashboard.server import access
from baulk.dashboard.server.shop_access import ask
from baulk.ingest import operations
from baulk.ingest.exchange import backup
from baulk.ingest.shop import Shop
from baulk.models.errors import BaulkError, OutOfRange
from baulk.models.timber import Place

KINDS: Final = {
    "shed": "Shed",
    "room": "Room",
    "yard": "Yard, in the open",
    "bearers": "Bearers",
    "rack": "Rack",
}
_NEW: Final = "Add a place"
_BACKUP: Final = "backup-made"


def places(facts: ShopFacts) -> None:
    """Show the places, to be edited or added; what waited for a new one's name is stored at once."""
    known = {each.name: each for each in ask(lambda s: s.register.places())}
    which = st.selectbox("Place", [_NEW, *known], key="place_which")
    old = known.get(which)
    box = entry.Entry(f"place-{which}", save="Save place")
    with box.form():
        name = (
            old.name
            if old
            else st.text_input("Name, as in topics and on timbers", key=box.key("name")).strip()
        )
        kinds = list(KINDS)
        had = box.first("kind", old.kind if old and old.kind in KINDS else kinds[0])
        kind = st.selectbox("Kind", kinds, index=kinds.index(had), format_func=KINDS.__getitem__,
                            key=box.key("kind"))  # fmt: skip
        metric = None if old is None else old.volume_m3
        inch = facts.system == "inch"
        shown = (
            "" if metric is None else f"{metric / air_room.M3_FT3:.0f} cu ft" if inch else f"{metric:.0f} m3"
        )
        shown = box.first("volume", shown)
        size = st.text_input("Air in it", shown, key=box.key("volume"),
                             placeholder="10000 cu ft" if inch else "300 m3")  # fmt: skip
        told = box.first("note", "" if old is None else old.note)
        note = st.text_input("Note", told, key=box.key("note"))
        pressed = box.buttons()
    if not pressed:
        return
    try:
        if not name:
            raise OutOfRange("the place", "needs a name")
        if old is None and name in known:
            raise OutOfRange(f"the place {name}", "is entered already; choose it above to edit it")
        new = old or Place(name=name, kind=kind)
        if kind != had:
            new = replace(new, kind=kind)
        if size != shown:  # else what is shown, rounded, would become the volume
            new = replace(new, volume_m3=air_room.volume_m3(size, facts.system))
        if note != told:
            new = replace(new, note=note.strip())
        box.keep(lambda: _entered(new, old))
    except BaulkError as err:
        box.refuse(layout.sentence(err), told=True)


def _entered(new: Place, old: Place | None) -> entry.Saving:
    waited = ask(lambda s: operations.add_place(s, new))
    more = f" Readings of its air that waited and are stored now: {waited}." if waited else ""
    return f"The place {new.name} is saved.{more}", None if old is None else lambda: _back(old)


def _back(old: Place) -> str:
    ask(lambda s: s.register.save_place(old))
    return f"The place {old.name} is as it was before."


def back_up() -> None:
    """Make a backup at once: into the folder of the nightly ones, or else as a file to be taken away."""
    folder = ask(lambda s: s.config.beside(d.expanduser()) if (d := s.config.store.backup_dir) else None)
    where = f"It goes to {words.md(str(folder))}." if folder else "Keep the file on another disk."
    st.caption(f"Register, readings, evaluations, settings and photographs in one zip, proved. {where}")
    press.draw("Back up now", key="back-up", type="primary", width="stretch")
    made = press.work("back-up", "Backing up and testing the restore", lambda: _made(folder))
    if made is not None:
        told, st.session_state[_BACKUP] = made
        saved.tell(told)
        st.rerun()
    if (file := st.session_state.get(_BACKUP)) is not None:
        name, content = file
        st.download_button(
            f"Export {name}", content, name, "application/zip", key="backup-file", width="stretch"
        )


def _made(folder: Path | None) -> tuple[str, tuple[str, bytes] | None]:
    now = layout.now()

    def make(s: Shop, into: Path) -> backup.Backup:
        return backup.make(s.config, into / backup.name_for(s.config, now), now, revision=s.store.revision())

    if folder is not None:
        made = ask(lambda s: make(s, folder))
        return f"Backup {made.file.name} is made and proved, {made.size_mb:.1f} MB.", None
    with tempfile.TemporaryDirectory() as beside:
        made = ask(lambda s: make(s, Path(beside)))
        file = made.file.name, made.file.read_bytes()
    return f"Backup {made.file.name} is made and proved, {made.size_mb:.1f} MB: export it below.", file


def password() -> None:
    """Set or change the password of the pages; whoever changes it has to know the old one."""
    shop_dir, lock = ask(lambda s: (s.config.shop_dir, access.lock(s.config)))
    if lock == "login":
        st.caption("People sign in with an account of their own here; there is no password to change.")
        return
    box = entry.Entry("password", save="Save password")
    with box.form():
        old = ""
        if lock == "password":
            old = st.text_input("Password now", type="password", key=box.key("old"))
        new = st.text_input("New password", type="password", key=box.key("new"))
        again = st.text_input("New password once more", type="password", key=box.key("again"))
        pressed = box.buttons()
    st.caption("A new password signs everybody out, you too.")
    if not pressed:
        return
    try:
        if lock == "password" and not access.right(shop_dir, old):
            raise OutOfRange("the password now", "is another one; nothing was changed")
        if new != again:
            raise OutOfRange("the new password", "is not the same both times; nothing was changed")

        def act() -> entry.Saving:
            access.set_password(shop_dir, new)
            return "The new password is saved; sign in with it.", None

        box.keep(act)
    except BaulkError as err:
        box.refuse(layout.sentence(err), told=True)


def folds(facts: ShopFacts) -> None:
    """Show all of it, folded up, each with its refusals beside it."""
    parts: tuple[tuple[str, str, Callable[[], None]], ...] = (
        ("Places", "places", lambda: places(facts)),
        ("Back up now", "backup", back_up),
        ("Password", "password-fold", password),
    )
    for title, key, show in parts:
        with st.expander(title, key=key, expanded=key == "backup" and _BACKUP in st.session_state):
            try:
                show()
            except BaulkError as err:
                st.error(layout.sentence(err))
