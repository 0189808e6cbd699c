"""A zip in which every byte follows from its files, written and taken apart again."""

from __future__ import annotations

import struct
import zipfile
import zlib
from collections.abc import Iterable, Mapping
from typing import NamedTuple

_LOCAL = struct.Struct("<4s5H3I2H")
_CENTRAL = struct.Struct("<4s6H3I5H2I")
_END = struct.Struct("<4s4H2IH")
# Of every entry: version 2.0, made on Unix, no flags; the calendar of zip files begins
# on 1980-01-01, and the time of writing would change the bytes.
_VERSION, _FLAGS, _TIME, _DATE = 20, 0, 0, (1 << 5) | 1
_MADE_BY, _RIGHTS = (3 << 8) | _VERSION, 0o644 << 16


class Entry(NamedTuple):
    """One file as it lies in a zip."""

    name: str
    method: int
    crc: int
    size: int
    packed: bytes


def zip_bytes(files: Mapping[str, bytes], *, compressed: bool = False) -> bytes:
    """Put files into a zip in one way only: sorted and without times.

    Not compressed, a zip is the same bytes everywhere; libraries that compress differ
    in the bytes they make.
    """
    return container(
        Entry(
            name,
            zipfile.ZIP_DEFLATED if compressed else zipfile.ZIP_STORED,
            zlib.crc32(files[name]),
            len(files[name]),
            _deflated(files[name]) if compressed else files[name],
        )
        for name in sorted(files)
    )


def entries_of(data: bytes, archive: zipfile.ZipFile) -> list[Entry]:
    """Take a zip apart, as the list at its end says."""
    found = []
    for entry in archive.infolist():
        start = entry.header_offset + _LOCAL.size + len(entry.filename.encode())
        packed = data[start : start + entry.compress_size]
        about = (entry.filename, entry.compress_type, entry.CRC, entry.file_size)
        found.append(Entry(*about, packed))
    return found


def container(entries: Iterable[Entry]) -> bytes:
    """Everything in a zip around its packed files, in one way only.

    References
    ----------
    .. [1] APPNOTE.TXT, .ZIP File Format Specification, sections 4.3.7, 4.3.12, 4.3.16.
    """
    files, listed = b"", b""
    entries = list(entries)
    for own in entries:
        name = own.name.encode()
        about = (_FLAGS, own.method, _TIME, _DATE, own.crc, len(own.packed), own.size)
        listed += _CENTRAL.pack(
            *(b"PK\1\2", _MADE_BY, _VERSION, *about),
            *(len(name), 0, 0, 0, 0, _RIGHTS, len(files)),
        )
        listed += name
        files += _LOCAL.pack(b"PK\3\4", _VERSION, *about, len(name), 0)
        files += name + own.packed
    n = len(entries)
    end = _END.pack(b"PK\5\6", 0, 0, n, n, len(listed), len(files), 0)
    return files + listed + end


def _deflated(data: bytes) -> bytes:
    packer = zlib.compressobj(9, zlib.DEFLATED, -zlib.MAX_WBITS)
    return packer.compress(data) + packer.flush()
