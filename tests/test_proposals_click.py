"""CEJ and apex from one click: against phantoms of known landmarks, and what must be refused."""

from __future__ import annotations

import math
import sys
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parent / "benchmarks"))

from click_sites import RootSite, root_sites
from phantoms.painted import painted_phantom
from phantoms.scene import Phantom

from perioview.calibration import Calibration
from perioview.errors import InputRefused
from perioview.image import Image
from perioview.marks import Mark, Marks
from perioview.proposals import Proposal
from perioview.proposals_click import root_proposals, tooth_proposals
from perioview.proposals_click_network import logits, networks
from perioview.proposals_click_sides import mesial_way, own_sides
from perioview.teeth import tooth

UNKNOWN = Calibration(None, None, None, "none", (), 1.0)


@cache
def painted(seed: int) -> Phantom:
    """Generator C: the network never saw one of these."""
    return painted_phantom(seed)


def clicked(
    phantom: Phantom, site: RootSite, image: Image | None = None, **how: object
) -> tuple[Proposal, ...]:
    at = (site.neck + site.apex) / 2 / np.array(phantom.calibration.pitch)
    return root_proposals(
        image or phantom.image,
        (float(at[0]), float(at[1])),
        site.tooth,
        site.root,
        how.pop("calibration", phantom.calibration),  # type: ignore[arg-type]
        "dog",
        **how,  # type: ignore[arg-type]
    )


def misses_mm(
    phantom: Phantom, site: RootSite, found: tuple[Proposal, ...]
) -> list[tuple[float, float]]:
    """Distance of each proposal from its mark, and its confidence; a CEJ from the nearer one."""
    pitch = np.array(phantom.calibration.pitch)
    out = []
    for p in found:
        goals = [site.apex] if p.landmark == "apex" else list(site.cej.values())
        at = np.array([p.row, p.col]) * pitch
        out.append((min(float(np.hypot(*(at - g))) for g in goals), p.confidence))
    return out


def mesial(site: RootSite) -> str:
    return "left" if site.crest["mesial"][1] < site.crest["distal"][1] else "right"


def test_sure_proposals_of_unseen_phantoms_lie_near_the_marks() -> None:
    # Few phantoms keep the suite short; bench_click.py has the figures.
    rows = []
    for seed in range(6):
        phantom = painted(seed)
        for site in root_sites(phantom):
            rows += misses_mm(phantom, site, clicked(phantom, site, mesial=mesial(site)))
    errors, confidence = np.array(rows).T
    sure = confidence >= 0.8
    assert sure.mean() > 0.7
    assert (errors[sure] > 1).mean() <= 0.05
    assert np.median(errors[sure]) < 0.5


def site_of(phantom: Phantom, **which: object) -> RootSite:
    sites = root_sites(phantom)
    return next(s for s in sites if all(getattr(s, k) == v for k, v in which.items()))


def single() -> tuple[Phantom, RootSite]:
    return next(
        (painted(seed), site)
        for seed in range(40)
        for site in root_sites(painted(seed))
        if site.root == "single"
    )


def apart_mm(a: tuple[Proposal, ...], b: tuple[Proposal, ...], mm: float) -> float:
    assert [(p.landmark, p.side) for p in a] == [(p.landmark, p.side) for p in b]
    return max(mm * math.hypot(p.row - q.row, p.col - q.col) for p, q in zip(a, b, strict=True))


def test_inverted_grey_changes_nothing() -> None:
    phantom, site = single()
    image = phantom.image
    turned = replace(image, pixels=255 - image.pixels, inverted=not image.inverted)
    both = clicked(phantom, site), clicked(phantom, site, turned)
    assert both[0]
    assert apart_mm(*both, phantom.calibration.pitch[0]) < 1e-3
    assert [p.flags for p in both[0]] == [p.flags for p in both[1]]


