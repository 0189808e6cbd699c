"""Which files in an output folder a page made, so that it replaces no others.

A notebook that is run again makes its figures and tables anew. A list beside them says
which files those are and what they are about; whatever else lies there is somebody's
work and stays.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import NoReturn

from pitstats.errors import ExistsError, some
from pitstats.study.atomic import write_file

LIST_NAME = "pitstats.json"
KINDS = ("figures", "tables", "results")


def name_of(study: Path) -> str:
    """Name of what is made of a study: its own, or that of the plan behind its sheets.

    Entry workbooks are all called alike, so that one would take the other's place.

    Examples
    --------
    >>> name_of(Path("my_test")), name_of(Path("my_test-sheets/entry.xlsx"))
    ('my_test', 'my_test')
    """
    from pitstats.study.workbook import ENTRY, SHEETS

    path = study.resolve()
    planned = path.parent.name.removesuffix(SHEETS)
    if path.name == ENTRY and planned != path.parent.name:
        return planned
    return path.name if path.is_dir() else path.stem


def refuse_existing(*paths: Path) -> None:
    """Stop before any work where a file or folder would be replaced."""
    for path in paths:
        if path.exists():
            raise ExistsError(
                f"{path} is already there and was left as it is. Choose another "
                "folder, or replace it with overwrite=True."
            )


class MadeFiles:
    """The files that pages about one study made in one folder, there yet or not.

    An `ExistsError` says that the folder holds files that are not on its list, or whose
    list is about something else; nothing is written then.
    """

    def __init__(self, folder: Path, about: str) -> None:
        self._folder = folder
        self._about = about
        for place in (folder, *(folder / kind for kind in KINDS)):
            if place.exists() and not place.is_dir():
                raise ExistsError(
                    f"{place} is a file and was left as it is. Set output_folder to "
                    "another folder."
                )
        about_here, listed = self._listed()
        there = self._there()
        if there - listed:
            self._refuse(there - listed, "not made by a page about this study")
        if there and about_here != about:
            self._refuse(there, f"made by a page about '{about_here}'")
        self._names = listed if about_here == about else set()

    def keep(self, kind: str, files: Mapping[str, bytes]) -> None:
        """Write files of one kind, once they are on the list."""
        self._claim({f"{kind}/{name}" for name in files})
        place = self._folder / kind
        place.mkdir(parents=True, exist_ok=True)
        for name, data in files.items():
            (place / name).write_bytes(data)

    def _claim(self, names: set[str]) -> None:
        if self._names >= names:
            return
        # Another page about the same study may have added to it meanwhile.
        about_here, listed = self._listed()
        self._names |= listed | names if about_here == self._about else names
        content = {
            "made by": "pitstats",
            "about": self._about,
            "files": sorted(self._names),
        }
        text = json.dumps(content, indent=2, ensure_ascii=False) + "\n"
        write_file(self._folder / LIST_NAME, text.encode("utf-8"), overwrite=True)

    def _there(self) -> set[str]:
        """Files in the places of figures and tables, but those of the system."""
        return {
            f"{kind}/{entry.name}"
            for kind in KINDS
            if (self._folder / kind).is_dir()
            for entry in (self._folder / kind).iterdir()
            if not entry.name.startswith(".")
        }

    def _listed(self) -> tuple[str, set[str]]:
        """What the list in the folder is about, and the files on it."""
        path = self._folder / LIST_NAME
        if not path.exists():
            return self._about, set()
        try:
            content = json.loads(path.read_text("utf-8"))
            return str(content["about"]), {str(name) for name in content["files"]}
        except (OSError, ValueError, KeyError, TypeError):
            self._refuse({LIST_NAME}, "not made by a page about this study")

    def _refuse(self, names: set[str], why: str) -> NoReturn:
        raise ExistsError(
            f"{self._folder} holds {some(sorted(names))}, {why}; nothing was written. "
            "Set output_folder to another folder, or move these files away."
        )
