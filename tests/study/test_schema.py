from __future__ import annotations

from dataclasses import fields
from pathlib import Path

import pytest

from pitstats.study import Settings
from pitstats.study.dictionary import data_dictionary, main
from pitstats.study.schema import SETTING_NAMES, TABLES, Table

ROOT = Path(__file__).parents[2]


def test_settings_have_exactly_the_described_keys() -> None:
    names = {entry.name for entry in fields(Settings)}
    assert names == {*SETTING_NAMES, "extra"}


@pytest.mark.parametrize("table", TABLES, ids=lambda table: table.name)
def test_each_table_is_well_described(table: Table) -> None:
    assert len(set(table.column_names)) == len(table.columns)
    assert set(table.key) <= set(table.column_names)
    for column in table.columns:
        assert column.meaning.endswith((".", "0 is shut, 1 fully open."))
        assert bool(column.choices) == (column.kind == "choice")
        assert column.name == column.name.casefold()


def test_the_data_dictionary_is_up_to_date() -> None:
    # If this fails: python -m pitstats.study.dictionary
    kept = (ROOT / "data" / "data_dictionary.md").read_text(encoding="utf-8")
    assert kept == data_dictionary()


def test_the_data_dictionary_names_every_table_column_and_key(tmp_path: Path) -> None:
    main([str(tmp_path / "dictionary.md")])
    text = (tmp_path / "dictionary.md").read_text(encoding="utf-8")
    for table in TABLES:
        part = text.split(f"## {table.name}\n")[1].split("\n## ")[0]
        for column in table.columns:
            assert f"| `{column.name}` |" in part
    for name in SETTING_NAMES:
        assert f"| `{name}`" in text
