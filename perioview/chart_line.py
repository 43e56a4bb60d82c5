"""One line of charting, taken apart: which tooth, which sites, which values."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Any

from perioview.chart_rules import SITES, WITHIN_NORMAL, finding_kinds
from perioview.chart_spoken import SITE_KEYS, keys_from_words
from perioview.errors import InputRefused

FOUR_SITES = ("mesiobuccal", "distobuccal", "mesiolingual", "distolingual")
_STATUS = {
    "x": "missing",
    "u": "unerupted",
    "unerupted": "unerupted",
    "xx": "extracted",
    "q": "not_examined",
    "present": "present",
}
_INDEX = {
    "g": "gingivitis_index",
    "p": "plaque_index",
    "c": "calculus_index",
    "m": "mobility",
    "f": "furcation",
}
_TYPED = re.compile(r"\s(?://|/|=|')")
_SPOKEN = re.compile(r"\s(?:note|decide|agreed)\s|\sdone(?=\s|$)")
_SITE = "(mb|db|ml|dl|b|l)"
_READING = re.compile(r"(\d{1,2}(?:\.\d)?|-)(\*?)")


@dataclass(slots=True)
class Said:
    """What a line says, not yet checked against the tooth.

    Parameters
    ----------
    tooth : int or None
        Named in the line.
    sites : dict of str to dict
        Fields of a row by site; the empty site is the tooth's own row.
    """

    tooth: int | None = None
    sites: dict[str, dict[str, Any]] = field(default_factory=dict)
    findings: list[str] = field(default_factory=list)
    agreed: str = ""

    @property
    def empty(self) -> bool:
        """Whether nothing but a tooth was named."""
        return not (self.sites or self.findings or self.agreed)

    def say(self, site: str, name: str, value: Any) -> None:
        """Note one value of one site."""
        self.sites.setdefault(site, {})[name] = value


def line_said(line: str) -> Said:
    """Take a line apart.

    Raises
    ------
    InputRefused
        With one line for every word that is not understood.
    """
    said = Said()
    keys, texts = _texts(line)
    said.agreed = texts.pop("agreed", "")
    for name, text in texts.items():
        said.say("", name, text)
    faults: list[str] = []
    for at, token in enumerate(keys_from_words(keys)):
        if at == 0 and re.fullmatch(r"\d{3}", token):
            said.tooth = int(token)
            continue
        fault = _take(token, said)
        if fault:
            faults.append(fault)
    if faults:
        raise InputRefused(*faults)
    return said


def _texts(line: str) -> tuple[str, dict[str, str]]:
    """Keys of a line, and its decision, deed and note."""
    line = f" {line}"
    typed, said = _TYPED.search(line), _SPOKEN.search(line)
    # Behind a typed key words stand for themselves: "// not done" is no deed.
    spoken = said is not None and (typed is None or said.start() < typed.start())
    if spoken:
        line = re.sub(r"(^|\s)note\s+", r"\1' ", line, count=1)
    # The note comes first: whatever it holds is its own.
    keys, _, note = line.partition(" '")
    if spoken:
        keys = re.sub(r"(^|\s)decide\s+", r"\1/ ", keys)
        keys = re.sub(r"(^|\s)done(?=\s|$)", r"\1// done", keys)
        keys = re.sub(r"(^|\s)agreed\s+", r"\1= ", keys)
    pieces = re.split(r"(?:^|\s)(//|/(?!/)|=)", keys)
    names = {"/": "decision", "//": "done", "=": "agreed"}
    texts = {
        names[mark]: text.strip() for mark, text in zip(pieces[1::2], pieces[2::2], strict=True)
    }
    texts["note"] = note.strip()
    return pieces[0], {name: text for name, text in texts.items() if text}


def _take(token: str, said: Said) -> str | None:
    """Put one token where it belongs; the fault if it belongs nowhere."""
    if token in _STATUS:
        said.say("", "status", _STATUS[token])
        return None
    if found := re.fullmatch(r"n(\d?)", token):
        said.findings.append(WITHIN_NORMAL)
        if found[1]:
            said.say("", "gingivitis_index", int(found[1]))
        return None
    if found := re.fullmatch(rf"([gpcmf])(\d){_SITE}?", token):
        return _index(found, said)
    if found := re.fullmatch(rf"b{_SITE}?", token):
        said.say(SITE_KEYS.get(found[1] or "", ""), "bleeding", True)
        return None
    if found := re.fullmatch(rf"([dre])(\d{{1,2}}(?:\.\d)?){_SITE}", token):
        said.say(SITE_KEYS[found[3]], *_measured(found[1], float(found[2])))
        return None
    if found := re.fullmatch(r"([re]?)([\d.\-* ]+)", token):
        return _readings(token, found[1] or "d", found[2], said)
    if found := re.fullmatch(r"res(?:orption)?([1-5][abc]?)(?:t(?:ype)?([123]))?", token):
        said.findings.append(f"resorption={found[1]}")
        said.findings += [f"resorption_type={found[2]}"] if found[2] else []
        return None
    return _finding(token, said)


def _measured(letter: str, value: float) -> tuple[str, float]:
    if letter == "d":
        return "probing_depth_mm", value
    return "margin_mm", value if letter == "r" or value == 0 else -value


def _index(found: re.Match[str], said: Said) -> str | None:
    letter, value, site = found[1], int(found[2]), SITE_KEYS.get(found[3] or "", "")
    if letter == "m" and site:
        return f"'{found[0]}': mobility belongs to the whole tooth; leave off the side."
    said.say(site, _INDEX[letter], value)
    return None


def _readings(token: str, letter: str, text: str, said: Said) -> str | None:
    spaced = " " in text.strip()
    parts = text.split() if spaced else re.findall(r"[\d-]\*?", text)
    readings = [_READING.fullmatch(p) for p in parts]
    sites = {6: SITES, 4: FOUR_SITES}.get(len(parts))
    if sites is None or None in readings or (not spaced and "." in text):
        return (
            f"'{token}' is {len(parts)} readings; give six or four of them, - where not probed "
            "(10 mm and more, or halves, with spaces between), or one with its site like d5mb."
        )
    for site, reading in zip(sites, readings, strict=True):
        if reading is None or reading[1] == "-":
            continue
        said.say(site, *_measured(letter, float(reading[1])))
        if reading[2]:
            said.say(site, "bleeding", True)
    return None


def _finding(token: str, said: Said) -> str | None:
    plain = token.replace("_", "")
    names = {name.replace("_", ""): name for name in finding_kinds()}
    fitting = (
        [names[plain]]
        if plain in names
        else [name for key, name in names.items() if len(plain) >= 3 and key.startswith(plain)]
    )
    if len(fitting) > 1:
        return f"'{token}' may be {' or '.join(fitting)}; type more of it."
    if not fitting:
        return f"'{token}' is not understood; look at the list of keys and say it again."
    kind = finding_kinds()[fitting[0]]
    if kind.values:
        return f"'{token}' needs its value, one of {', '.join(kind.values)} (res3t1)."
    said.findings.append(kind.name)
    return None
