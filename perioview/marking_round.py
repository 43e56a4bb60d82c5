"""What to mark next on one radiograph, and every change to its marks with undo and redo."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from perioview.errors import InputRefused
from perioview.marks import LANDMARKS, NEEDS, Key, Mark, Marks, key
from perioview.teeth import ROOTS, SIDES, SPECIES, Tooth, fitting_variant, has_tooth, teeth, tooth

WORDS = {
    "cej": "cementoenamel junction (CEJ)",
    "crest": "alveolar crest",
    "defect_base": "deepest point of the vertical defect",
    "furcation": "roof of the furcation",
    "apex": "root apex",
    "ruler": "ruler",
}
SKIP_REASONS = ("not visible", "outside the image", "overlapped", "root resorbed", "not needed")


@dataclass(frozen=True, slots=True)
class Step:
    """One mark the round asks for.

    Parameters
    ----------
    landmark : str
        As in `perioview.marks.LANDMARKS`.
    tooth, root, side, mm
        As far as the landmark needs them; else None.
    object : str
        Tells several rulers apart.
    """

    landmark: str
    tooth: int | None = None
    root: str | None = None
    side: str | None = None
    mm: float | None = None
    object: str = ""

    @property
    def words(self) -> str:
        """The step in words: tooth, root, side, landmark."""
        if self.landmark == "ruler":
            return f"ruler{' ' + self.object if self.object else ''}: the edge at {self.mm:g} mm"
        place = f"{self.tooth}"
        if self.root is not None and self.root != "single":
            place += f", {self.root} root"
        if self.side is not None:
            place += f", {self.side} side"
        return f"{place}: {WORDS[self.landmark]}"

    def mark(self, row: float, col: float, how: str = "placed") -> Mark:
        """Return the mark this step asks for, at a position in px."""
        return Mark(
            self.landmark, row, col, self.tooth, self.root, self.side, self.mm, how, self.object
        )


def step_of(mark: Mark) -> Step:
    """Return the step that asks for this mark."""
    needs = NEEDS[mark.landmark]
    return Step(
        mark.landmark,
        mark.tooth if "tooth" in needs else None,
        mark.root if "root" in needs else None,
        mark.side if "side" in needs else None,
        mark.mm if "mm" in needs else None,
        mark.object if "mm" in needs else "",
    )


def _step_key(step: Step) -> Key:
    return key(step.mark(0.0, 0.0))


def _along_jaw(root: str) -> int:
    return 0 if root.startswith("mesi") else 2 if root.startswith("dist") else 1


def tooth_steps(number: int, roots: Iterable[str]) -> tuple[Step, ...]:
    """Marks that make a tooth's measurement complete, in the order they are asked for.

    The outer CEJs first and the apices next, since the crests can be proposed from them;
    furcal sides have no CEJ of their own on most radiographs and are not asked for one.

    Parameters
    ----------
    number : int
        Modified Triadan number.
    roots : iterable of str
        Roots seen on this radiograph.

    Returns
    -------
    tuple of Step
        CEJs, apices, the furcation of a multi-rooted tooth, then two crests per root.
    """
    ordered = sorted(roots, key=_along_jaw)
    steps = [Step("cej", number, ordered[0], "mesial"), Step("cej", number, ordered[-1], "distal")]
    steps += [Step("apex", number, root) for root in ordered]
    if len(ordered) > 1:
        steps.append(Step("furcation", number))
    steps += [Step("crest", number, r, side) for r in ordered for side in ("mesial", "distal")]
    return tuple(steps)


def tooth_views(species: str) -> dict[str, tuple[int, ...]]:
    """Teeth a usual intraoral view shows, by the view's name in words.

    Parameters
    ----------
    species : str
        ``dog`` or ``cat``.

    Returns
    -------
    dict
        For each side and jaw: incisors and canine, premolars, molars; and both sides'
        incisors of a jaw.
    """
    views: dict[str, list[int]] = {}
    for known in teeth(species):
        side = "right" if known.right else "left"
        jaw = "maxillary" if known.upper else "mandibular"
        kind = known.name.rsplit(" ", 1)[-1]
        kinds = {"premolar": ["premolars"], "molar": ["molars"], "canine": ["canine"]}
        if kind == "incisor":
            views.setdefault(f"{jaw} incisors", []).append(known.number)
        for group in kinds.get(kind, []):
            views.setdefault(f"{side} {jaw} {group}", []).append(known.number)
    return {name: tuple(numbers) for name, numbers in views.items()}


def teeth_from_text(text: str, species: str) -> tuple[int, ...]:
    """Read tooth numbers as a person types them: ``308 309, 404-407``.

    Raises
    ------
    InputRefused
        If something is no tooth of this species.
    """
    numbers: list[int] = []
    faults: list[str] = []
    for part in re.findall(r"[^\s,;]+", text.replace("–", "-")):
        match = re.fullmatch(r"(\d{3})(?:-(\d{3}))?", part)
        if match is None:
            faults.append(f"teeth: '{part}' is no tooth number; write 308 309 or 404-407.")
            continue
        first, last = int(match[1]), int(match[2] or match[1])
        for number in range(min(first, last), max(first, last) + 1):
            try:
                numbers.append(tooth(number, species).number)
            except InputRefused as fault:
                if first == last:
                    faults += fault.faults
    if faults:
        raise InputRefused(*faults)
    return tuple(dict.fromkeys(numbers))


@dataclass(frozen=True, slots=True)
class Skip:
    """A mark that was left out, and why."""

    step: Step
    reason: str


@dataclass(frozen=True, slots=True)
class RoundState:
    """All that is known of the marking of one radiograph at one moment.

    Parameters
    ----------
    marks : Marks
    roots : tuple of (int, tuple of str)
        Teeth in view, each with the roots seen.
    skips : tuple of Skip
    sound : tuple of int
        Teeth recorded as showing no radiographic loss.
    extra : tuple of Step
        Steps asked for beside the usual ones: rulers, defect bases.
    cursor : Step or None
        What the round asks for; None when nothing is open.
    pointed : tuple of (int, str, float, float)
        Tooth, root, row and col in px of roots pointed at, so that their marks are proposed.
    resume : Step or None
        What was asked for before the steps of `extra`: there the round goes on after them.
    """

    marks: Marks = field(default_factory=Marks)
    roots: tuple[tuple[int, tuple[str, ...]], ...] = ()
    skips: tuple[Skip, ...] = ()
    sound: tuple[int, ...] = ()
    extra: tuple[Step, ...] = ()
    cursor: Step | None = None
    pointed: tuple[tuple[int, str, float, float], ...] = ()
    resume: Step | None = None

    @property
    def steps(self) -> tuple[Step, ...]:
        """All steps, in the order of the round."""
        return self.extra + tuple(s for number, r in self.roots for s in tooth_steps(number, r))

    def in_view(self, step: Step) -> bool:
        """Whether the step's tooth is in view with its root; true of what belongs to no tooth."""
        return _in_view(step.tooth, step.root, dict(self.roots))

    def open(self, step: Step) -> bool:
        """Whether the step still waits for its mark."""
        if step.tooth is not None and step.tooth in self.sound:
            return False
        if any(s.step == step for s in self.skips):
            return False
        wanted = _step_key(step)
        return all(key(m) != wanted for m in self.marks)

    def root_to_point_at(self, number: int, proposed: Iterable[str] = ()) -> str | None:
        """Return the first root of a tooth whose apex is open, not pointed at and not proposed."""
        seen = {(p[0], p[1]) for p in self.pointed} | {(number, root) for root in proposed}
        return next(
            (
                s.root
                for s in self.steps
                if s.tooth == number and s.landmark == "apex" and self.open(s)
                if (number, s.root) not in seen
            ),
            None,
        )

    def mark_at(self, step: Step) -> Mark | None:
        """Return the mark that answers a step, if there is one."""
        wanted = _step_key(step)
        return next((m for m in self.marks if key(m) == wanted), None)

    def open_after(self, step: Step | None) -> Step | None:
        """Return the next step that is open, from a step on and then from the beginning."""
        steps = self.steps
        at = steps.index(step) + 1 if step in steps else 0
        following = next((s for s in steps[at:] + steps[:at] if self.open(s)), None)
        back = self.resume if self.resume in steps and self.resume not in self.extra else None
        if back is None or step not in self.extra or following in self.extra:
            return following
        return back if self.open(back) else self.open_after(back)


