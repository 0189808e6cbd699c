"""The closed language of formulas: what is not listed here is refused by name.

A formula is text that somebody may have been sent, so nothing of it is ever run as it
stands. It is read by the grammar below (the operators of [1]_), and each factor is
written anew from what was understood.

References
----------
.. [1] Chambers JM, Hastie TJ (1992), Statistical models in S, chapter 2, table 2.2.
"""

from __future__ import annotations

import keyword
import re
import unicodedata
from dataclasses import dataclass
from typing import NoReturn, TypeAlias

from pitstats.errors import DesignError
from pitstats.study.cells import listing, quote

LONGEST, DEEPEST, MOST_TERMS = 2000, 20, 200
#: Functions of numbers, and those that remember the rows of the study.
PLAIN = ("log", "log2", "log10", "log1p", "exp", "sqrt", "abs", "hump")
REMEMBERING = ("center", "scale", "poly", "bs", "cr", "cc")
CONTRASTS = ("Treatment", "Sum", "Diff", "Helmert", "Poly")
_OWN = ("C", "I", "Q", *PLAIN, *REMEMBERING)
_OPTIONS = {
    "poly": ("degree",),
    "bs": ("df", "degree"),
    "cr": ("df",),
    "cc": ("df",),
}
_LARGEST_OPTION, _LARGEST_POWER = 12, 5
_ALLOWED = (
    "Allowed are columns of the study, joined by + - * : / and brackets; C(column); "
    f"and {listing((*PLAIN, *REMEMBERING, 'I'), 'and')}. A column whose name is no "
    "plain word is put in backticks: `my column`."
)
_TOKEN = re.compile(
    r"""\s*(?:
    (?P<number>(?:\d{1,15}\.?\d{0,15}|\.\d{1,15})(?:[eE][+-]?\d{1,2})?(?![\w.]))
    |(?P<name>(?:np\.)?[^\W\d]\w*)
    |(?P<text>"[^"\\\n]*"|'[^'\\\n]*')
    |`(?P<column>[^`]+)`
    |(?P<mark>\*\*|[-+*/:(),=~])
    )""",
    re.VERBOSE,
)

Term: TypeAlias = tuple[str, ...]


@dataclass(frozen=True)
class _Token:
    kind: str
    text: str


def read_terms(text: str) -> list[Term]:
    """Read a formula into its terms, each the code of its factors.

    Raises `DesignError` naming the first thing that is not of the language.
    """
    if len(text) > LONGEST:
        raise DesignError(
            f"The formula has {len(text):,} characters; {LONGEST:,} are allowed. "
            "Shorten it."
        )
    reader = _Reader(text)
    terms = reader.sum_of_terms(0)
    if reader.token is not None:
        reader.refuse(f"{quote(reader.token.text)} does not belong where it stands")
    return terms


def column_code(name: str) -> str:
    """Code of a column: its name, quoted where that is not a plain word."""
    plain = (
        name.isidentifier()
        and not keyword.iskeyword(name)
        and not name.startswith("_")
        and name not in (*_OWN, *CONTRASTS, "np")
        and unicodedata.normalize("NFKC", name) == name
    )
    return name if plain else f"Q({name!r})"