@pytest.mark.parametrize("turns", [1, 2, 3])
def test_a_turned_image_gives_the_turned_marks(turns: int) -> None:
    # Neither jaw nor orientation may be assumed: files come in every one of them.
    phantom, site = single()
    straight = clicked(phantom, site)
    rows, cols = phantom.image.pixels.shape
    image = replace(
        phantom.image, pixels=np.ascontiguousarray(np.rot90(phantom.image.pixels, turns))
    )

    def there(r: float, c: float) -> tuple[float, float]:
        return {1: (cols - 1 - c, r), 2: (rows - 1 - r, cols - 1 - c), 3: (c, rows - 1 - r)}[turns]

    at = (site.neck + site.apex) / 2 / np.array(phantom.calibration.pitch)
    turned = root_proposals(image, there(*at), site.tooth, site.root, phantom.calibration, "dog")
    mm = phantom.calibration.pitch[0]
    wanted = [there(p.row, p.col) for p in straight]
    assert len(turned) == len(straight) == 3
    for p in turned:
        assert min(math.hypot(p.row - r, p.col - c) for r, c in wanted) * mm < 0.3


def test_nothing_sure_on_grey_noise() -> None:
    noise = np.random.default_rng(0).normal(2000, 300, (500, 500))
    image = replace(painted(0).image, pixels=noise)
    found = root_proposals(image, (250, 250), 404, "single", painted(0).calibration, "dog")
    assert all(p.confidence < 0.8 and "low_confidence" in p.flags for p in found)


def test_an_even_image_has_no_proposals() -> None:
    image = replace(painted(0).image, pixels=np.zeros((300, 300)))
    found = root_proposals(image, (150, 150), 404, "single", painted(0).calibration, "dog")
    assert all(p.confidence < 0.8 for p in found)


def test_an_apex_outside_the_image_is_not_sure() -> None:
    sure = 0
    for seed in range(4):
        phantom = painted(seed)
        pitch = np.array(phantom.calibration.pitch)
        for site in root_sites(phantom):
            # The film ends two thirds down the root, at right angles to the rows' nearest edge.
            cut = (site.neck + 0.65 * (site.apex - site.neck)) / pitch
            down = site.axis[0] > 0
            part = slice(0, int(cut[0])) if down else slice(int(cut[0]), None)
            image = replace(phantom.image, pixels=phantom.image.pixels[part])
            at = (site.neck + 0.4 * (site.apex - site.neck)) / pitch
            row = float(at[0]) - (0 if down else int(cut[0]))
            found = root_proposals(
                image, (row, float(at[1])), site.tooth, site.root, phantom.calibration, "dog"
            )
            sure += sum(p.confidence >= 0.8 for p in found if p.landmark == "apex")
    assert sure <= 1


def test_without_a_scale_there_are_no_millimetres() -> None:
    phantom, site = single()
    found = clicked(phantom, site, calibration=UNKNOWN)
    assert all("no_scale" in p.flags and math.isnan(p.sd_mm) for p in found)
    scaled = clicked(phantom, site)
    assert all("no_scale" not in p.flags and p.sd_mm > 0 for p in scaled)


def test_mesial_told_names_the_sides() -> None:
    phantom, site = single()
    left, right = clicked(phantom, site, mesial="left"), clicked(phantom, site, mesial="right")
    col = {(way, p.side): p.col for way, ps in (("l", left), ("r", right)) for p in ps}
    assert col["l", "mesial"] < col["l", "distal"]
    assert col["r", "mesial"] > col["r", "distal"]
    assert not any("side_assumed" in p.flags for p in (*left, *right))


def test_sides_are_assumed_aloud_or_known_from_other_teeth() -> None:
    phantom, site = single()
    alone = clicked(phantom, site)
    assert all(("side_assumed" in p.flags) == (p.landmark == "cej") for p in alone)
    # A tooth of a lower number lies mesial: common knowledge of the trade, no source.
    at = (site.neck + site.apex) / 2 / np.array(phantom.calibration.pitch)
    other = Marks((Mark("apex", float(at[0]), float(at[1]) + 200, site.tooth - 1, "single"),))
    found = clicked(phantom, site, marks=other)
    col = {p.side: p.col for p in found}
    assert col["mesial"] > col["distal"]
    assert not any("side_assumed" in p.flags for p in found)


