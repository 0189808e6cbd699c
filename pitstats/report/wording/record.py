"""The record: rules, fairness, maps and grades."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from pitstats.report.wording.numbers import count, listed, one_line, points
from pitstats.study.settings import Settings


def rules_sentence(settings: Settings) -> str:
    """State the rules under which the pits were compared.

    Parameters
    ----------
    settings : Settings
        Of the study.

    Returns
    -------
    str
        Temperature rule first, because it says what was compared.

    Examples
    --------
    >>> import pitstats as ps
    >>> rules_sentence(ps.demo_study("four_pits").settings).split(":")[0]
    'Temperature rule'
    """
    meaning = {
        "same indicated": "same indicated (pits and their gauges are compared)",
        "same grate": "same grate (the pits are compared, their gauges are not)",
        "maker's setting": "maker's setting (each pit as its maker advises)",
        "tuned": "tuned (each pit set up beforehand)",
    }
    rule = meaning.get(settings.temperature_rule, one_line(settings.temperature_rule))
    stop = one_line(settings.stop_rule) or "not stated"
    margin = "not stated" if settings.margin is None else f"{points(settings.margin)}"
    return (
        f"Temperature rule: {rule}. Stop rule: {stop}. {burned_means(settings)}. "
        f"Smallest difference that would change advice: {margin}."
    )


def burned_means(settings: Settings) -> str:
    """Say what counts as burned.

    Examples
    --------
    >>> import pitstats as ps
    >>> burned_means(ps.demo_study("four_pits").settings)
    "Burned means 'burned' on the darkest face"
    """
    face = "the darkest face" if settings.face == "worst" else f"the {settings.face}"
    last = settings.burned_from == settings.grades[-1]
    darker = "" if last else " or darker"
    return f"Burned means '{one_line(settings.burned_from)}'{darker} on {face}"


def fairness_sentence(severities: Sequence[str]) -> str:
    """Sum up how fair the test was.

    Parameters
    ----------
    severities : sequence of str
        Severities of the findings of `audit_fairness`.

    Returns
    -------
    str
        One sentence.

    Examples
    --------
    >>> fairness_sentence(["note"])
    'No unfairness was found in the record; one note for the reader.'
    """
    spoils = severities.count("spoils")
    weakens = severities.count("weakens")
    n_notes = severities.count("note")
    if spoils:
        return (
            f"{count(spoils, 'finding').capitalize()} may spoil the comparison; read "
            f"{'it' if spoils == 1 else 'them'} before quoting any number."
        )
    if weakens:
        return (
            f"Nothing in the record spoils the comparison; {count(weakens, 'finding')} "
            f"{'weakens' if weakens == 1 else 'weaken'} it."
        )
    if n_notes:
        return (
            "No unfairness was found in the record; "
            f"{count(n_notes, 'note')} for the reader."
        )
    return "No unfairness was found in the record."


def regrades_sentence(n_graded: int) -> str:
    """Say where second gradings are used, and that they change no other number."""
    verb = "is" if n_graded == 1 else "are"
    return (
        f"{count(n_graded, 'second grading').capitalize()} {verb} on record and held "
        "against the first where agreement is shown; every other number of this report "
        "comes from the first gradings."
    )


def grades_caption(settings: Settings) -> str:
    """Say which face the bars of grades show."""
    face = "darkest recorded face" if settings.face == "worst" else settings.face
    return (
        f"Grade of the {face} of every graded item, palest first; numbers are items. "
        "Missing items are not in the bars."
    )


def grades_in_words(counts: pd.DataFrame) -> str:
    """Describe the bars of grades for those who cannot see them."""
    parts = []
    for pit, own in counts.groupby("pit", sort=False):
        grades = [
            f"{n_items} {one_line(grade)}"
            for n_items, grade in zip(own["n_items"], own["grade"], strict=True)
        ]
        parts.append(f"{one_line(pit)}: {listed(grades)}.")
    return " ".join(parts)
