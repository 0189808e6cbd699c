"""A page about one study; families of sections build on it."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from pitstats.analysis.fairness import Finding, Topic
from pitstats.analysis.results import Evenness
from pitstats.report.old_page import Page
from pitstats.report.words import read_with
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
        title = " ".join(study.settings.title.split())
        source = f" (study {study.source.name})" if study.source is not None else ""
        super().__init__(folder, f"{title}{source}")
        self._study = study
        self._findings: tuple[Finding, ...] = ()
        # Shown by one section, read by later ones.
        self._evenness: Evenness | None = None

    def _beside(self, topic: Topic, *, notes: bool = True) -> None:
        """Name the findings that bear on the numbers that follow, in one line."""
        line = read_with(self._findings, topic)
        if line:
            self.say(line, "note")

    def _keep_findings(self, findings: Sequence[Finding]) -> None:
        """Remember what was found, so that every section can name what touches it."""
        if findings:
            self._findings = tuple(findings)