@pytest.mark.parametrize(
    ("number", "root", "species", "sides"),
    [
        (304, "single", "dog", ("mesial", "distal")),
        (309, "mesial", "dog", ("mesial",)),
        (309, "distal", "dog", ("distal",)),
        (109, "mesiobuccal", "dog", ("mesial",)),
        (109, "distobuccal", "dog", ("distal",)),
        (109, "palatal", "dog", ()),
        (108, "mesiopalatal", "dog", ()),
    ],
)
def test_only_outer_sides_have_a_cej_of_their_own(
    number: int, root: str, species: str, sides: tuple[str, ...]
) -> None:
    assert own_sides(number, root, species, Marks()) == sides


@pytest.mark.parametrize(
    ("marked", "clicked_tooth", "toward"),
    [
        (308, 307, -1.0),  # a higher number lies distal
        (306, 307, 1.0),
        (401, 301, 1.0),  # past the midline lies mesial
        (101, 401, None),  # the same place in the other jaw tells nothing
    ],
)
def test_way_from_other_teeth(marked: int, clicked_tooth: int, toward: float | None) -> None:
    marks = Marks((Mark("apex", 0.0, 100.0, marked, "mesial"),))
    way = mesial_way(marks, tooth(clicked_tooth, "dog"), "distal", np.zeros(2), np.ones(2))
    assert (way is None) if toward is None else (way is not None and way[1] * toward > 0)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"click": (-5.0, 10.0)}, "outside the image"),
        ({"click": (10.0, 1e6)}, "outside the image"),
        ({"click": (math.nan, 10.0)}, "outside the image"),
        ({"tooth": 999}, "no tooth 999"),
        ({"root": "palatal"}, "no palatal root"),
        ({"species": "horse"}, "horse"),
        ({"mesial": "up"}, "left or right"),
    ],
)
def test_what_cannot_be_is_refused(change: dict[str, object], said: str) -> None:
    phantom = painted(0)
    asked: dict[str, object] = {
        "click": (50.0, 50.0),
        "tooth": 404,
        "root": "single",
        "species": "dog",
    }
    with pytest.raises(InputRefused, match=said):
        root_proposals(phantom.image, calibration=phantom.calibration, **{**asked, **change})  # type: ignore[arg-type]


def test_numpy_convolutions_against_scipy() -> None:
    # scipy.ndimage.correlate is the outside check of our strided and dilated convolutions.
    from scipy import ndimage

    from perioview.proposals_click_network import convolved

    rng = np.random.default_rng(0)
    x = rng.normal(size=(1, 12, 8, 3)).astype(np.float32)
    w = rng.normal(size=(3, 3, 3, 2)).astype(np.float32)
    for dilation in (1, 2):
        kernel = np.zeros((2 * dilation + 1, 2 * dilation + 1, 3, 2), np.float32)
        kernel[::dilation, ::dilation] = w
        wanted = np.stack(
            [
                sum(
                    ndimage.correlate(x[0, ..., k], kernel[..., k, m], mode="constant")
                    for k in range(3)
                )
                for m in range(2)
            ],
            axis=-1,
        )
        assert np.allclose(convolved(x, w, 1, dilation)[0], wanted, atol=1e-4)
    assert np.allclose(convolved(x, w, 2)[0], convolved(x, w)[0][1::2, 1::2], atol=1e-4)
    at, absent = logits(np.zeros((1, 80, 32, 15), np.float32), networks()[0][0])
    assert at.shape == (1, 3, 160, 64)
    assert absent.shape == (1, 3)


def two_rooted() -> list[tuple[Phantom, list[RootSite]]]:
    found = []
    for seed in range(12):
        every = list(root_sites(painted(seed)))
        for number in dict.fromkeys(s.tooth for s in every):
            own = [s for s in every if s.tooth == number]
            if len(own) == 2:
                found.append((painted(seed), own))
    return found[:6]


