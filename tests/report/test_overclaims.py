"""No sentence about a result can claim more than bakes can show."""

import ast
from pathlib import Path

import pytest

from pitstats.report import sections
from tests.report.overclaims import overclaims

FOLDER = Path(sections.__path__[0])


@pytest.mark.parametrize(
    "text",
    [
        "Ferry burned significantly more.",
        "a significant difference",
        "Insignificant.",
        "Ferry never burns.",
        "Quarry always burns",
        "The pits are identical.",
        "This proves that",
        "which was proven",
        "Both pits are the same.",
        "They burn about the same.",
        "no difference between Ferry and Mill",
        "certainly hotter",
        "Mill is the worse pit.",
        "the best pit",
        "because of the pit",
        "None of ten pairs differ.",
        "Cannot tell; where they differ, it is in how dark they bake.",
    ],
)
def test_overclaims_are_seen(text: str) -> None:
    assert overclaims(text)


@pytest.mark.parametrize(
    "text",
    [
        "Quarry burned more than Ferry in these conditions.",
        "No difference larger than 15 points between Quarry and Ferry.",
        "This test cannot tell.",
        "none of 20 items; its true share could be up to 14%",
        "Items lay at about the same places in all pits.",
        "improved, approved, nevertheless",
    ],
)
def test_fair_words_pass(text: str) -> None:
    assert overclaims(text) == []


def test_a_name_does_not_cover_up_for_our_own_words() -> None:
    assert overclaims("The pit Never burned.", ["Never"]) == []
    assert overclaims("It never burns.", ["ever"])


# --- every text in the package, whatever evidence it takes to reach it ----------------

#: Cautions, definitions and descriptions of methods: exempt.
EXEMPT = {
    "'Cannot tell' is not 'the same': these bakes are compatible with a ",
    "tools and gloves, never leave a burning pit.",
    "Carbon monoxide: burn outdoors only, never in a garage",
}


def _texts(tree: ast.Module) -> list[str]:
    """Texts of a module that can reach a reader: no docstrings, no patterns."""
    documents = {
        id(node.body[0].value)
        for node in ast.walk(tree)
        if isinstance(node, ast.Module | ast.FunctionDef | ast.ClassDef)
        and node.body
        and isinstance(node.body[0], ast.Expr)
    }
    return [
        node.value
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant)
        and isinstance(node.value, str)
        and id(node) not in documents
    ]


@pytest.mark.parametrize("module", sorted(FOLDER.glob("*.py")), ids=lambda p: p.stem)
def test_no_text_of_a_section_overclaims(module: Path) -> None:
    found = [
        text
        for text in _texts(ast.parse(module.read_text("utf-8")))
        if overclaims(text) and not any(part in text for part in EXEMPT)
    ]
    assert found == []


def test_the_texts_of_a_module_are_really_read() -> None:
    tree = ast.parse('"""never"""\ndef f():\n    """never"""\n    return f"never {1}"')
    assert _texts(tree) == ["never "]
