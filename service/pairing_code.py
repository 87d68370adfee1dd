"""One-time codes for pairing and the tokens that they buy: made, folded, hashed and drawn."""

from __future__ import annotations

import hashlib
import io
import secrets

# No 0 O 1 I L U: read aloud or typed from a terminal they are taken for one another.
ALPHABET = "23456789ABCDEFGHJKMNPQRSTVWXYZ"
# 30 ** 8 is 2 ** 39: at 30 tries a minute for ten minutes the chance of a hit is below one in a billion.
CODE_LENGTH = 8
TOKEN_BYTES = 32


def make_code() -> str:
    """A fresh code as it is shown, in two halves."""
    letters = "".join(secrets.choice(ALPHABET) for _ in range(CODE_LENGTH))
    return f"{letters[:4]}-{letters[4:]}"


def fold_code(typed: str) -> str:
    """What a person typed, without case, spaces and dashes."""
    return "".join(letter for letter in typed.upper() if letter.isascii() and letter.isalnum())


def hash_secret(secret: str) -> str:
    """SHA-256 as hex. The secrets are random and long or short-lived, so no slow hash is needed."""
    return hashlib.sha256(secret.encode("utf-8", "surrogatepass")).hexdigest()


def make_token(device_id: str) -> tuple[str, str]:
    """A token, which names its device, and the hash to keep of it."""
    token = f"{device_id}.{secrets.token_urlsafe(TOKEN_BYTES)}"
    return token, hash_secret(token)


def draw_for_terminal(address: str) -> str:
    """The address as a QR code of half blocks, two modules a line."""
    import segno

    drawn = io.StringIO()
    segno.make(address, micro=False).terminal(out=drawn, compact=True)
    return drawn.getvalue()


def draw_as_svg(address: str) -> str:
    """The address as a QR code in a stand-alone SVG document."""
    import segno

    drawn = io.BytesIO()
    segno.make(address, micro=False).save(drawn, kind="svg", scale=6, border=3, light="#fff", title="QR code")
    return drawn.getvalue().decode()
