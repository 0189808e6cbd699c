"""Which files of a folder pitstats made, so that it replaces those and nothing else.

A list beside the files holds the name and SHA-256 of each. A file that is not on it, or
that was changed since, is somebody's work.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Collection, Mapping
from pathlib import Path

from pitstats.errors import ExistsError, some


def list_name(kind: str) -> str:
    """Name of the list of one kind of files, which knows nothing of other kinds."""
    return f".{kind}-made-by-pitstats.json"


def made_list(files: Mapping[str, bytes]) -> bytes:
    """Write the list of some files.

    Examples
    --------
    >>> b'"pits.csv": "' in made_list({"pits.csv": b"pit"})
    True
    """
    hashes = {name: _digest(files[name]) for name in sorted(files)}
    content = {"made by": "pitstats", "files": hashes}
    return (json.dumps(content, indent=1, ensure_ascii=False) + "\n").encode()


def replaceable(
    place: Path,
    listing: str,
    new: Mapping[str, bytes],
    others: Collection[str] = (),
    known: Collection[str] = (),
) -> list[str]:
    """Files of an earlier run that a new one may replace."""
    listed = _listed(place / listing)
    there = {
        name
        for name in {*listed, *new, *others} - {listing, *known}
        if os.path.lexists(place / name)
    }
    kept = []
    for name in sorted(there):
        data = _content(place / name)
        made = data is not None and listed.get(name) == _digest(data)
        if not made and (data is None or new.get(name) != data):
            kept.append(name)
    changed = [name for name in kept if name in listed]
    if kept:
        kept, why = changed or kept, "changed since pitstats wrote them"
        if not changed:
            why = "not made by pitstats"
        raise ExistsError(
            f"{place} holds files that were {why}: {some(kept)}. Nothing was written. "
            "Move them away, or choose another name."
        )
    if os.path.lexists(place / listing):
        there.add(listing)
    return sorted(there)


def _content(path: Path) -> bytes | None:
    if path.is_symlink() or not path.is_file():
        return None
    return path.read_bytes()


def _digest(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def _listed(path: Path) -> dict[str, str]:
    """Names and hashes of the list; one that cannot be read lists nothing."""
    try:
        files = json.loads(path.read_bytes())["files"]
        found = {str(name): str(value) for name, value in files.items()}
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return {}
    # A list that came with somebody's folder must not reach outside of it.
    return {
        name: value
        for name, value in found.items()
        if not os.path.isabs(name) and ".." not in Path(name).parts
    }
