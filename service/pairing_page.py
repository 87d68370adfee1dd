"""The one page an unpaired phone may see: a field for the code. It loads nothing, not even a style sheet."""

from __future__ import annotations

import base64
import hashlib
import html

from starlette.responses import HTMLResponse

STYLE = (
    "body{margin:0;background:#f6f4ee;color:#1f2a33;font:1.06rem/1.5 system-ui,sans-serif}"
    "main{max-width:26rem;margin:0 auto;padding:1.2rem}"
    "h1{font:600 1.5rem Georgia,serif;border-bottom:5px double #8a6a1c;padding-bottom:.4rem}"
    "label{display:block;margin:1rem 0 .2rem;font-weight:600}"
    "input{width:100%;box-sizing:border-box;min-height:52px;font:inherit;padding:.4rem .7rem;"
    "border:2px solid #1d4e79;border-radius:10px;background:#fff}"
    ".code{font-size:1.4rem;letter-spacing:.12em;text-transform:uppercase}"
    "button{margin-top:1.2rem;width:100%;min-height:60px;font:inherit;font-weight:600;color:#fff;"
    "background:#1d4e79;border:0;border-radius:12px}"
    ".said{background:#fbf1d6;border-left:4px solid #8c2f1f;padding:.5rem .7rem}.quiet{color:#525d66}"
)
STYLE_HASH = f"'sha256-{base64.b64encode(hashlib.sha256(STYLE.encode()).digest()).decode()}'"
PAGE = """<!doctype html>
<html lang="en"><head><meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>Pair this device · Rimlight</title><style>{style}</style></head>
<body><main><h1>Pair this device with Rimlight</h1>{said}
<form method="post" action="/pair">
<label for="code">Code</label>
<input class="code" id="code" name="code" value="{code}" required maxlength="20" autocomplete="off"
 autocapitalize="characters" spellcheck="false">
<label for="name">What to call this device</label>
<input id="name" name="name" value="{name}" required maxlength="60" autocomplete="off">
<button>Pair</button></form>
<p class="quiet">The code is in the terminal where Rimlight runs. It works once and for ten minutes; a new one
comes from <code>rimlight devices pair</code> or the Devices page there.</p></main></body></html>
"""


def render_pairing(
    status: int, code: str = "", name: str = "", said: str = "", headers: dict[str, str] | None = None
) -> HTMLResponse:
    """The page with what is known already filled in, and ``said`` where something went wrong."""
    notice = f'<p class="said" role="alert">{html.escape(said)}</p>' if said else ""
    page = PAGE.format(
        style=STYLE, said=notice, code=html.escape(code[:20]), name=html.escape(name[:60] or "Phone")
    )
    return HTMLResponse(page, status, headers)