def test_one_click_on_either_root_finds_both() -> None:
    misses, names = [], []
    for k, (phantom, own) in enumerate(two_rooted()):
        site = own[k % 2]
        pitch = np.array(phantom.calibration.pitch)
        found, _ = named(phantom, site, None, mesial(site))
        by_root = {s.root: s for s in own}
        for p in found:
            goal = by_root[p.root].apex if p.landmark == "apex" else by_root[p.root].cej[p.side]
            misses.append(float(np.hypot(*(np.array([p.row, p.col]) * pitch - goal))))
            names.append((p.root, p.side))
            assert p.side in ("", p.root)
    assert len(misses) >= 20  # of 24: two CEJs and two apices of six teeth
    assert np.median(misses) < 0.5
    assert np.mean(np.array(misses) > 1) < 0.1


def named(
    phantom: Phantom, site: RootSite, asked: str | None, way: str | None
) -> tuple[tuple[Proposal, ...], list[Proposal]]:
    """All that a click on a root brings, and of it the apices that lie where that root's does."""
    pitch = np.array(phantom.calibration.pitch)
    at = (site.neck + site.apex) / 2 / pitch
    found = tooth_proposals(
        phantom.image,
        (float(at[0]), float(at[1])),
        site.tooth,
        ("mesial", "distal"),
        phantom.calibration,
        "dog",
        mesial=way,
        asked=asked,
    )
    apices = [p for p in found if p.landmark == "apex"]
    here = [p for p in apices if np.hypot(*(np.array([p.row, p.col]) * pitch - site.apex)) < 1]
    return found, here


def test_the_root_that_was_asked_for_is_the_one_that_is_named() -> None:
    phantom, own = two_rooted()[0]
    for site, other in (own, own[::-1]):
        way = mesial(site)
        # Asked and way known: as the image alone has it.
        found, here = named(phantom, site, site.root, way)
        assert found == named(phantom, site, None, way)[0]
        assert [p.root for p in here] == [site.root]
        # The other root was asked for: what is clicked is never surely that one.
        assert not [p for p in named(phantom, site, other.root, way)[1] if p.confidence >= 0.8]
        # Nothing else tells the way: the root that was asked for does, and is believed,
        # but said to be assumed where it is the other one on a film mounted as usual.
        flagged = []
        for asked in (site.root, other.root):
            found, here = named(phantom, site, asked, None)
            assert {p.root for p in here} == {asked}
            flagged.append(all("side_assumed" in p.flags for p in found))
        assert sorted(flagged) == [False, True]


def test_a_tooth_whose_sides_are_assumed_says_so_of_every_mark() -> None:
    phantom, own = two_rooted()[0]
    at = (own[0].neck + own[0].apex) / 2 / np.array(phantom.calibration.pitch)
    found = tooth_proposals(
        phantom.image,
        (float(at[0]), float(at[1])),
        own[0].tooth,
        ("mesial", "distal"),
        phantom.calibration,
        "dog",
    )
    assert found
    assert all("side_assumed" in p.flags for p in found)


def test_a_tooth_of_one_root_is_that_root() -> None:
    phantom, site = single()
    at = (site.neck + site.apex) / 2 / np.array(phantom.calibration.pitch)
    found = tooth_proposals(
        phantom.image,
        (float(at[0]), float(at[1])),
        site.tooth,
        ("single",),
        phantom.calibration,
        "dog",
    )
    assert found == clicked(phantom, site)
    with pytest.raises(InputRefused, match="CEJ of its own"):
        tooth_proposals(phantom.image, (9.0, 9.0), 109, ("palatal",), phantom.calibration, "dog")


