"""The two judging generators: same by seed, plausible, and true by an independent route.

Anatomical bounds are common practice from memory except where a source stands beside them.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from tests.phantoms import profile_film
from tests.phantoms.film_beam import APATITE, SHARE, WATER, exposure
from tests.phantoms.film_bone import bone_share, slab_mineral
from tests.phantoms.film_scene import Scene, scene_drawn
from tests.phantoms.film_teeth import Root, Tooth
from tests.phantoms.film_truth import WIDE, crest
from tests.plaque_phantoms import glazed_mouth
from tests.plaque_phantoms.mouth_optics import NM, Seen, black_body

SEEDS = (3, 6)
# mm on the film, junction to apex; from memory: feline incisors some 6, canine teeth of large
# dogs up to 30, and a film lengthens or shortens by up to 44 % (facts.md 4a, foreshortening).
ROOT_MM = (6 * 0.56, 30 * 1.44)


@pytest.fixture(scope="module")
def films():
    return {seed: profile_film.film_phantom(seed) for seed in SEEDS}


def test_film_repeats_by_seed(films):
    again = profile_film.film_phantom(SEEDS[0])
    first = films[SEEDS[0]]
    assert np.array_equal(again.image.pixels, first.image.pixels)
    assert (again.truth, tuple(again.marks)) == (first.truth, tuple(first.marks))
    assert films[SEEDS[1]].image.pixels.shape != first.image.pixels.shape


def test_marks_and_truth_of_films_are_plausible(films):
    sites = 0
    for film in films.values():
        rows, cols = film.image.pixels.shape
        pitch = film.calibration.col_mm
        assert 0.03 <= pitch <= 0.06
        assert rows * pitch <= 57 and cols * pitch <= 76  # ISO 3665 size 4, facts.md 4b
        at = {(m.landmark, m.tooth, m.root, m.side): np.array((m.row, m.col)) for m in film.marks}
        apices = {key[1:3]: spot for key, spot in at.items() if key[0] == "apex"}
        for (tooth, root, side), truth in film.truth.items():
            sites += 1
            assert 0 <= truth[0] <= rows - 1 and 0 <= truth[1] <= cols - 1
            apex = apices[tooth, root]
            ends = [s for k, s in at.items() if k[0] == "cej" and k[1] == tooth and k[2] == root]
            down = np.mean(ends, axis=0)
            length = np.linalg.norm(apex - down) * pitch
            assert ROOT_MM[0] * 0.5 < length < ROOT_MM[1]  # half: toy breeds, drawn at 0.5
            share = (np.array(truth) - down) @ (apex - down) / ((apex - down) @ (apex - down))
            assert -0.2 < share < 1.1, (tooth, root, side)
            # The upper jaw's apices lie above its crowns on the film, the lower jaw's below.
            assert np.sign(apex[0] - down[0]) == (-1 if tooth < 300 else 1)
        assert set(film.traits) == set(film.truth)
    assert sites > 8


def _brute_crest(scene: Scene, film, tooth: Tooth, root: Root, side: str) -> float:
    """Walk up the drawn slabs row by row to where bone stops meeting the ligament space.

    Uses the painted densities and the film's homographies, not the margins' curves nor the
    ray-plane projection that make the truth. Returns mm along the root on the film.
    """
    jaw, grid = scene.jaw, scene.grid
    solid = [replace(t, pulp=1e-3) for t in scene.teeth]
    deep = tooth.placed(root.x0, 0, 0)[1]
    hard = slab_mineral(solid, jaw, grid, deep, [])[0] > 0.6
    way = tooth.sense * (1 if side == "distal" else -1)
    ends = np.array(
        [tooth.placed(root.x0, 0, 0), tooth.placed(float(root.centre(1.0)), 0, root.length)]
    )
    neck, apex = film.pixel(ends)
    u = (apex - neck) / np.linalg.norm(apex - neck)
    found = []
    for y in (-jaw.margin_y, jaw.margin_y):
        share = bone_share(jaw, grid, float(y))[0]
        best = None
        start = np.searchsorted(grid.z, tooth.placed(0, 0, 0.93 * root.length)[2])
        for row in range(int(start), int(np.searchsorted(grid.z, tooth.z - 3)), -1):
            zl = float(grid.z[row]) - tooth.z
            x = tooth.placed(float(root.centre(zl / root.length)), 0, zl)[0]
            col = int(np.searchsorted(grid.x, x))
            if not hard[row, col]:
                continue
            while hard[row, col]:
                col += way
            col += way * round(WIDE * jaw.ligament / grid.pitch)
            if share[row, col] < 0.5:
                break
            best = (col, row)
        assert best is not None
        to_film = film.slab_map(float(grid.x[0]), float(grid.z[0]), grid.pitch, y)
        spot = cv2.perspectiveTransform(np.array([[best]], dtype=np.float64), to_film)[0, 0]
        found.append((spot[::-1] - neck) @ u)
    return float(max(found)) * film.pitch


def test_film_truth_agrees_with_a_walk_through_the_drawn_volume():
    off = []
    for seed in (2, 14):
        scene = scene_drawn(seed)
        film = profile_film._film(np.random.default_rng([seed, 90217]), scene)
        tooth = scene.teeth[scene.marked.index(True)]
        for root in tooth.roots:
            ends = [
                tooth.placed(root.x0, 0, 0),
                tooth.placed(float(root.centre(1.0)), 0, root.length),
            ]
            neck, apex = film.pixel(np.array(ends))
            u = (apex - neck) / np.linalg.norm(apex - neck)
            for side in ("mesial", "distal"):
                points, traits = profile_film.site_margins(scene, tooth, root, side)
                if "furcal" not in traits:
                    truth = crest(points, (neck, apex), film)[0]
                    along = float((truth - neck) @ u) * film.pitch
                    off.append(along - _brute_crest(scene, film, tooth, root, side))
    assert len(off) >= 3
    # The walk's own steps are 0.06 mm and its ligament is measured along rows, not square to them.
    assert np.median(np.abs(off)) < 0.1 and np.max(np.abs(off)) < 0.3, off


def test_healthy_furcal_truth_lies_where_bone_begins_under_the_roof():
    """Bone a little apical of the truth, none a little coronal, in the drawn slab itself."""
    scene = next(
        s for s in map(scene_drawn, range(2, 60)) if s.state == "healthy" and "cheek" in s.view
    )
    tooth = scene.teeth[scene.marked.index(True)]
    grid = scene.grid
    for root, side in zip(tooth.roots, ("distal", "mesial"), strict=True):
        points, traits = profile_film.site_margins(scene, tooth, root, side)
        assert "furcal" in traits
        x, y, z = max(points, key=lambda p: p[2])
        share = slab_mineral(scene.teeth, scene.jaw, grid, y, [])[1]
        col = int(np.searchsorted(grid.x, x))
        bone = [share[int(np.searchsorted(grid.z, z + d)), col] for d in (-0.3, 0.3)]
        assert bone[0] < 0.5 < bone[1], (root.name, bone)
        # Roofs of carnivores' furcations: a few mm below the junction (from memory).
        assert 0.5 < z - tooth.z < 6


def test_two_plates_are_named_where_margins_project_apart():
    scene = scene_drawn(2)
    tooth = scene.teeth[scene.marked.index(True)]
    root = tooth.roots[0]
    flat = np.full_like(scene.jaw.knots, tooth.z + 2.0)
    jaw = replace(scene.jaw, buccal=flat, lingual=flat, ligament=0.2)
    level = replace(scene, jaw=jaw)
    ends = np.array(
        [tooth.placed(root.x0, 0, 0), tooth.placed(float(root.centre(1.0)), 0, root.length)]
    )
    for degrees in (0.0, 12.0):
        film = profile_film.camera(
            distance=1e5, gap=8.0, beam=np.radians(degrees), sideways=0.0, plate=0.0, roll=0.0
        )
        film = replace(film, pitch=0.05)
        points, _ = profile_film.site_margins(level, tooth, root, "mesial")
        axis = film.pixel(ends)
        apart = crest(points, (axis[0], axis[1]), film)[1]
        # Far source, upright plate: margins 2 margin_y apart shift by tan(beam) between them.
        slant = abs(axis[1][0] - axis[0][0]) / np.linalg.norm(axis[1] - axis[0])
        expected = 2 * jaw.margin_y * np.tan(np.radians(degrees)) * slant
        assert apart == pytest.approx(expected, abs=0.06)


def test_exposure_is_beer_and_lambert_over_the_five_energies():
    arrives = exposure(np.array([[0.8]], np.float32), np.array([[1.5]], np.float32))[0, 0]
    by_hand = sum(
        s * np.exp(-h * 0.8) * np.exp(-w * 1.5)
        for s, h, w in zip(SHARE, APATITE, WATER, strict=True)
    )
    assert arrives == pytest.approx(by_hand, rel=1e-5)
    assert SHARE.sum() == pytest.approx(1)
    # Water at 40 keV: 0.2683 cm2/g (tables of photon attenuation, from memory).
    assert WATER[2] == pytest.approx(0.2683, abs=0.002)


def test_sunk_margin_shows_in_the_shadow_where_the_truth_says():
    """A level ridge seen edge-on: mineral rises at the row onto which the margin falls."""
    scene = scene_drawn(2)
    tooth = max(scene.teeth, key=lambda t: len(t.roots))
    flat = np.full_like(scene.jaw.knots, 3.0)
    jaw = replace(scene.jaw, buccal=flat, lingual=flat, dome=0 * flat, bevel=0.05)
    bare = replace(scene, jaw=jaw, teeth=[], spurs=[])
    film = profile_film.camera(distance=300.0, gap=8.0, beam=0.0, sideways=0.0, plate=0.0, roll=0.0)
    shift = np.array([tooth.x, 0.0, 3.0])
    film = replace(film, source=film.source + shift, origin=film.origin + shift, pitch=0.05)
    film = replace(film, u0=-4.0, v0=-4.0)
    shadow = profile_film.mineral_shadow(bare, film, (160, 160))
    line = shadow[:, 60:100].mean(axis=1)
    margin = film.pixel(np.array([[tooth.x, 0.0, 3.0]]))[0, 0]
    rise = np.interp(0.5 * np.median(line[100:]), line[40:110], np.arange(40, 110))
    assert rise == pytest.approx(margin, abs=3)  # 0.15 mm: compact rim and drawn cell widths


@pytest.mark.parametrize("dye", ["one-tone", "two-tone"])
def test_photo_repeats_by_seed_and_its_maps_fit(dye):
    photo, again = (glazed_mouth.scene(11, dye=dye, teeth=4, size=80) for _ in range(2))
    other = glazed_mouth.scene(12, dye=dye, teeth=4, size=80)
    assert np.array_equal(photo.rgb, again.rgb) and np.array_equal(photo.density, again.density)
    assert photo.rgb.shape != other.rgb.shape or not np.array_equal(photo.rgb, other.rgb)
    for part in (photo.stained, photo.density, photo.glare, photo.brown, photo.regions):
        assert part.shape == photo.rgb.shape[:2]
    assert not photo.stained[photo.regions == 0].any()
    assert np.array_equal(photo.stained, photo.density > 0.15)  # interfaces.md, JSON of plaque
    assert np.array_equal(photo.older | photo.newer, photo.stained)
    assert not (photo.older & photo.newer).any() and (dye == "two-tone" or not photo.older.any())
    assert set(np.unique(photo.regions)) - {0} == set(photo.kinds)


def test_gum_side_is_where_reddish_tissue_lies():
    for seed in range(20, 24):
        photo = glazed_mouth.scene(seed, case="clean", teeth=4, size=70, tartar=0.0, glare=0.0)
        band = {"up": np.s_[:8], "down": np.s_[-8:], "left": np.s_[:, :8], "right": np.s_[:, -8:]}[
            photo.gum
        ]
        assert not photo.regions[band].any()
        near = photo.rgb[band].reshape(-1, 3).mean(axis=0)
        assert near[0] > near[1] + 12, (seed, photo.gum, near)


def test_clean_and_all_mouths_are_what_they_say():
    clean = glazed_mouth.scene(7, case="clean", teeth=4, size=80)
    full = glazed_mouth.scene(7, case="all", teeth=4, size=80)
    assert not clean.stained.any()
    assert np.mean(full.stained[full.regions > 0]) > 0.75
    assert glazed_mouth.scene(7, case="tartar", teeth=4, size=80).brown.max() > 0.5


def test_photo_density_is_what_the_photo_shows_without_gloss_noise_and_compression():
    """Two photos alike but for the film: their own linear light gives back the density."""
    keys = {"teeth": 4, "size": 90, "glare": 0.0, "noise": 0.0, "blur": 0.0, "jpeg": 0}
    keys |= {"exposure": 0.8, "tartar": 0.0}
    clean, dyed = (
        glazed_mouth.scene(9, kinds=dict.fromkeys(range(4), k), case="mixed", **keys)
        for k in ("clean", "all")
    )
    assert np.array_equal(clean.regions, dyed.regions) and not clean.stained.any()
    before, after = (_linear(p.rgb)[..., 1] for p in (clean, dyed))
    inner = cv2.erode((dyed.regions > 0).astype(np.uint8), np.ones((9, 9))) > 0
    inner &= (dyed.density > 0.1) & (dyed.density < 0.6) & (after > 0.01)
    shown = np.log10(before[inner] / after[inner])
    true = dyed.density[inner] - np.median(clean.density[inner])
    assert inner.sum() > 300
    # The tone curve and the room's light stay in the photo: close, not equal.
    assert np.corrcoef(shown, true)[0, 1] > 0.9
    assert 0.85 < np.median(shown / true) < 1.2


def _linear(rgb):
    share = rgb.astype(float) / 255
    return np.where(share <= 0.04045, share / 12.92, ((share + 0.055) / 1.055) ** 2.4)


def test_density_by_hand_of_a_grey_film():
    """A film that takes half of every wavelength has density log10(2) in any channel."""
    seen = Seen(
        black_body(5600), np.stack([np.exp(-(((NM - c) / 40) ** 2)) for c in (600, 540, 460)])
    )
    clean = np.full((1, len(NM)), 0.6)
    found = glazed_mouth.densities(clean, clean / 2, seen, np.eye(3))
    assert found == pytest.approx(np.full((1, 3), np.log10(2)), abs=1e-6)
