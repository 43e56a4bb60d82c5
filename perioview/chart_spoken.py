"""Words called aloud, turned into the keys of the chart's line entry."""

from __future__ import annotations

import re

from perioview.chart_rules import finding_kinds

_NUMBERS = (
    "zero one two three four five six seven eight nine ten eleven twelve thirteen fourteen fifteen"
)
NUMBER_WORDS = {word: str(n) for n, word in enumerate(_NUMBERS.split())} | {"oh": "0"}
SITE_KEYS = {
    "mb": "mesiobuccal",
    "b": "buccal",
    "db": "distobuccal",
    "ml": "mesiolingual",
    "l": "lingual",
    "dl": "distolingual",
}
_SITE_WORDS = {word: key for key, word in SITE_KEYS.items()} | {
    "mesiopalatal": "ml",
    "palatal": "l",
    "distopalatal": "dl",
}
_LETTERS = {
    "gingivitis": "g",
    "plaque": "p",
    "calculus": "c",
    "mobility": "m",
    "furcation": "f",
    "recession": "r",
    "enlargement": "e",
    "depth": "d",
    "bleeding": "b",
}
_WHOLE = {"normal": "n", "missing": "x", "extracted": "xx", "skip": "-", "dash": "-"}
_LETTER = set(_LETTERS.values()) | {"n"}
# Only a row of margins has several numbers; after any other letter the next one begins the depths.
_ROW_LETTERS = {"r", "e"}


def keys_from_words(line: str) -> list[str]:
    """Tokens of a spoken or typed line, as the line parser takes them.

    Parameters
    ----------
    line : str
        For example ``furcation two buccal``, ``tooth three oh nine normal`` or ``f2b``.

    Returns
    -------
    list of str
        ``["f2b"]``, ``["309", "n"]``; what is no known word stays as it is.
    """
    text = " ".join(line.lower().replace(",", " ").split())
    for name in finding_kinds():
        text = re.sub(rf"\b{name.replace('_', ' ')}\b", name, text)
    words = [NUMBER_WORDS.get(w, w) for w in text.split()]
    text = " ".join(words)
    text = re.sub(r"\btooth (\d) (\d) (\d)\b", r"\1\2\3", text).removeprefix("tooth ")
    text = re.sub(r"\bresorption (\d[abc]?)(?: type (\d))?", _resorption, text)
    return _glued([_WHOLE.get(w, _LETTERS.get(w, w)) for w in text.split()])


def _resorption(found: re.Match[str]) -> str:
    return f"res{found[1]}" + (f"t{found[2]}" if found[2] else "")


def _glued(tokens: list[str]) -> list[str]:
    """Join a letter, its number or row of numbers, and its site into one token."""
    out: list[str] = []
    at = 0
    while at < len(tokens):
        token = tokens[at]
        at += 1
        numbers = _numbers_from(tokens, at if token in _LETTER else at - 1)
        if token in _LETTER - _ROW_LETTERS:
            numbers = numbers[:1] if token != "b" else []
        if token in _LETTER and numbers:
            at += len(numbers)
            token += " ".join(numbers) if len(numbers) > 1 else numbers[0]
        elif numbers and token not in _LETTER:
            at += len(numbers) - 1
            token = " ".join(numbers)
        if at < len(tokens) and tokens[at] in _SITE_WORDS and token[:1] in _LETTER:
            token += _SITE_WORDS[tokens[at]]
            at += 1
        out.append(token)
    return out


def _numbers_from(tokens: list[str], at: int) -> list[str]:
    found = []
    while at < len(tokens) and re.fullmatch(r"(\d{1,2}(\.\d)?\*?|-)", tokens[at]):
        found.append(tokens[at])
        at += 1
    return found
