"""Formulas are a closed language: nothing of their text is ever run."""

import builtins
import string
import warnings

import numpy as np
import pandas as pd
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from patsy import ModelDesc

import pitstats as ps
from pitstats.analysis.model.formula import build_design, parse_formula, unquoted
from pitstats.analysis.model.grammar import MOST_TERMS, column_code, read_terms
from pitstats.analysis.model.transformations import OrthogonalPolynomials

names = st.sampled_from(["pit", "distance", "across", "grate", "wind"])


def combined(inside: st.SearchStrategy[str]) -> st.SearchStrategy[str]:
    marks = st.sampled_from([" + ", " - ", " * ", ":", " / "])
    pairs = st.tuples(inside, marks, inside)
    return pairs.map("".join) | inside.map("({})".format) | inside.map("({})**2".format)


@settings(max_examples=150, deadline=None, derandomize=True)
@given(st.recursive(names, combined, max_leaves=6))
def test_terms_are_those_of_the_formula_language(text: str) -> None:
    """Another reader of the same language, which we no longer hand any text to."""
    theirs = [
        tuple(factor.code for factor in term.factors)
        for term in ModelDesc.from_formula(text).rhs_termlist
    ]
    ours = [term for term in read_terms(text) if term]
    assert {frozenset(term) for term in ours} == {frozenset(t) for t in theirs if t}


HOSTILE = [
    "pit + __import__('os').system('touch owned')",
    "pit + (lambda: 0)()",
    "pit + I(__import__('os'))",
    "pit + I(().__class__.__bases__)",
    "pit + Q(open('owned', 'w').name)",
    "pit + eval('1')",
    "pit + np.load('x')",
    "pit + np.__loader__",
    "pit + np.os(distance)",
    "pit; distance",
    "pit + distance[0]",
    "pit + {distance}",
    "pit + f'{distance}'",
    "pit + distance if pit else pit",
    "pit + I(9 ** 9 ** 9)",
    "pit + I((9 ** 5) ** 5)",
    "pit + I(distance ** 99999999)",
    "pit + bs(distance, df=100000)",
    "pit + bs(distance, knots=[1])",
    "pit + C(distance, levels=[1])",
    "pit + log(exec)(distance)",
    "pit + distance.values",
    "pit + log(1)",
    "pit + 7",
    "pit + \x00",
    "pit + `distance",
    "pit + 'distance'",
    "pit + distance +",
    "pit + ()",
    "pit + (distance",
    "+" * 500,
    "(" * 1000,
    "pit" + " + distance" * 5000,
    "pit + " + "log(" * 100 + "distance" + ")" * 100,
    "*".join(f"a{i}" for i in range(40)),
    "(" + "+".join(f"a{i}" for i in range(40)) + ")**5",
    "pit + é́",
]


