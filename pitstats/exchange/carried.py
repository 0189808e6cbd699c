"""A page that carries its own data, and a seal that shows whether it was changed."""

from __future__ import annotations

import base64
import binascii
import re
from hashlib import sha256
from html import escape

from pitstats.errors import PackageError

_LINK = re.compile(r'href="data:application/zip;base64,([A-Za-z0-9+/=]+)"')
_SEAL = re.compile(r'<meta name="pitstats-seal" content="([0-9a-f]{64})">')
_OPEN_SEAL = '<meta name="pitstats-seal" content="">'


def data_link(package: bytes, name: str, text: str) -> str:
    """Link that hands out a package from inside the page, without a network."""
    data = base64.b64encode(package).decode("ascii")
    return (
        f'<a download="{escape(name, quote=True)}" '
        f'href="data:application/zip;base64,{data}">{escape(text)}</a>'
    )


def sealed(html: str) -> str:
    """Put the hash of a page into its head, in place of the empty seal there."""
    head, tag, rest = html.partition("<head>")
    if not tag:
        raise ValueError("the page has no head to put the seal in")
    page = f"{head}{tag}\n{_OPEN_SEAL}{rest}"
    seal = sha256(page.encode()).hexdigest()
    return page.replace(_OPEN_SEAL, _OPEN_SEAL.replace('""', f'"{seal}"'), 1)


def is_sealed(html: str) -> bool:
    """Whether a page was sealed once, whatever became of it."""
    return 'name="pitstats-seal"' in html


def seal_holds(html: str) -> bool:
    """Whether a page is byte for byte as it was when it was sealed."""
    found = _SEAL.search(html)
    if found is None:
        return False
    page = html[: found.start()] + _OPEN_SEAL + html[found.end() :]
    data = page.encode("utf-8", "surrogateescape")
    return sha256(data).hexdigest() == found[1]


def carried_package(html: str) -> bytes:
    """Take the package out of a page."""
    found = _LINK.findall(html)
    if len(found) != 1:
        raise PackageError(
            "This is no zip, and no page that carries its data. Render the report "
            "again with this version, or verify the zip that 'pitstats pack' wrote."
        )
    try:
        return base64.b64decode(found[0], validate=True)
    except binascii.Error as error:
        raise PackageError("The data inside the page is damaged.") from error
