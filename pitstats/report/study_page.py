"""A page about one study; families of sections build on it."""

from __future__ import annotations

from pathlib import Path

from pitstats.report.page import Page
from pitstats.study.study import Study


class StudyPage(Page):
    """A page about one study.

    Parameters
    ----------
    study : Study
        What the page is about.
    folder : path-like or None
        Where figures and tables are kept; None or an empty text: show only.
    """

    def __init__(self, study: Study, folder: str | Path | None = None) -> None:
        super().__init__(folder)
        self._study = study
