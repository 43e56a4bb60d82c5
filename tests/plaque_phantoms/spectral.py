"""Generator B (held out): 31 spectral bands, curved crowns under two lamps, a tone curve.

Shares no code with generator A. Used to judge, never to tune. A phantom, no clinical truth:
its author has not seen a patient's photo.
"""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
from scipy import ndimage
from skimage.draw import polygon

BANDS = np.arange(400.0, 701.0, 10.0)
ARCADE = (404, 406, 407, 408, 409, 304, 306, 307, 308, 309)


def bell(centre, width):
    return np.exp(-0.5 * ((BANDS - centre) / width) ** 2)


def black_body(kelvin):
    lam = BANDS * 1e-9
    power = lam**-5 / np.expm1(1.4388e-2 / (lam * kelvin))
    return power / power[16]


# Narrow and wide camera sensitivities; columns R G B.
CAMERAS = {
    "one": np.stack([bell(600, 32), bell(538, 38), bell(458, 28)], 1),
    "two": np.stack([bell(610, 38) + 0.05 * bell(450, 25), bell(530, 42), bell(465, 32)], 1),
}
ERYTHROSINE = bell(526, 22) + 0.45 * bell(492, 25)
PHLOXINE = bell(538, 22) + 0.45 * bell(503, 22)
BRILLIANT_BLUE = bell(628, 26) + 0.35 * bell(580, 26)
BROWN = np.exp(-(BANDS - 400) / 110)


def blobs(rng, shape, scale):
    out = ndimage.gaussian_filter(rng.standard_normal(shape), scale)
    return out / out.std()


def outline(rng, cx, cy, half_width, height, gum_down):
    """Bell-shaped crown with one to three cusps, as (row, col) vertices."""
    t = np.linspace(0, 1, 160)
    cusps = rng.integers(1, 4)
    side = half_width * (
        1 - 0.12 * np.cos(2 * np.pi * t) + 0.05 * np.sin(5 * t + rng.uniform(0, 6))
    )
    x = np.concatenate([-side, side[::-1]])
    y = np.concatenate([t, t[::-1]]) * height
    top = np.linspace(-side[-1], side[-1], 80)
    bump = (
        0.16
        * height
        * np.abs(np.cos(np.pi * cusps * (top / side[-1] + 1) / 2))
        * rng.uniform(0.3, 1)
    )
    x = np.concatenate([-side, top, side[::-1]])
    y = np.concatenate([t * height, height + bump, t[::-1] * height])
    return (cy - y if gum_down else cy + y), cx + x


