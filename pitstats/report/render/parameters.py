"""Parameters of a notebook: what it declares, what was given, what is shown of them.

A notebook may say in its metadata, under ``pitstats``, ``stands_for`` (what 0 or an
empty text means, by parameter) and ``without_study`` (parameters for pages without a
study).
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pitstats.errors import RenderUsageError
from pitstats.study.cells import hint

#: The parameters that say where figures and tables go, and which study is meant.
PLACE, STUDY = "output_folder", "study_path"
# Types of a parameter, and how a cook would call them.
_TYPES: dict[str, tuple[tuple[type, ...], str]] = {
    "str": ((str,), "a text"),
    "int": ((int,), "a whole number"),
    "float": ((float, int), "a number"),
    "bool": ((bool,), "true or false"),
    "list": ((list, tuple), 'a list such as [2, 3] or ["Quarry", "Ferry"]'),
    "dict": ((dict,), 'pairs such as {"Quarry": [3, 6]}'),
}
_EMPTY = ("0", "0.0", "", "''", '""')


def parse_parameters(pairs: Iterable[str]) -> dict[str, object]:
    """Read ``NAME=VALUE`` texts; what is a number, true or false becomes one."""
    values: dict[str, object] = {}
    for pair in pairs:
        name, equals, text = pair.partition("=")
        if not equals:
            raise RenderUsageError(f"{pair!r} is not of the form NAME=VALUE.")
        try:
            value = json.loads(text)
        except json.JSONDecodeError:
            value = text
        values[name.strip()] = value
    return values


def unknown_parameter(
    name: str, known: Iterable[str], notebook: str = "This notebook"
) -> str:
    """Sentence about a parameter that a notebook does not have."""
    names = list(known)
    return (
        f"{notebook} has no parameter {name!r}.{hint(name, names)} Its parameters are "
        f"{', '.join(names)}."
    )


def is_path(name: str) -> bool:
    """Whether a parameter is a path to data."""
    return name.endswith("_path")


def wrong_type(kind: str, value: object) -> str:
    """What a parameter of a type must be, in words, if a value is not that; else ""."""
    allowed, words = _TYPES.get(kind.split("[")[0].split(" ")[0], ((), ""))
    flag = isinstance(value, bool) and bool not in allowed
    return words if allowed and (flag or not isinstance(value, allowed)) else ""


@dataclass(frozen=True)
class Declared:
    """What a notebook declares about its parameters."""

    notebook: str
    parameters: Mapping[str, Mapping[str, Any]]
    stands_for: Mapping[str, str] = field(default_factory=dict)
    without_study: tuple[str, ...] = ()

    @property
    def subject(self) -> str:
        """The parameter that a report is about: a study, or a season of them."""
        own = [key for key in self.parameters if is_path(key)]
        return STUDY if STUDY in own or not own else own[0]

    def checked(self, given: Mapping[str, object]) -> dict[str, object]:
        """Compare what was given with what is declared: papermill itself only logs."""
        if PLACE in given:
            raise RenderUsageError(
                f"{PLACE} is set by the report itself. Say where the report is to go "
                "with --out."
            )
        unknown = [key for key in given if key not in self.parameters]
        if unknown:
            own = [key for key in self.parameters if key != PLACE]
            raise RenderUsageError(
                unknown_parameter(unknown[0], own, f"Notebook {self.notebook}")
            )
        unused = [key for key in given if key in self.without_study]
        if unused and given.get(STUDY):
            raise RenderUsageError(
                f"Parameter {unused[0]} of notebook {self.notebook} is used only "
                "without a study. Leave out the parameter or the study."
            )
        for key, value in given.items():
            kind = str(self.parameters[key].get("inferred_type_name", "None"))
            words = wrong_type(kind, value)
            if words:
                raise RenderUsageError(
                    f"Parameter {key} of notebook {self.notebook} is {value!r}; it "
                    f"must be {words}."
                )
        return dict(given)

    def used(self, values: Mapping[str, object]) -> dict[str, object]:
        """Every parameter with the value that was used."""
        defaults = {name: own.get("default") for name, own in self.parameters.items()}
        return defaults | dict(values)

    def shown(self, values: Mapping[str, object]) -> str:
        """Parameters as a reader understands them: what 0 or an empty text stands for.

        Paths are named without their folders.
        """
        parts = []
        for key, value in self.used(values).items():
            if key in self.without_study and values.get(STUDY):
                continue
            text = str(value)
            if (is_path(key) or key == PLACE) and key in values:
                text = Path(text).name
            elif text in _EMPTY and key in self.stands_for:
                text = self.stands_for[key]
            parts.append(f"{key} = {text}")
        return ", ".join(parts) or "none"


def declared_parameters(source: Path) -> Declared:
    """Read what a notebook declares."""
    import papermill
    from nbformat import ValidationError

    try:
        found: dict[str, dict[str, Any]] = papermill.inspect_notebook(str(source))
        about = json.loads(source.read_text("utf-8"))["metadata"].get("pitstats", {})
    except (ValueError, AttributeError, ValidationError) as error:
        raise RenderUsageError(
            f"{source} cannot be read as a notebook. Open it in JupyterLab and save it "
            "again, or name another one."
        ) from error
    return Declared(
        source.stem,
        found,
        about.get("stands_for", {}),
        tuple(about.get("without_study", ())),
    )