def _in_view(number: int | None, root: str | None, roots: Mapping[int, tuple[str, ...]]) -> bool:
    return number is None or (number in roots and root in {None, *roots[number]})


def round_text(state: RoundState) -> str:
    """Write what a marks file has no place for: teeth in view, skips, teeth without loss."""

    def plain(step: Step | None) -> dict[str, object] | None:
        if step is None:
            return None
        return {name: getattr(step, name) for name in Step.__slots__}

    content = {
        "teeth": [{"tooth": number, "roots": list(roots)} for number, roots in state.roots],
        "skipped": [{"step": plain(s.step), "reason": s.reason} for s in state.skips],
        "no_radiographic_loss": list(state.sound),
        "asked": [plain(s) for s in state.extra],
        "next": plain(state.cursor),
        "pointed_at": [list(p) for p in state.pointed],
        "then": plain(state.resume),
    }
    return json.dumps(content, indent=1) + "\n"


def _known(number: Any) -> int:
    """Return the number of a tooth; a species chosen wrong may have left those of another one."""
    if not any(has_tooth(int(number), species) for species in SPECIES):
        raise ValueError(f"{number} is no tooth")
    return int(number)


def _roots_told(told: dict[str, Any]) -> tuple[str, ...]:
    roots = tuple(map(str, told["roots"]))
    if not roots or set(roots) - set(ROOTS):
        raise ValueError(f"{told['tooth']}: no such roots: {', '.join(roots) or 'none'}")
    return roots


