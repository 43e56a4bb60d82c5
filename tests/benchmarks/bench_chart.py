"""Keystrokes and time to chart a full mouth; a plain script, not collected.

The mouth is invented: a share of its teeth is abnormal, each with six depths, gingivitis, and at
random recession, furcation (where the tooth can have one), mobility, a finding and a decision.
Every other tooth gets the one explicit entry 'probed, within normal' with its gingivitis. Every
character, Enter and Shift counts as one keystroke. Seconds at the keyboard are an estimate: 0.2 s a
keystroke (keystroke-level model, average typist; from memory), nobody was timed.
"""

from __future__ import annotations

import argparse
import random
import time
from dataclasses import dataclass

from perioview.chart_entry import entered, started
from perioview.teeth import Tooth, teeth

SHIFTED = set('~!@#$%^&*()_+{}|:"<>?ABCDEFGHIJKLMNOPQRSTUVWXYZ')
SECONDS_A_KEY = 0.2


@dataclass(frozen=True)
class Result:
    """What charting one mouth took."""

    teeth: int
    abnormal: int
    keystrokes: int
    slowest_ms: float
    invented: int


def keystrokes(line: str) -> int:
    """Characters, a Shift for each shifted one, and Enter."""
    return len(line) + sum(c in SHIFTED for c in line) + 1


def abnormal_line(of: Tooth, draw: random.Random) -> str:
    """A line for a diseased tooth."""
    parts = ["".join(str(draw.randint(2, 8)) for _ in range(6)), f"g{draw.randint(1, 3)}"]
    if draw.random() < 0.5:
        parts.append("r" + "".join(str(draw.randint(0, 4)) for _ in range(6)))
    if of.may_have_furcation:
        parts.append(f"f{draw.randint(1, 3)}")
    parts.append(f"m{draw.randint(0, 3)}")
    if draw.random() < 0.3:
        parts.append("worn")
    if draw.random() < 0.5:
        parts.append("/extract")
    return " ".join(parts)


def charting(species: str, *, share: float, seed: int) -> Result:
    """Chart one invented mouth from the first tooth to the last."""
    draw = random.Random(seed)
    mouth = teeth(species)
    sick = set(draw.sample([t.number for t in mouth], max(1, round(share * len(mouth)))))
    entry = started(species, weight_kg=12.0 if species == "dog" else 4.0)
    keys, slowest = 0, 0.0
    for of in mouth:
        line = abnormal_line(of, draw) if of.number in sick else f"n{draw.randint(0, 1)}"
        keys += keystrokes(line)
        began = time.perf_counter()
        entry = entered(entry, line).entry
        slowest = max(slowest, 1000 * (time.perf_counter() - began))
    invented = sum(bool(entry.chart.probed(t.number)) for t in mouth if t.number not in sick)
    return Result(len(entry.chart.teeth()), len(sick), keys, slowest, invented)


def main() -> None:
    """Print a line per mouth."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--species", default="dog", choices=("dog", "cat"))
    parser.add_argument("--share", type=float, default=0.10, help="share of abnormal teeth")
    parser.add_argument("--mouths", type=int, default=200)
    given = parser.parse_args()
    results = [charting(given.species, share=given.share, seed=s) for s in range(given.mouths)]
    keys = sorted(r.keystrokes for r in results)
    slowest = sorted(r.slowest_ms for r in results)
    middle, high = len(keys) // 2, int(0.95 * len(keys))
    print(
        f"{given.species}, {results[0].teeth} teeth, {results[0].abnormal} abnormal, "
        f"{len(keys)} invented mouths"
    )
    print(f"keystrokes: median {keys[middle]}, 95 % {keys[high]}, most {keys[-1]}")
    print(f"at {SECONDS_A_KEY} s a key (estimate): {SECONDS_A_KEY * keys[middle]:.0f} s")
    print(
        f"program's time for the slowest line: median {slowest[middle]:.2f} ms, "
        f"most {slowest[-1]:.2f} ms; depths invented: {sum(r.invented for r in results)}"
    )


if __name__ == "__main__":
    main()
