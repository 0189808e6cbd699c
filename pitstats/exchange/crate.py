"""Describe a package as a research object: RO-Crate metadata."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any

from pitstats.exchange.data_package import digest, json_bytes
from pitstats.study.settings import Settings

NAME = "ro-crate-metadata.json"
#: Stands for a date of publication that nobody stated: the metadata must have one, and
#: today's would change the bytes. The calendar of zip files begins here.
NO_DAY = date(1980, 1, 1)
_SPECIFICATION = "https://w3id.org/ro/crate/1.1"
_TYPES = {
    "csv": "text/csv",
    "toml": "application/toml",
    "md": "text/markdown",
    "json": "application/json",
    "html": "text/html",
}
_FOLDERS = {
    "study": "The record: settings and tables as they were written down.",
    "results": "Result tables, worked out from the record.",
}


def describe_crate(
    files: Mapping[str, bytes], settings: Settings, published: date, license_text: str
) -> bytes:
    """Make ``ro-crate-metadata.json``.

    References
    ----------
    .. [1] Soiland-Reyes S et al. (2022), Packaging research artefacts with RO-Crate,
       Data Science 5:97-138.
    """
    folders = sorted({path.partition("/")[0] for path in files if "/" in path})
    unknown = f" The date of publication is not known; {NO_DAY} stands for it."
    top = sorted(path for path in files if "/" not in path)
    root = {
        "@id": "./",
        "@type": "Dataset",
        "name": settings.title,
        "description": settings.question + unknown * (published == NO_DAY),
        "datePublished": published.isoformat(),
        "license": license_text,
        "hasPart": [{"@id": f"{folder}/"} for folder in folders]
        + [{"@id": path} for path in top],
    }
    graph: list[dict[str, Any]] = [
        {
            "@id": NAME,
            "@type": "CreativeWork",
            "about": {"@id": "./"},
            "conformsTo": {"@id": _SPECIFICATION},
        },
        root,
    ]
    for folder in folders:
        inside = sorted(path for path in files if path.startswith(f"{folder}/"))
        graph.append(
            {
                "@id": f"{folder}/",
                "@type": "Dataset",
                "name": folder,
                "description": _FOLDERS[folder],
                "hasPart": [{"@id": path} for path in inside],
            }
        )
    graph += [_file(path, data) for path, data in sorted(files.items())]
    return json_bytes({"@context": f"{_SPECIFICATION}/context", "@graph": graph})


def _file(path: str, data: bytes) -> dict[str, Any]:
    return {
        "@id": path,
        "@type": "File",
        "name": path.rpartition("/")[2],
        "contentSize": str(len(data)),
        "encodingFormat": _TYPES[path.rpartition(".")[2]],
        "sha256": digest(data),
    }