def test_a_root_behind_others_is_never_sure() -> None:
    phantom, site = single()
    at = (site.neck + site.apex) / 2 / np.array(phantom.calibration.pitch)
    found = root_proposals(
        phantom.image, (float(at[0]), float(at[1])), 109, "palatal", phantom.calibration, "dog"
    )
    assert [p.landmark for p in found] in ([], ["apex"])
    assert all(p.confidence < 0.8 for p in found)


def test_wrong_polarity_is_noticed() -> None:
    phantom, site = single()
    lying = replace(phantom.image, inverted=not phantom.image.inverted)
    found = clicked(phantom, site, lying)
    told = [p for p in found if "polarity_reversed" in p.flags]
    assert told == list(found) or all(p.confidence < 0.8 for p in found)


def test_pixels_need_not_be_square() -> None:
    phantom, site = single()
    straight = clicked(phantom, site)
    mm = phantom.calibration.pitch[0]
    image = replace(phantom.image, pixels=np.repeat(phantom.image.pixels, 2, axis=0))
    at = (site.neck + site.apex) / 2 / mm
    scale = replace(phantom.calibration, row_mm=mm / 2, ratio=0.5)
    found = root_proposals(
        image, (2 * float(at[0]) + 0.5, float(at[1])), site.tooth, site.root, scale, "dog"
    )
    assert len(found) == len(straight)
    for p, q in zip(found, straight, strict=True):
        assert math.hypot((p.row - 0.5) / 2 - q.row, p.col - q.col) * mm < 0.1


def test_a_click_beside_every_root_leads_to_nothing_sure() -> None:
    # Apical to the roots there is bone alone; what is found from there is not where the click is.
    sure = 0
    for seed in range(2):
        phantom = painted(seed)
        pitch = np.array(phantom.calibration.pitch)
        for site in root_sites(phantom):
            r, c = (site.apex + 1.5 * site.axis) / pitch
            if not (0 <= r < phantom.image.rows and 0 <= c < phantom.image.cols):
                continue
            found = root_proposals(
                phantom.image, (r, c), site.tooth, site.root, phantom.calibration, "dog"
            )
            sure += sum(p.confidence >= 0.8 for p in found)
    assert sure == 0


def test_no_apex_is_surer_than_its_spread_allows() -> None:
    # Chebyshev's inequality for 0.8 mm, from the proposal's own SD: at most 1 - (sd / 0.8)^2.
    bounds = []
    for seed in range(3):
        phantom = painted(seed)
        for site in root_sites(phantom):
            for p in clicked(phantom, site, mesial=mesial(site)):
                if p.landmark == "apex":
                    bounds.append(1 - ((p.sd_mm or 9) / 0.8) ** 2)
                    assert p.confidence <= max(bounds[-1], 0) + 1e-9
    assert min(bounds) < 0.8 < max(bounds)  # of both kinds, or nothing was tested


def test_the_samples_long_canine_is_found_from_one_click() -> None:
    from perioview.calibration import calibration
    from perioview.files.reading import read_image
    from perioview.files.samples import sample_visits
    from perioview.files.tables import read_marks

    folder = next(v for v in sample_visits() if v.name == "toy-dog-cleaning")
    image = read_image(folder / "images" / "right-lower-canine.dcm")
    marks = read_marks(
        folder / "marks" / "right-lower-canine.dcm.csv",
        species="dog",
        rows=image.rows,
        cols=image.cols,
    )
    scale = calibration(image)
    apex = next(m for m in marks if m.landmark == "apex")
    cej = np.mean([(m.row, m.col) for m in marks.of(landmark="cej")], axis=0)
    at = cej + 0.3 * (np.array([apex.row, apex.col]) - cej)
    found = root_proposals(image, (float(at[0]), float(at[1])), 404, "single", scale, "dog")
    assert {(p.landmark, p.side) for p in found} == {
        ("cej", "mesial"),
        ("cej", "distal"),
        ("apex", ""),
    }
    for p in found:
        goals = [m for m in marks.of(landmark=p.landmark)]
        off = [np.hypot(p.row - m.row, p.col - m.col) * scale.pitch[0] for m in goals]
        assert min(off) < 0.5