def _step_told(told: dict[str, Any]) -> Step:
    step = Step(**told)
    if step.landmark not in LANDMARKS:
        raise ValueError(f"no such landmark: {step.landmark}")
    needs = NEEDS[step.landmark]
    if "tooth" in needs and step.tooth != _known(step.tooth):
        raise ValueError(f"tooth '{step.tooth}' is no number")
    if ("root" in needs and step.root not in ROOTS) or ("side" in needs and step.side not in SIDES):
        raise ValueError(f"no such root or side: {step.root}, {step.side}")
    if "mm" in needs and not (isinstance(step.mm, int | float) and math.isfinite(step.mm)):
        raise ValueError(f"no such distance: {step.mm} mm")
    return step


def round_from_text(text: str, marks: Marks, source: str) -> RoundState:
    """Read what `round_text` wrote, and join it with the marks.

    Raises
    ------
    InputRefused
        If it is not what `round_text` writes.
    """
    try:
        content = json.loads(text)
        after, then = content["next"], content.get("then")
        return RoundState(
            marks,
            tuple((_known(t["tooth"]), _roots_told(t)) for t in content["teeth"]),
            tuple(Skip(_step_told(s["step"]), str(s["reason"])) for s in content["skipped"]),
            tuple(_known(n) for n in content["no_radiographic_loss"]),
            tuple(_step_told(s) for s in content["asked"]),
            None if after is None else _step_told(after),
            tuple(
                (_known(number), str(root), float(row), float(col))
                for number, root, row, col in content.get("pointed_at", ())
            ),
            None if then is None else _step_told(then),
        )
    except (ValueError, KeyError, TypeError) as fault:
        raise InputRefused(
            f"{source}: not a marking round ({fault}); remove it, the marks are kept apart from it."
        ) from fault