class _Reader:
    """Reads one formula from left to right, one token ahead."""

    def __init__(self, text: str) -> None:
        self._text = text
        self._tokens = list(self._split())
        self._place = 0

    def _split(self) -> list[_Token]:
        tokens: list[_Token] = []
        place, text = 0, self._text.rstrip()
        while place < len(text):
            found = _TOKEN.match(text, place)
            if found is None:
                # Refused when it is reached: what comes before may be refused first.
                return [*tokens, _Token("odd", text[place:].strip())]
            kind = str(found.lastgroup)
            tokens.append(_Token(kind, found[kind]))
            place = found.end()
        return tokens

    @property
    def token(self) -> _Token | None:
        """Return the next token, None at the end."""
        return self._tokens[self._place] if self._place < len(self._tokens) else None

    def refuse(self, what: str) -> NoReturn:
        """Say what cannot be used, and what can."""
        shown = quote(self._text, 80)
        raise DesignError(f"The formula {shown} cannot be read: {what}. {_ALLOWED}")

    def _is(self, *marks: str) -> bool:
        token = self.token
        return token is not None and token.kind == "mark" and token.text in marks

    def _take(self) -> _Token:
        token = self.token
        if token is None:
            self.refuse("it ends too early")
        if token.kind == "odd":
            self.refuse(f"{quote(token.text, 20)} is not understood")
        self._place += 1
        return token

    def _expect(self, mark: str) -> None:
        if not self._is(mark):
            found = "its end" if self.token is None else quote(self.token.text)
            self.refuse(f"{quote(mark)} is wanted, but {found} follows")
        self._place += 1

    # --- terms ----------------------------------------------------------------------

    def sum_of_terms(self, depth: int) -> list[Term]:
        """Read ``a + b - c``."""
        if depth > DEEPEST:
            self.refuse(f"more than {DEEPEST} brackets stand within each other")
        terms: list[Term] = []
        sign = self._take().text if self._is("+", "-") else "+"
        while True:
            more = self._crossed(depth)
            if sign == "-":
                gone = {frozenset(term) for term in more}
                terms = [term for term in terms if frozenset(term) not in gone]
            else:
                terms = self._joined(terms, more)
            if not self._is("+", "-"):
                return terms
            sign = self._take().text

    def _crossed(self, depth: int) -> list[Term]:
        """Read ``a * b`` and ``a / b``."""
        terms = self._interaction(depth)
        while self._is("*", "/"):
            nested = self._take().text == "/"
            more = self._interaction(depth)
            if nested:
                every = tuple(dict.fromkeys(code for term in terms for code in term))
                terms = self._joined(terms, self._product([every], more))
            else:
                both = self._product(terms, more)
                terms = self._joined(self._joined(terms, more), both)
        return terms

    def _interaction(self, depth: int) -> list[Term]:
        """Read ``a : b``."""
        terms = self._power(depth)
        while self._is(":"):
            self._take()
            terms = self._product(terms, self._power(depth))
        return terms

    def _power(self, depth: int) -> list[Term]:
        """Read ``(a + b) ** 2``."""
        terms = self._single(depth)
        if self._is("**"):
            self._take()
            power = self._whole(_LARGEST_POWER, "a power of terms")
            first = terms
            for _ in range(power - 1):
                terms = self._joined(terms, self._product(terms, first))
        return terms

    def _single(self, depth: int) -> list[Term]:
        if self._is("("):
            self._take()
            terms = self.sum_of_terms(depth + 1)
            self._expect(")")
            return terms
        token = self.token
        if token is not None and token.kind == "number":
            self._take()
            if token.text not in ("0", "1"):
                self.refuse(f"the number {token.text} is no column")
            return [()]
        return [(self._factor(depth),)]

    def _joined(self, terms: list[Term], more: list[Term]) -> list[Term]:
        seen = {frozenset(term) for term in terms}
        joined = list(terms)
        for term in more:
            if frozenset(term) not in seen:
                seen.add(frozenset(term))
                joined.append(term)
        if len(joined) > MOST_TERMS:
            self.refuse(f"it has more than {MOST_TERMS} terms")
        return joined

    def _product(self, terms: list[Term], more: list[Term]) -> list[Term]:
        if len(terms) * len(more) > MOST_TERMS**2:
            self.refuse(f"it has more than {MOST_TERMS} terms")
        made = [tuple(dict.fromkeys((*one, *other))) for one in terms for other in more]
        return self._joined([], made)

    # --- factors --------------------------------------------------------------------

    def _factor(self, depth: int) -> str:
        token = self._take()
        if token.kind == "column":
            return column_code(token.text)
        if token.kind != "name":
            self.refuse(f"{quote(token.text)} does not belong where it stands")
        if not self._is("("):
            if "." in token.text:
                self.refuse(f"{quote(token.text)} is not in the language")
            return column_code(token.text)
        return self._call(token.text, depth + 1)

    def _call(self, name: str, depth: int) -> str:
        known = name.removeprefix("np.")
        if known not in _OWN or (known != name and known not in PLAIN[:-2]):
            self.refuse(f"there is no function {quote(name)}")
        self._expect("(")
        if known in ("C", "Q"):
            return self._categories() if known == "C" else self._quoted()
        inside, uses = self._arithmetic(depth)
        if not uses:
            self.refuse(f"{name}() holds no column")
        options = ""
        while self._is(","):
            self._take()
            options += f", {self._option(known)}"
        self._expect(")")
        return f"{name}({inside}{options})"

    def _quoted(self) -> str:
        token = self._take()
        if token.kind != "text":
            self.refuse("Q() takes the name of a column in quotes")
        self._expect(")")
        return column_code(token.text[1:-1])

    def _categories(self) -> str:
        token = self._take()
        if token.kind not in ("name", "column") or "." in token.text:
            self.refuse("C() takes a column first")
        name, contrast = column_code(token.text), ""
        if self._is("("):
            if token.text != "Q":
                self.refuse("C() takes a column first")
            self._take()
            name = self._quoted()
        if self._is(","):
            self._take()
            kind = self._take().text
            if kind not in CONTRASTS:
                self.refuse(f"C() takes {listing(CONTRASTS)}, not {quote(kind)}")
            contrast = f", {kind}"
            if self._is("("):
                self._take()
                level = self._take()
                if level.kind != "text" or kind != "Treatment":
                    self.refuse("only Treatment() takes a level, in quotes")
                contrast += f"({level.text[1:-1]!r})"
                self._expect(")")
        self._expect(")")
        return f"C({name}{contrast})"

    def _option(self, function: str) -> str:
        allowed = _OPTIONS.get(function, ())
        token = self.token
        name = allowed[0] if allowed else ""
        if token is not None and token.kind == "name":
            name = self._take().text
            self._expect("=")
        if name not in allowed:
            which = listing(allowed) if allowed else "nothing more"
            self.refuse(f"{function}() takes {which} after its column")
        return f"{name}={self._whole(_LARGEST_OPTION, name)}"

    def _whole(self, largest: int, what: str) -> int:
        token = self._take()
        if not token.text.isdecimal() or not 1 <= int(token.text) <= largest:
            self.refuse(
                f"{what} is {quote(token.text)}; allowed is a whole number from 1 to "
                f"{largest}"
            )
        return int(token.text)

    # --- arithmetic within a function -----------------------------------------------

    def _arithmetic(self, depth: int) -> tuple[str, bool]:
        """Read a sum of columns and numbers; return it, and whether a column is in."""
        if depth > DEEPEST:
            self.refuse(f"more than {DEEPEST} brackets stand within each other")
        sign = "-" if self._is("-") else ""
        if self._is("+", "-"):
            self._take()
        code, uses = self._multiplied(depth)
        code = sign + code
        while self._is("+", "-"):
            mark = self._take().text
            more, also = self._multiplied(depth)
            code, uses = f"{code} {mark} {more}", uses or also
        return code, uses

    def _multiplied(self, depth: int) -> tuple[str, bool]:
        code, uses = self._raised(depth)
        while self._is("*", "/"):
            mark = self._take().text
            more, also = self._raised(depth)
            code, uses = f"{code} {mark} {more}", uses or also
        return code, uses

    def _raised(self, depth: int) -> tuple[str, bool]:
        code, uses = self._value(depth)
        if self._is("**"):
            self._take()
            # Of a number alone, a power could fill any memory.
            if not uses:
                self.refuse("only a column can be raised to a power")
            code += f" ** {self._whole(_LARGEST_POWER, 'the power of a column')}"
        return code, uses

    def _value(self, depth: int) -> tuple[str, bool]:
        token = self.token
        if token is not None and token.kind == "number":
            return repr(float(self._take().text)).removesuffix(".0"), False
        if self._is("("):
            self._take()
            code, uses = self._arithmetic(depth + 1)
            self._expect(")")
            return f"({code})", uses
        return self._factor(depth), True