def scene(
    seed,
    *,
    dye="one-tone",
    teeth=10,
    size=120,
    kelvin=(5600, 4600),
    exposure=1.0,
    jpeg=90,
    tartar=0.35,
    camera=None,
    dye_spectrum=None,
    gradient=0.1,
    kinds=None,
    blur=0.9,
    glare=1.0,
    noise=0.005,
):
    rng = np.random.default_rng([seed, 77])
    cam = CAMERAS[camera or rng.choice(["one", "two"])]
    lamps = [black_body(k) for k in kelvin]
    rows, cols = int(size * 2.1), int(size * 0.95 * teeth + 60)
    rr, cc = np.mgrid[:rows, :cols].astype(float)
    margin = rows * 0.66 + size * 0.05 * blobs(rng, (1, cols), size / 3)[0]
    gum = rr > margin[None] - 0.03 * size
    height_map = np.zeros((rows, cols))
    regions = np.zeros((rows, cols), np.uint16)
    dens_new, dens_old, dens_brown = (np.zeros((rows, cols)) for _ in range(3))
    kind_of = {}
    yellow = np.zeros((rows, cols))
    for i in range(teeth):
        name = ARCADE[i % 10]
        cx = 30 + size * 0.95 * (i + 0.5)
        hw = size * rng.uniform(0.38, 0.455)
        ht = size * rng.uniform(0.75, 1.0)
        base_row = margin[min(cols - 1, int(cx))]
        pr, pc = outline(rng, cx, base_row, hw, ht, True)
        mask = np.zeros((rows, cols), bool)
        mask[polygon(pr, pc, mask.shape)] = True
        mask &= regions == 0
        regions[mask] = name
        depth = ndimage.distance_transform_edt(np.pad(mask, 1))[1:-1, 1:-1]
        bulge = 1 - np.clip(1 - depth / (0.42 * size), 0, 1) ** 2.2
        height_map[mask] = (bulge * 0.32 * size)[mask]
        from_gum = np.clip((base_row - rr) / ht, 0, 1.2)
        kind = (kinds or {}).get(i) or rng.choice(
            ["clean", "all", "patchy", "margin"], p=[0.15, 0.12, 0.38, 0.35]
        )
        kind_of[name] = kind
        thick = rng.uniform(0.25, 0.95) * np.exp(0.3 * blobs(rng, mask.shape, size / 7))
        thick = np.clip(thick, 0.19, 1.6)
        if kind == "clean":
            here = np.zeros(mask.shape)
        elif kind == "all":
            here = np.ones(mask.shape)
        elif kind == "patchy":
            f = blobs(rng, mask.shape, size / rng.uniform(8, 16)) - 0.8 * from_gum
            here = ndimage.gaussian_filter(
                (f > rng.uniform(-1.2, 0.8)).astype(float), rng.uniform(0.6, 2.5)
            )
        else:
            reach = rng.uniform(0.12, 0.7) + 0.09 * blobs(rng, mask.shape, size / 12)
            here = ndimage.gaussian_filter((from_gum < reach).astype(float), rng.uniform(0.6, 2.5))
        amount = thick * here
        old = np.zeros(mask.shape, bool)
        if dye == "two-tone":
            old = from_gum + 0.2 * blobs(rng, mask.shape, size / 9) < rng.uniform(-0.1, 0.6)
        dens_new[mask & ~old] = amount[mask & ~old]
        dens_old[mask & old] = amount[mask & old]
        yellow[mask] = (rng.uniform(0.02, 0.16) * (1 - 0.7 * from_gum) + rng.uniform(0, 0.05))[mask]
        if rng.random() < tartar:
            reach = rng.uniform(0.1, 0.5) + 0.08 * blobs(rng, mask.shape, size / 10)
            dens_brown[mask] = (rng.uniform(0.2, 0.9) * np.clip((reach - from_gum) * 6, 0, 1))[mask]
    new_spec = (
        dye_spectrum
        if dye_spectrum is not None
        else (ERYTHROSINE if rng.random() < 0.5 else PHLOXINE)
    )
    old_spec = 0.55 * PHLOXINE + BRILLIANT_BLUE * rng.uniform(0.7, 1.1)
    enamel_spec = 0.62 + 0.0 * BANDS
    yellow_spec = np.exp(-(BANDS - 400) / 80)
    gum_spec = 0.10 + 0.42 / (1 + np.exp(-(BANDS - 592) / 9)) + 0.06 * bell(480, 40)
    gy, gx = np.gradient(ndimage.gaussian_filter(height_map, 2.0))
    normal = np.dstack([-gx, -gy, np.ones_like(gx)])
    normal /= np.linalg.norm(normal, axis=2, keepdims=True)
    dirs = [np.array([-0.35, -0.35, 1.0]), np.array([0.6, 0.1, 1.0])]
    dirs = [d / np.linalg.norm(d) for d in dirs]
    on_tooth = regions > 0
    clean = np.zeros((rows, cols, 3))
    stained_light = np.zeros_like(clean)
    tooth_tex = 1 + 0.015 * blobs(rng, (rows, cols), 3)
    for d, lamp, weight in zip(dirs, lamps, (0.68, 0.4), strict=True):
        diffuse = np.clip(normal @ d, 0, None) * weight
        half = d + np.array([0, 0, 1.0])
        half /= np.linalg.norm(half)
        spec = np.clip(normal @ half, 0, None) ** 420 * 1.6 * weight * glare
        spec *= np.clip(1 + 0.8 * blobs(rng, (rows, cols), 4), 0, None)
        # A distant strip lamp puts highlights where the crown turns, broken by wet texture.
        spec = np.where(height_map > 0.1 * size, spec, 0)
        white = (lamp[:, None] * cam).sum(0)
        for b in range(len(BANDS)):
            refl = (
                enamel_spec[b]
                * 10 ** (-(yellow * yellow_spec[b]) - dens_brown * BROWN[b] * 1.4)
                * tooth_tex
            )
            dyed = refl * 10 ** (-(dens_new * new_spec[b] + dens_old * old_spec[b]))
            for image, surface in ((clean, refl), (stained_light, dyed)):
                light = np.where(on_tooth, surface, np.where(gum, gum_spec[b], 0.012)) * diffuse
                image += (light * lamp[b])[..., None] * cam[b]
        stained_light += spec[..., None] * white
    reference = (black_body(5600)[:, None] * cam).sum(0)
    clean, light = clean / reference, stained_light / reference
    light_no_spec_density = _density(clean, cam, lamps, dens_new, dens_old, new_spec, old_spec)
    fall = 1 + gradient * (cc / cols - 0.5) * rng.choice([-1, 1])
    light = light * fall[..., None] * exposure * 1.25
    light = ndimage.gaussian_filter(light, (blur, blur, 0))
    light += rng.standard_normal(light.shape) * noise * np.sqrt(np.clip(light, 0.01, None))
    light = np.clip(light, 0, 1)
    # Camera tone: a little toe and shoulder on top of sRGB.
    toned = light + 0.05 * light * (1 - light) * (2 * light - 1)
    srgb = np.where(
        toned <= 0.0031308, 12.92 * toned, 1.055 * np.clip(toned, 1e-9, 1) ** (1 / 2.4) - 0.055
    )
    rgb = (np.clip(srgb, 0, 1) * 255 + 0.5).astype(np.uint8)
    if jpeg:
        import io

        from PIL import Image as Picture

        buffer = io.BytesIO()
        Picture.fromarray(rgb).save(buffer, "JPEG", quality=jpeg)
        rgb = np.array(Picture.open(buffer))
    stained = (light_no_spec_density > 0.15) & on_tooth
    return SimpleNamespace(
        density=light_no_spec_density,
        brown=dens_brown,
        rgb=rgb,
        regions=regions,
        stained=stained,
        older=stained & (dens_old > 0),
        kinds=kind_of,
        dye=dye,
        gum="down",
    )


def _density(clean, cam, lamps, new, old, new_spec, old_spec):
    """Largest channel density of the dye film, seen by this camera under the main lamp."""
    lamp = lamps[0]
    white = (lamp[:, None] * cam).sum(0)
    seen = np.zeros((*new.shape, 3))
    for b in range(len(BANDS)):
        seen += 10 ** (-(new * new_spec[b] + old * old_spec[b]))[..., None] * lamp[b] * cam[b]
    return (-np.log10(np.clip(seen / white, 1e-6, None))).max(axis=2)