class MarkingRound:
    """The marks of one radiograph, the one truth about them, with undo and redo.

    Parameters
    ----------
    species : str
        ``dog`` or ``cat``.
    state : RoundState
        Where an earlier session ended.
    """

    def __init__(self, species: str, state: RoundState | None = None) -> None:
        self.species = species
        self.state = state or RoundState()
        self._past: list[RoundState] = []
        self._future: list[RoundState] = []
        self._dropped: list[RoundState] = []
        if self.state.cursor is None:
            self.state = replace(self.state, cursor=self.state.open_after(None))

    @property
    def marks(self) -> Marks:
        """The marks as they are now."""
        return self.state.marks

    @property
    def can_undo(self) -> bool:
        """Whether there is an action to take back."""
        return bool(self._past)

    @property
    def can_redo(self) -> bool:
        """Whether an action was taken back and can be done again."""
        return bool(self._future)

    def _change(self, state: RoundState, *, advance: bool = False) -> None:
        if advance:
            state = replace(state, cursor=state.open_after(state.cursor))
        if state != self.state:
            self._past.append(self.state)
            self._dropped, self._future = self._future, []
            self.state = state

    def choose_teeth(self, numbers: Iterable[int]) -> None:
        """Set the teeth in view, in the order of the mouth.

        Teeth that are marked or recorded as sound stay; of the others nothing is kept.

        Raises
        ------
        InputRefused
            If the species has no such tooth.
        """
        sound = tuple(n for n in self.state.sound if has_tooth(n, self.species))
        stay = (*self.marks.teeth(), *sound)
        wanted = {tooth(n, self.species).number for n in (*numbers, *stay)}
        known = dict(self.state.roots)
        order = [t for d in (False, True) for t in teeth(self.species, deciduous=d)]
        roots = tuple(
            (t.number, self._roots_of(t, known.get(t.number, ()))) for t in order
            if t.number in wanted
        )  # fmt: skip
        skips = tuple(s for s in self.state.skips if s.step.tooth in {None, *wanted})
        state = self._with_roots(replace(self.state, sound=sound, skips=skips), roots)
        self._change(replace(state, cursor=state.open_after(None)))

    def _roots_of(self, of: Tooth, chosen: tuple[str, ...]) -> tuple[str, ...]:
        marked = self.marks.roots(of.number)
        # Roots of another species, chosen before it was corrected, are none of this tooth's; and
        # where other roots are marked, a mark of the chosen ones would be refused every time.
        if chosen in of.variants and {*marked} <= {*chosen}:
            return chosen
        return fitting_variant(of, marked) or of.roots

    @staticmethod
    def _with_roots(
        state: RoundState, roots: tuple[tuple[int, tuple[str, ...]], ...]
    ) -> RoundState:
        """Return the state with these roots in view; nothing is asked for on others any more."""
        seen = dict(roots)
        return replace(
            state,
            roots=roots,
            extra=tuple(s for s in state.extra if _in_view(s.tooth, s.root, seen)),
            pointed=tuple(p for p in state.pointed if _in_view(p[0], p[1], seen)),
        )

    def next_variant(self, number: int) -> tuple[str, ...]:
        """Take the next set of roots this tooth can have, and return it.

        Raises
        ------
        InputRefused
            If only one set fits the marks there are.
        """
        known = tooth(number, self.species)
        marked = set(self.marks.roots(number))
        fitting = [v for v in known.variants if marked <= set(v)]
        now = dict(self.state.roots).get(number, known.roots)
        if not set(fitting) - {now}:
            raise InputRefused(f"{number}: no other roots fit; they stay {', '.join(now)}.")
        at = fitting.index(now) if now in fitting else -1
        chosen = fitting[(at + 1) % len(fitting)]
        roots = tuple((n, chosen if n == number else r) for n, r in self.state.roots)
        state = self._with_roots(self.state, roots)
        of_tooth = [s for s in state.steps if s.tooth == number]
        first = next((s for s in of_tooth if state.open(s)), None)
        # A tooth with all its marks is left for what is open elsewhere.
        after = state.open_after(of_tooth[-1] if of_tooth else None)
        self._change(replace(state, cursor=first or after))
        return chosen

    def ask_for(self, steps: Iterable[Step]) -> None:
        """Ask for further marks now: a ruler's edges, a defect's base.

        A ruler that was asked for and not clicked gives way to a new one.
        """
        asked, before = tuple(steps), self.state
        ruler = any(s.landmark == "ruler" for s in asked)
        kept = tuple(
            s
            for s in before.extra
            if s not in asked and not (ruler and s.landmark == "ruler" and before.open(s))
        )
        state = replace(
            before,
            extra=kept + asked,
            skips=tuple(s for s in before.skips if s.step not in asked),
            cursor=asked[0] if asked else None,
            resume=before.resume if before.cursor in before.extra else before.cursor,
        )
        self._change(state)

    def place(self, row: float, col: float) -> Mark | None:
        """Place the mark that is asked for, and go on to the next; None if none is."""
        step = self.state.cursor
        if step is None:
            return None
        mark = step.mark(row, col)
        self._change(self._with(mark), advance=True)
        return mark

    def point_at(self, number: int, root: str, row: float, col: float) -> None:
        """Take a place on a root, in px, from which its CEJs and apex can be proposed."""
        others = tuple(p for p in self.state.pointed if p[:2] != (number, root))
        self._change(replace(self.state, pointed=(*others, (number, root, row, col))))

    def forget_pointing(self, number: int) -> None:
        """Forget where the roots of a tooth were pointed at."""
        kept = tuple(p for p in self.state.pointed if p[0] != number)
        self._change(replace(self.state, pointed=kept))

    def _with(self, *marks: Mark) -> RoundState:
        state = self.state
        for mark in marks:
            answered = step_of(mark)
            state = replace(
                state,
                marks=state.marks.with_mark(mark),
                skips=tuple(s for s in state.skips if s.step != answered),
                sound=tuple(n for n in state.sound if n != mark.tooth),
            )
        return state

    def move(self, mark: Mark, row: float, col: float) -> Mark:
        """Move a mark; a record is kept that it was moved if it came from a proposal."""
        how = "placed" if mark.how == "placed" else "moved"
        moved = replace(mark, row=row, col=col, how=how)
        self._change(self._with(moved))
        return moved

    def accept(self, marks: Iterable[Mark]) -> None:
        """Take proposed positions as marks, each recorded as accepted (or moved, as given)."""
        taken = tuple(m if m.how == "moved" else replace(m, how="accepted") for m in marks)
        self._change(self._with(*taken), advance=True)

    def remove(self, mark: Mark) -> None:
        """Take a mark away and ask for it again."""
        state = replace(self.state, marks=self.marks.without(mark))
        self._change(replace(state, cursor=step_of(mark)))

    def remove_ruler(self, label: str) -> None:
        """Take a ruler away whole, and what is still asked for of it; go on as before it."""

        def others(steps: Iterable[Step]) -> tuple[Step, ...]:
            return tuple(s for s in steps if s.landmark != "ruler" or s.object != label)

        now = self.state
        state = replace(
            now,
            marks=Marks(tuple(m for m in now.marks if others([step_of(m)]))),
            extra=others(now.extra),
            skips=tuple(s for s in now.skips if others([s.step])),
        )
        if now.cursor is not None and not others([now.cursor]):
            back = now.resume if now.resume in state.steps and state.open(now.resume) else None
            other = next((s for s in state.extra if state.open(s)), None)
            state = replace(state, cursor=other or back or state.open_after(None))
        self._change(state)

    def skip(self, reason: str = SKIP_REASONS[0]) -> None:
        """Leave out the mark that is asked for, keep the reason, and go on."""
        step = self.state.cursor
        if step is None or self.state.mark_at(step) is not None:
            return
        kept = tuple(s for s in self.state.skips if s.step != step)
        self._change(replace(self.state, skips=(*kept, Skip(step, reason))), advance=True)

    def no_loss(self, number: int) -> None:
        """Record that a tooth shows no radiographic loss, and go on to the next tooth."""
        sound = (*(n for n in self.state.sound if n != number), number)
        self._change(replace(self.state, sound=sound), advance=True)

    def go(self, offset: int) -> None:
        """Step backward or forward through the round; nothing is changed."""
        steps = self.state.steps
        if not steps:
            return
        cursor = self.state.cursor
        at = steps.index(cursor) if cursor in steps else (len(steps) if offset < 0 else -1)
        self.go_to(steps[min(max(at + offset, 0), len(steps) - 1)])

    def go_to(self, step: Step | None) -> None:
        """Ask for this step now; nothing is changed."""
        self.state = replace(self.state, cursor=step)

    def go_to_tooth(self, number: int) -> None:
        """Ask for the first open step of a tooth, or its first step.

        Raises
        ------
        InputRefused
            If the species has no such tooth.
        """
        if number not in dict(self.state.roots):
            self.choose_teeth([*dict(self.state.roots), number])
        steps = [s for s in self.state.steps if s.tooth == number]
        self.go_to(next((s for s in steps if self.state.open(s)), steps[0]))

    def undo(self) -> bool:
        """Take the last action back; whether there was one."""
        if not self._past:
            return False
        self._future.append(self.state)
        self.state = self._past.pop()
        return True

    def withdraw(self) -> None:
        """Take the last action back for good: it was refused, and costs no redo."""
        if self._past:
            self.state = self._past.pop()
            self._future = self._dropped

    def redo(self) -> bool:
        """Do again what was taken back; whether there was anything."""
        if not self._future:
            return False
        self._past.append(self.state)
        self.state = self._future.pop()
        return True
