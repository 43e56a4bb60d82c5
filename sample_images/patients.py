"""The invented patients: their teeth, their bone, and how each film was laid."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from anatomy import Defect, Probe, Scene, Tooth, changed
from crowns import carnassial, single, two_rooted
from film import Film


@dataclass(frozen=True, slots=True)
class Radiograph:
    """One film of one visit, and how it is stored."""

    path: str
    scene: Scene
    film: Film
    view: str
    storage: str = "explicit"
    spacing: str = "imager"
    species: str = "code"
    teeth: tuple[int, ...] = field(default=())


def _bystander(tooth: Tooth) -> Tooth:
    return replace(tooth, marked=False)


# --- toy dog ------------------------------------------------------------------------------------

_TOY_LEFT_JAW = Scene(
    teeth=(
        _bystander(two_rooted(306, -11.2, 4.4, 3.2, (4.6, 4.8), 1.3, (0.8, 1.27, 1.27, 0.9))),
        _bystander(two_rooted(307, -5.9, 4.9, 3.6, (5.2, 5.4), 1.4, (1.0, 1.37, 1.37, 1.0))),
        two_rooted(308, -0.1, 5.6, 4.2, (6.1, 6.3), 1.6, (1.1, 1.57, 1.75, 2.0)),
        two_rooted(
            309, 8.5, 10.4, 6.6, (8.8, 8.4), 2.3, (2.6, 3.4, 3.4, 3.7),
            kind="lower carnassial", split=0.06, enamel=0.45,
        ),
        _bystander(
            two_rooted(310, 17.0, 5.2, 3.4, (5.8, 5.2), 1.5, (2.6, 1.47, 1.47, 1.0), kind="molar")
        ),
        _bystander(single(311, 21.6, 2.8, 2.0, 3.4, (0.8, 0.8), kind="molar")),
    ),
    x=(-10.0, 25.0),
    y=(-11.0, 17.0),
    bone_mm=5.2,
    seed=3091,
    upper=False,
    far_border=((-14, 9.5), (-6, 10.6), (2, 11.4), (9, 11.9), (16, 11.6), (28, 10.2)),
    gum_mm=2.0,
    recession=((-14, 0), (3, 0), (5, -0.8), (13, -0.8), (18, 0)),
)  # fmt: skip

_TOY_CANINE = Scene(
    teeth=(
        _bystander(
            single(402, -5.6, 2.0, 3.2, 6.0, (0.8, 0.9), kind="incisor", apex_x=0.4, tilt_deg=-24,
                y=-1.2)
        ),
        _bystander(
            single(403, -2.9, 2.3, 3.6, 6.6, (0.9, 1.0), kind="incisor", apex_x=0.4, tilt_deg=-24,
                y=-0.6)
        ),
        single(404, 1.6, 4.2, 8.2, 11.6, (1.3, 1.9), kind="canine", apex_x=1.7, tilt_deg=-26),
        _bystander(single(405, 9.0, 2.6, 2.4, 4.0, (0.9, 0.9))),
        _bystander(two_rooted(406, 14.0, 4.4, 3.2, (4.8, 4.8), 1.3, (0.9, 1.27, 1.27, 0.9))),
    ),
    x=(-9.5, 18.5),
    y=(-16.0, 19.5),
    bone_mm=5.0,
    seed=4041,
    upper=False,
    far_border=((-13, 4.5), (-6, 6.8), (0, 9.8), (6, 12.0), (12, 13.0), (22, 13.2)),
    gum_mm=1.9,
)  # fmt: skip

_TOY_RIGHT_MAXILLA = Scene(
    teeth=(
        _bystander(two_rooted(106, -13.6, 4.8, 3.2, (5.0, 5.0), 1.3, (1.0, 1.27, 1.27, 1.1))),
        two_rooted(107, -7.6, 5.4, 3.7, (5.8, 5.8), 1.5, (1.3, 1.9, 1.9, 2.2)),
        carnassial(108, 1.7, 10.4, 6.2, 8.4, 2.2, (3.4, 4.6, 4.6, 5.2), thickness=4.2),
        _bystander(
            two_rooted(109, 11.7, 7.2, 3.4, (5.0, 4.8), 1.6, (3.6, 2.2, 2.2, 1.2), kind="molar",
                thickness=4.2)
        ),
        _bystander(two_rooted(110, 18.2, 4.4, 2.6, (3.8, 3.6), 1.2, (1.0, 1.17, 1.17, 0.9),
            kind="molar")),
    ),
    x=(-16.5, 18.5),
    y=(-12.0, 15.5),
    bone_mm=4.6,
    seed=1081,
    upper=True,
    far_border=((-17, 8.6), (-8, 9.4), (2, 10.4), (10, 10.6), (24, 9.8)),
    gum_mm=2.0,
    recession=((-17, 0), (-4, 0), (-1, -1.0), (6, -1.0), (10, 0)),
)  # fmt: skip

_TOY_LEFT_JAW_LATER = changed(
    changed(
        changed(
            changed(_TOY_LEFT_JAW, 309, "distal", distal=4.7),
            310, "mesial", mesial=3.4,
        ),
        309, "mesial", mesial=2.6, distal=3.4,
    ),
    308, "distal", distal=2.0,
)  # fmt: skip
_TOY_CANINE_LATER = changed(_TOY_CANINE, 404, "single", distal=3.3)

# --- large dog ----------------------------------------------------------------------------------

_LARGE_CARNASSIAL = Scene(
    teeth=(
        _bystander(two_rooted(408, -18.6, 11.4, 8.0, (12.6, 12.6), 3.2, (1.6, 3.17, 3.17, 1.8))),
        two_rooted(
            409, 0.2, 22.0, 13.0, (17.5, 16.4), 4.6, (1.9, 4.57, 4.57, 2.0),
            kind="lower carnassial", split=0.06, enamel=0.7, thickness=8.6,
            defects=(Defect("mesial", "mesial", 7.6, 2.0),),
        ),
        _bystander(two_rooted(410, 17.9, 10.2, 6.4, (10.6, 9.6), 3.0, (1.6, 2.97, 2.97, 1.7),
            kind="molar")),
    ),
    x=(-22.5, 22.5),
    y=(-14.0, 23.5),
    bone_mm=9.5,
    seed=4091,
    upper=False,
    far_border=((-28, 22.4), (-10, 23.6), (6, 24.2), (28, 23.0)),
    gum_mm=2.6,
)  # fmt: skip

_LARGE_MAXILLA = Scene(
    teeth=(
        _bystander(two_rooted(207, -18.3, 12.0, 8.0, (12.4, 12.6), 3.2, (1.6, 3.17, 3.17, 1.6))),
        carnassial(208, -1.4, 19.6, 12.0, 15.5, 4.4, (1.2, 4.37, 4.37, 1.4), thickness=8.4,
            enamel=0.65),
        _bystander(
            two_rooted(209, 16.2, 13.6, 6.6, (9.2, 8.8), 3.0, (1.7, 2.97, 2.97, 1.6), kind="molar",
                thickness=8.0)
        ),
    ),
    x=(-23.5, 21.5),
    y=(-14.0, 21.5),
    bone_mm=8.0,
    seed=2081,
    upper=True,
    far_border=((-28, 17.4), (-8, 18.4), (6, 19.4), (27, 18.6)),
    gum_mm=2.8,
)  # fmt: skip

_LARGE_CANINE = Scene(
    teeth=(
        _bystander(
            single(302, -13.6, 4.4, 7.0, 13.0, (1.4, 1.5), kind="incisor", apex_x=0.8,
                tilt_deg=-22, y=-2.4)
        ),
        _bystander(
            single(303, -7.8, 5.2, 8.0, 14.0, (1.5, 1.6), kind="incisor", apex_x=0.8, tilt_deg=-22,
                y=-1.2)
        ),
        single(304, 2.2, 10.2, 19.0, 31.0, (3.2, 4.0), kind="canine", apex_x=4.2, tilt_deg=-26,
            enamel=0.6),
        _bystander(single(305, 19.0, 5.2, 4.8, 8.6, (1.6, 1.6))),
    ),
    x=(-15.0, 21.0),
    y=(-19.5, 26.0),
    bone_mm=10.0,
    seed=3041,
    upper=False,
    far_border=((-26, 14), (-12, 18), (0, 24), (12, 28), (30, 29)),
    gum_mm=2.6,
)  # fmt: skip

_LARGE_PROBED = Scene(
    teeth=(
        _bystander(two_rooted(407, -12.9, 10.2, 7.2, (11.4, 11.4), 2.9, (1.5, 2.87, 2.87, 1.8))),
        two_rooted(408, -0.6, 11.6, 8.2, (12.8, 12.8), 3.2, (2.4, 4.4, 4.4, 4.6), thickness=5.4),
        _bystander(
            two_rooted(
                409, 17.5, 22.0, 13.0, (17.5, 16.4), 4.6, (3.6, 4.57, 4.57, 2.0),
                kind="lower carnassial", split=0.06, enamel=0.7, thickness=8.6,
            )
        ),
    ),
    x=(-18.0, 18.0),
    y=(-15.0, 21.5),
    bone_mm=9.0,
    seed=4081,
    upper=False,
    far_border=((-22, 21.4), (-4, 22.6), (22, 23.6)),
    gum_mm=2.6,
    probe=Probe(-11.2, -9.2, 14.0, 14.0),
)  # fmt: skip

# --- cat ----------------------------------------------------------------------------------------

_CAT_MAXILLA = Scene(
    teeth=(
        _bystander(
            single(104, -15.0, 4.4, 9.0, 13.0, (1.2, 1.3), kind="canine", apex_x=1.2, tilt_deg=-14)
        ),
        _bystander(single(106, -8.9, 2.2, 2.2, 3.8, (0.6, 0.6))),
        two_rooted(107, -4.0, 6.0, 4.8, (7.2, 7.4), 1.8, (1.0, 2.1, 2.1, 1.6), thickness=2.8),
        carnassial(108, 5.0, 10.2, 6.0, 8.0, 2.1, (1.6, 3.0, 3.0, 3.4), thickness=4.0, enamel=0.35),
        _bystander(single(109, 11.6, 2.4, 1.6, 3.0, (0.9, 0.6), kind="molar")),
    ),
    x=(-15.0, 18.0),
    y=(-11.5, 15.5),
    bone_mm=3.8,
    seed=1071,
    upper=True,
    far_border=((-20, 9.4), (-6, 9.6), (5, 10.2), (19, 9.6)),
    gum_mm=1.5,
)  # fmt: skip

_CAT_JAW = Scene(
    teeth=(
        _bystander(two_rooted(407, -9.0, 5.2, 3.8, (6.0, 6.2), 1.6, (0.7, 1.57, 1.57, 0.7))),
        two_rooted(408, -2.6, 6.6, 4.9, (7.0, 7.4), 1.8, (0.7, 1.77, 1.77, 0.8), thickness=2.8),
        two_rooted(
            409, 5.2, 8.0, 5.6, (8.2, 6.4), 1.9, (0.8, 1.87, 1.87, 0.7),
            kind="upper carnassial", split=0.14, thickness=3.4, enamel=0.32,
        ),
    ),
    x=(-15.0, 16.0),
    y=(-10.0, 15.0),
    bone_mm=4.4,
    seed=4092,
    upper=False,
    far_border=((-18, 9.6), (-4, 10.6), (6, 11.0), (18, 10.0)),
    gum_mm=1.5,
)  # fmt: skip

_SMALL = Film(760, 1040, 0.030, 0.030, (7.0, 2.6), 1.5, False, 11)

RADIOGRAPHS: tuple[Radiograph, ...] = (
    Radiograph(
        "toy-dog-cleaning/images/left-jaw.dcm", _TOY_LEFT_JAW, _SMALL,
        "left mandible, premolars and molars, parallel technique", spacing="geometry", teeth=(308,
            309),
    ),
    Radiograph(
        "toy-dog-cleaning/images/right-lower-canine.dcm", _TOY_CANINE,
        Film(1040, 760, 0.030, 0.030, (4.6, 1.6), -3.0, True, 12, photons=2100.0, inverted=True),
        "right mandibular canine, bisecting angle", "rle", "imager", teeth=(404,),
    ),
    Radiograph(
        "toy-dog-cleaning/images/right-upper-carnassial.dcm", _TOY_RIGHT_MAXILLA,
        Film(780, 1040, 0.030, 0.030, (1.0, 1.6), 2.0, True, 13, elongation=1.04),
        "right maxilla, fourth premolar, bisecting angle", "jpeg2000", "magnification", teeth=(107,
            108),
    ),
    Radiograph(
        "toy-dog-recheck/images/left-jaw.dcm", _TOY_LEFT_JAW_LATER,
        replace(_SMALL, centre=(7.6, 2.9), turn_deg=-1.2, seed=21, elongation=0.985, photons=3250.0,
                gamma=0.7, black=0.02),
        "left mandible, premolars and molars, parallel technique", "jpegls", "geometry",
            teeth=(308, 309),
    ),
    Radiograph(
        "toy-dog-recheck/images/right-lower-canine.dcm", _TOY_CANINE_LATER,
        Film(1040, 760, 0.030, 0.030, (4.2, 1.9), 0.5, True, 22, photons=3000.0, elongation=1.02,
            gamma=0.9),
        "right mandibular canine, bisecting angle", "jpeg2000", "imager", teeth=(404,),
    ),
    Radiograph(
        "large-dog/images/right-lower-carnassial.dcm", _LARGE_CARNASSIAL,
        Film(880, 1080, 0.038, 0.038, (0.2, 4.6), 1.0, True, 31, photons=4500.0, bits=14),
        "right mandible, first molar, parallel technique", "jpegls", "geometry", teeth=(409,),
    ),
    Radiograph(
        "large-dog/images/left-upper-carnassial.dcm", _LARGE_MAXILLA,
        Film(820, 1080, 0.038, 0.038, (-1.0, 3.6), -2.0, False, 32, photons=4000.0, bits=16),
        "left maxilla, fourth premolar, bisecting angle", "explicit", "magnification", teeth=(208,),
    ),
    Radiograph(
        "large-dog/images/left-lower-canine.dcm", _LARGE_CANINE,
        Film(1080, 820, 0.038, 0.038, (3.0, 3.0), 2.0, False, 33, photons=4000.0),
        "left mandibular canine, bisecting angle, apex off the film", "jpeg2000", "imager",
            teeth=(304,),
    ),
    Radiograph(
        "large-dog/images/right-lower-premolars-probe.dcm", _LARGE_PROBED,
        Film(900, 900, 0.036, 0.036, (0.0, 3.2), -1.0, True, 34, photons=4000.0),
        "right mandible, fourth premolar, banded probe in view", "explicit", "none", teeth=(408,),
    ),
    Radiograph(
        "cat/images/right-upper-premolars.dcm", _CAT_MAXILLA,
        Film(640, 1080, 0.036, 0.027, (1.6, 2.0), 1.5, True, 41, photons=3000.0),
        "right maxilla, third and fourth premolars, bisecting angle", "jpegls", "imager",
        species="words", teeth=(107, 108),
    ),
    Radiograph(
        "cat/images/right-lower-molar.dcm", _CAT_JAW,
        Film(760, 1000, 0.027, 0.027, (0.6, 2.4), -1.5, True, 42, photons=3000.0),
        "right mandible, fourth premolar and first molar, parallel technique", "rle", "geometry",
        teeth=(408, 409),
    ),
)  # fmt: skip
