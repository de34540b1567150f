"""The one page before the pages, without anything of the shop in it: plain HTML that needs no script."""

from __future__ import annotations

from html import escape
from typing import Final

HEADERS: Final = (
    (b"content-type", b"text/html; charset=utf-8"),
    (b"cache-control", b"no-store"),
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"same-origin"),
    (
        b"content-security-policy",
        b"default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; frame-ancestors 'none'",
    ),
)
_STYLE: Final = """
body{margin:0;background:#f7f8f5;color:#1d2723;
font:17px/1.5 'Segoe UI','Noto Sans','DejaVu Sans',system-ui,sans-serif}
main{max-width:26rem;margin:12vh auto;padding:0 1rem}
h1{font-family:Rockwell,'Roboto Slab','Noto Serif','DejaVu Serif',serif;font-size:1.9rem;margin:0}
label{display:block;margin:1rem 0 .25rem}
input{box-sizing:border-box;width:100%;min-height:44px;padding:.25rem .5rem;font:inherit;
border:1px solid #77837a;border-radius:4px;background:#fff;color:inherit}
button{min-height:44px;margin-top:1rem;padding:0 1.25rem;font:inherit;border:0;border-radius:4px;
background:#1c5a72;color:#fff}
input:focus,button:focus{outline:3px solid #c98a1b;outline-offset:2px}
[role=alert]{padding:.75rem;border-radius:4px;background:#f6ead0;color:#5c3306}
a{color:#1c5a72;display:inline-block;padding:.7rem 0}
@media (prefers-color-scheme:dark){body{background:#161b19;color:#e6ebe7}
input{background:#1c2220;border-color:#8b978f}button{background:#2a6f8b}a{color:#8cc4da}
[role=alert]{background:#3a2c12;color:#f0cf95}}
"""


def password(goal: str, why: str = "") -> bytes:
    """Write the page that asks for the password; ``goal`` is the address that was asked for."""
    return _page(
        "These pages ask for the shop's password.",
        why,
        '<form method="post" action="/sign-in">'
        '<label for="password">Password</label>'
        '<input id="password" name="password" type="password" autocomplete="current-password" required '
        "autofocus>"
        f'<input name="goal" type="hidden" value="{escape(goal)}">'
        "<button>Sign in</button></form>",
    )


def provider(goal: str) -> bytes:
    """Write the page that sends people to the provider to sign in."""
    return _page(
        "These pages ask you to sign in.",
        "",
        f'<form method="post" action="/sign-in"><input name="goal" type="hidden" value="{escape(goal)}">'
        "<button>Sign in</button></form>",
    )


def not_listed(why: str) -> bytes:
    """Write why somebody who has signed in may not come in."""
    return _page("", why, '<form action="/auth/logout"><button>Sign out</button></form>')


def closed(why: str) -> bytes:
    """Write why nobody can come in just now."""
    return _page("", why, "")


def unknown() -> bytes:
    """Write that there is no page of that address."""
    return _page("There is no page of that address.", "", '<p><a href="/">To the yard</a></p>')


def _page(text: str, why: str, form: str) -> bytes:
    told = f'<p role="alert">{escape(why)}</p>' if why else ""
    said = f"<p>{escape(text)}</p>" if text else ""
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8"><title>Baulk</title>'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<style>{_STYLE}</style></head><body><main><h1>Baulk</h1>{said}{told}{form}</main></body></html>"
    ).encode()