@pytest.mark.parametrize("text", HOSTILE)
def test_everything_else_is_refused_by_name(
    text: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def never(*_: object, **__: object) -> None:
        raise AssertionError("text was run")

    with monkeypatch.context() as patched:
        for name in ("eval", "exec", "compile"):
            patched.setattr(builtins, name, never)
        with pytest.raises(ps.DesignError, match="formula") as told:
            read_terms(text)
    assert len(str(told.value)) < 700
    assert "owned" not in str(told.value) or "__import__" in text or "open" in text


def test_a_formula_from_somewhere_else_runs_nothing(
    tmp_path: object, monkeypatch: pytest.MonkeyPatch
) -> None:
    called = []
    monkeypatch.setattr("os.system", called.append)
    with pytest.raises(ps.DesignError, match="no function '__import__'"):
        ps.fit_burn_model(
            ps.demo_study("one_bake_each"), "pit + __import__('os').system('echo')"
        )
    assert called == []


@settings(max_examples=300, deadline=None, derandomize=True)
@given(
    st.lists(
        st.sampled_from(
            [*"+-*:/()`'\"=,. 0123", *string.ascii_letters[:6], "é", "\n", "~", "log"]
        ),
        max_size=40,
    ).map("".join)
)
@example("log(a) + C(b)")
def test_any_text_gives_terms_or_a_sentence(text: str) -> None:
    told = ""
    try:
        terms = read_terms(text)
    except ps.DesignError as error:
        terms, told = [], str(error)
    assert "Allowed are columns" in told if told else len(terms) <= MOST_TERMS


FRAME = pd.DataFrame(
    {
        "pit": pd.Categorical(["A", "A", "A", "B", "B", "B"]),
        "distance": [0.1, 0.3, 0.5, 0.2, 0.4, 0.9],
        "my wind": [1.0, 2, 4, 8, 16, 32],
        "log": [1.0, 2, 3, 4, 5, 6],
        "class": ["x", "y", "x", "y", "x", "y"],
        'it\'s "x"': [3.0, 1, 4, 1, 5, 9],
        "ﬁ": [1.0, 0, 1, 0, 1, 0],
        "__import__": [2.0, 3, 2, 3, 2, 3],
    }
)


@pytest.mark.parametrize("name", [n for n in FRAME.columns if n != "pit"])
def test_a_column_of_any_name_can_be_used(name: str) -> None:
    parsed = parse_formula(f"pit + `{name}`")
    assert parsed.names == (name,)
    assert unquoted(column_code(name)).replace("\\'", "'") == name
    matrix = build_design(parsed, FRAME).matrix(FRAME)
    expected = FRAME[name]
    if name == "class":
        expected = (expected == "y").astype(float)
    assert matrix[:, 0].tolist() == expected.tolist()


@pytest.mark.parametrize(
    ("term", "values"),
    [
        ("log(distance)", np.log(FRAME["distance"])),
        ("np.log10(distance)", np.log10(FRAME["distance"])),
        ("I(distance ** 2 - 1 / 2)", FRAME["distance"] ** 2 - 0.5),
        ("log(`my wind` / 2 + 1)", np.log(FRAME["my wind"] / 2 + 1)),
        ("center(distance)", FRAME["distance"] - FRAME["distance"].mean()),
        ("hump(distance)", 4 * FRAME["distance"] * (1 - FRAME["distance"])),
    ],
)
def test_transformations_give_their_numbers(term: str, values: pd.Series) -> None:
    frame = FRAME.drop(columns="log")
    design = build_design(parse_formula(f"pit + {term}"), frame)
    np.testing.assert_allclose(design.matrix(frame)[:, 0], values, atol=1e-15)


@pytest.mark.parametrize("term", ["bs(distance, df=4)", "cr(distance, df=3)"])
def test_splines_keep_their_knots_for_other_rows(term: str) -> None:
    design = build_design(parse_formula(f"pit + {term}"), FRAME)
    np.testing.assert_allclose(
        design.matrix(FRAME.iloc[2:4]), design.matrix(FRAME)[2:4]
    )


class TestPolynomials:
    def test_printed_contrasts(self) -> None:
        """Orthogonal polynomials of 5 levels, as tables print them (Fisher and Yates,
        Statistical tables, table XXIII).
        """
        curves = OrthogonalPolynomials()
        curves.memorize_chunk([1, 2, 3, 4, 5], 4)
        curves.memorize_finish()
        printed = np.array(
            [
                [-2, -1, 0, 1, 2],
                [2, -1, -2, -1, 2],
                [-1, 2, 0, -2, 1],
                [1, -4, 6, -4, 1],
            ]
        ).T
        expected = printed / np.sqrt((printed**2).sum(axis=0))
        np.testing.assert_allclose(
            curves.transform([1, 2, 3, 4, 5], 4), expected, atol=1e-12
        )

    def test_columns_are_orthonormal_and_span_the_powers(self) -> None:
        x = np.random.default_rng(3).normal(350, 20, size=40)
        curves = OrthogonalPolynomials()
        curves.memorize_chunk(x, 3)
        curves.memorize_finish()
        made = curves.transform(x, 3)
        np.testing.assert_allclose(made.T @ made, np.eye(3), atol=1e-9)
        np.testing.assert_allclose(made.sum(axis=0), 0, atol=1e-9)
        z = (x - x.mean()) / x.std()
        fit = np.linalg.lstsq(np.column_stack([np.ones(40), made]), z**3, rcond=None)
        assert fit[1].item() < 1e-15

    def test_too_few_values_are_told(self) -> None:
        with pytest.raises(ps.DesignError, match="more different values"):
            build_design(parse_formula("pit + poly(distance, 6)"), FRAME)


def test_codes_hold_no_warning_of_the_interpreter() -> None:
    """What is written anew is plain: nothing for Python to remark on."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        for code in {c for t in read_terms("C(a, Treatment('x')) + `b\\c`") for c in t}:
            compile(code, "<factor>", "eval")
