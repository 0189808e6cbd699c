"""A plan where no pit may be named: its id, and its sessions and bakes by number.

A grader who knows the pit may favor it, so the page for the phone knows codes and
numbers only. The id ties its file to the plan: another layout has another id.
"""

from __future__ import annotations

import hashlib
import json

import pandas as pd

from pitstats.study.schema import PLACE_COLUMNS

_ID_LETTERS = 16


def session_numbers(bakes: pd.DataFrame) -> dict[str, int]:
    """Number the sessions from 1 as they first appear; no session is one too."""
    names = bakes["session"].astype(object).where(bakes["session"].notna(), "")
    return {str(name): k for k, name in enumerate(dict.fromkeys(names), start=1)}


def bake_numbers(bakes: pd.DataFrame) -> dict[str, tuple[int, int]]:
    """Give every bake its session and its place in the order of that session."""
    sessions = session_numbers(bakes)
    names = bakes["session"].astype(object).where(bakes["session"].notna(), "")
    session = names.map(sessions)
    order = pd.to_numeric(bakes["order"]).astype(float)
    sorted_bakes = (
        pd.DataFrame({"bake": bakes["bake"], "session": session, "order": order})
        .sort_values(["session", "order"], kind="stable")
        .reset_index(drop=True)
    )
    place = sorted_bakes.groupby("session", sort=False).cumcount() + 1
    return {
        str(bake): (int(session), int(number))
        for bake, session, number in zip(
            sorted_bakes["bake"], sorted_bakes["session"], place, strict=True
        )
    }


def plan_id(bakes: pd.DataFrame, items: pd.DataFrame) -> str:
    """Name a plan by what its codes stand for, whatever was recorded since."""
    coded = items.dropna(subset=["code"])
    numbers = bake_numbers(bakes)
    columns = [coded[name] for name in (*PLACE_COLUMNS, "code")]
    places = sorted(
        ["" if pd.isna(part) else str(part) for part in place]
        for place in zip(*columns, strict=True)
    )
    with_codes = set(coded["bake"])
    order = sorted([name, *map(str, numbers[name])] for name in with_codes & {*numbers})
    text = json.dumps([places, order], ensure_ascii=True, separators=(",", ":"))
    return hashlib.sha256(text.encode("ascii")).hexdigest()[:_ID_LETTERS]
