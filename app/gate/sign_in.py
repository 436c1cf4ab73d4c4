"""The page on which a person signs in; plain HTML, since the app itself is behind it."""

from __future__ import annotations

from enum import StrEnum
from html import escape

from app.wording import ELSE, LANGUAGES, texts


class Said(StrEnum):
    """What the page has to say about the last try; names of its texts."""

    NOTHING = "nothing"
    ENDED = "ended"
    WRONG = "wrong"
    WAIT = "wait"
    NO_ACCOUNTS = "no_accounts"


_LOOK = """
body { font: 18px/1.5 system-ui, sans-serif; background: #faf6ee; color: #2b251e; margin: 0; }
main { max-width: 24rem; margin: 12vh auto 0; padding: 0 1rem; }
h1 { font: 600 1.6rem Georgia, serif; }
label { display: block; margin: 1rem 0 .2rem; }
input { box-sizing: border-box; width: 100%; font: inherit; padding: .6rem; min-height: 48px;
  border: 1px solid #7a6a58; border-radius: 4px; background: #fff; color: inherit; }
button { margin-top: 1.4rem; width: 100%; min-height: 52px; font: 600 1rem system-ui, sans-serif;
  border: 0; border-radius: 4px; background: #7a3b2e; color: #fff; }
input:focus-visible, button:focus-visible { outline: 3px solid #2b251e; outline-offset: 2px; }
.said { border-left: 5px solid #7a3b2e; padding: .4rem .8rem; background: #efe7da; }
"""


def sign_in_page(accepted: str, action: str, said: Said, *, wait_s: int = 0) -> str:
    """The page as HTML.

    Parameters
    ----------
    accepted : str
        Languages, the one wanted most first, as a browser's header `Accept-Language` has them.
    action : str
        Address that the form is sent to.
    wait_s : int
        Whole seconds to wait, for `Said.WAIT`.
    """
    code = _language(accepted)
    found = {name: str(text) for name, text in texts(code, "gate").items()}
    told = ""
    if said is not Said.NOTHING:
        words = found[said.value].format(seconds=wait_s)
        told = f'<p class="said" role="alert">{escape(words)}</p>'
    return f"""<!doctype html>
<html lang="{code}"><head><meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{escape(found["title"])}</title><style>{_LOOK}</style></head>
<body><main><h1>{escape(found["title"])}</h1>{told}
<form method="post" action="{escape(action, quote=True)}">
<label for="name">{escape(found["name"])}</label>
<input id="name" name="name" autocomplete="username" autocapitalize="words" required maxlength="40">
<label for="password">{escape(found["password"])}</label>
<input id="password" name="password" type="password" autocomplete="current-password" required
 maxlength="200">
<button>{escape(found["sign_in"])}</button></form>
<p>{escape(found["no_account"])}</p></main></body></html>
"""


def _language(accepted: str) -> str:
    for part in accepted.split(","):
        code = part.split(";")[0].strip().split("-")[0].lower()
        if code in LANGUAGES:
            return code
    return ELSE
