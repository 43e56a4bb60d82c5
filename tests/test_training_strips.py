"""Strips laid over themselves for training: what moves, what stays, and where the crest is."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent / "benchmarks"))

import crest_layers

from perioview.proposals_network import LONGEST
from perioview.proposals_strip import LANES, STEP

SITES = 40


def stepped(monkeypatch: pytest.MonkeyPatch, plates: float, smeared: float):
    """Strips of one sharp margin at 6 mm beside a root of even grey, laid over themselves."""
    monkeypatch.setattr(crest_layers, "PLATES", plates)
    monkeypatch.setattr(crest_layers, "SMEARED", smeared)
    along = np.broadcast_to((STEP * np.arange(LONGEST) - 2).astype(np.float32), (SITES, LONGEST))
    truth = np.full(SITES, 6, np.float32)
    grey = np.where(along[..., None] > 6, 0.8, 0.1) * (LANES > 0) + 0.9 * (LANES <= 0)
    grey = grey.astype(np.float32)
    known = np.ones(grey.shape, bool)
    cej = np.where(np.arange(SITES) == 0, np.nan, 0).astype(np.float32)
    length, n = np.full(SITES, 14, np.float32), np.full(SITES, LONGEST)
    found, moved = crest_layers.laid_over(
        np.random.default_rng(3), grey, known, along, truth, length, cej, n, np.arange(SITES)
    )
    return along[0], grey, found, moved


def margins(along: np.ndarray, grey: np.ndarray) -> np.ndarray:
    """Places where the outermost lane's grey rises."""
    line = grey[:, -1]
    return along[1:][np.diff(line) > 0.02]


def test_the_crest_is_the_more_apical_of_two_margins(monkeypatch):
    along, grey, found, moved = stepped(monkeypatch, 1, 0)
    ways = set()
    for i in range(1, SITES):
        places = margins(along, found[i])
        assert places[-1] == pytest.approx(moved[i], abs=2 * STEP)
        assert places[-1] - places[0] > 0.1
        # One of them is the margin that was there; bone keeps its grey far from both.
        assert min(abs(places - 6)) <= 2 * STEP
        assert found[i, -1, -1] == pytest.approx(0.8, abs=1e-5)
        ways.add(bool(moved[i] > 6.05))
    assert ways == {True, False}
    # A furcation's roof is tooth: it must not be doubled.
    np.testing.assert_array_equal(found[0], grey[0])
    assert moved[0] == 6


def test_a_slanting_beam_smears_the_margin_coronally(monkeypatch):
    along, _, found, moved = stepped(monkeypatch, 0, 1)
    assert (moved == 6).all()
    for i in range(1, SITES):
        places = margins(along, found[i])
        assert places.max() == pytest.approx(6, abs=2 * STEP)
        assert 0.15 < 6 - places.min() < 2.5


def test_nothing_changes_where_no_image_is_chosen(monkeypatch):
    _, grey, found, moved = stepped(monkeypatch, 0, 0)
    np.testing.assert_array_equal(found, grey)
    assert (moved == 6).all()
