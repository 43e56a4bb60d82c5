"""Alignment error and time on pairs not used in tuning, beside general libraries.

Pairs, a third each: invented jaws of two layers (`tests/pairs`), the computed radiographs of the
sample patients (another generator), and real radiographs that pydicom's test data hold (a hand, a
chest); the last two warped, re-exposed and given noise. Seeds from 1000 on; tuning used jaws of
seeds below 100. Phantoms and a hand or chest are no clinical truth.

    python tests/benchmarks/bench_alignment.py
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))
from perioview.alignment import align, mapped
from perioview.errors import InputRefused
from tests.pairs import phantoms as ph

SHAPE = (1500, 2000)
"""Times are of one processor, so that other work on the machine does not count."""
FIRST_SEED = 1000


def real_images() -> dict[str, np.ndarray]:
    from pydicom.data import get_testdata_file

    found = {}
    for name in ("RG3_UNCR.dcm", "RG1_UNCR.dcm", "RG2_UNCR.dcm"):
        try:
            data = get_testdata_file(name, read=True)
        except (ValueError, OSError):
            data = None
        if data is not None:
            found[name] = data.pixel_array
    return found


def sample_images() -> dict[str, np.ndarray]:
    from perioview.files.reading import read_image

    folder = Path(__file__).parents[2] / "sample_images"
    return {p.name: read_image(p).pixels for p in sorted(folder.glob("*/images/*.dcm"))}


def pairs(count: int, parallax: float) -> list[tuple[str, ph.Pair]]:
    given: list[list[tuple[str, np.ndarray]]] = [[], []]
    if parallax == 0:
        given = [list(sample_images().items()), list(real_images().items())]
    for n in range(count):
        seed = FIRST_SEED + n
        rng = np.random.default_rng(seed)
        others = given[n % 3 - 1] if n % 3 else []
        if others:
            name, image = others[(n // 3) % len(others)]
            pose = ph.some_pose(rng, image.shape[1] / 2000)
            yield name, ph.warped(image, seed, pose, ph.some_exposure(rng, image.shape))
            continue
        change = [
            None,
            ph.Change(crest_px=float(rng.uniform(5, 60))),
            ph.Change(extracted=int(rng.integers(1, 4))),
            ph.Change(restored=int(rng.integers(1, 4))),
        ][n // 3 % 4 if parallax == 0 else n % 4]
        pose = ph.some_pose(rng, 1.0, parallax)
        yield "jaw", ph.pair(seed, SHAPE, pose, ph.some_exposure(rng, SHAPE), change)


def error(transform: np.ndarray, pair: ph.Pair) -> float:
    """Median distance of tooth landmarks from where they belong, px."""
    landed, truth = (mapped(t, pair.landmarks) for t in (transform, pair.transform))
    return float(np.median(np.hypot(*(landed - truth).T)))


def sift_ransac(later: np.ndarray, earlier: np.ndarray) -> np.ndarray:
    """Plain OpenCV: SIFT at full size, ratio test, RANSAC homography."""
    # Without a cap it takes every speck of grain, and ten seconds.
    sift = cv2.SIFT_create(nfeatures=4000)
    seen = []
    for image in (later, earlier):
        low, high = np.percentile(image[::4, ::4], (0.5, 99.5))
        byte = np.clip((image - low) / (high - low) * 255, 0, 255).astype(np.uint8)
        seen.append(sift.detectAndCompute(cv2.createCLAHE(3.0, (8, 8)).apply(byte), None))
    matches = cv2.BFMatcher().knnMatch(seen[0][1], seen[1][1], k=2)
    good = [m for m, n in matches if m.distance < 0.75 * n.distance]
    if len(good) < 8:
        raise InputRefused("too few matches")
    a = np.float32([seen[0][0][m.queryIdx].pt for m in good])
    b = np.float32([seen[1][0][m.trainIdx].pt for m in good])
    found, _ = cv2.findHomography(a, b, cv2.RANSAC, 3.0)
    swap = np.array([[0, 1, 0], [1, 0, 0], [0, 0, 1.0]])
    return swap @ found @ swap


def mutual_information(later: np.ndarray, earlier: np.ndarray) -> np.ndarray:
    """SimpleITK: Mattes mutual information, affine, three levels."""
    import SimpleITK as sitk

    fixed, moving = (sitk.GetImageFromArray(i.astype(np.float32)) for i in (earlier, later))
    method = sitk.ImageRegistrationMethod()
    method.SetMetricAsMattesMutualInformation(50)
    method.SetMetricSamplingStrategy(method.RANDOM)
    method.SetMetricSamplingPercentage(0.05, 1)
    method.SetInterpolator(sitk.sitkLinear)
    method.SetOptimizerAsRegularStepGradientDescent(2.0, 1e-3, 200)
    method.SetOptimizerScalesFromPhysicalShift()
    method.SetShrinkFactorsPerLevel([8, 4, 2])
    method.SetSmoothingSigmasPerLevel([4, 2, 1])
    start = sitk.CenteredTransformInitializer(
        fixed, moving, sitk.AffineTransform(2), sitk.CenteredTransformInitializerFilter.GEOMETRY
    )
    method.SetInitialTransform(start, inPlace=False)
    found = method.Execute(fixed, moving)
    spots = [(0.0, 0.0), (1000.0, 0.0), (0.0, 1000.0)]
    landed = np.array([found.TransformPoint(s) for s in spots])
    back = np.eye(3)
    back[:2, 2] = landed[0]
    back[:2, 0] = (landed[1] - landed[0]) / 1000
    back[:2, 1] = (landed[2] - landed[0]) / 1000
    swap = np.array([[0, 1, 0], [1, 0, 0], [0, 0, 1.0]])
    return swap @ np.linalg.inv(back) @ swap


def skimage_orb(later: np.ndarray, earlier: np.ndarray) -> np.ndarray:
    """scikit-image: ORB at half size, RANSAC projective."""
    from skimage import feature, measure, transform

    seen = []
    for image in (later, earlier):
        level = image[::2, ::2].astype(float)
        level = (level - level.min()) / max(np.ptp(level), 1)
        orb = feature.ORB(n_keypoints=1500)
        orb.detect_and_extract(level)
        seen.append((orb.keypoints, orb.descriptors))
    match = feature.match_descriptors(seen[0][1], seen[1][1], cross_check=True)
    a, b = (seen[k][0][match[:, k]] * 2 for k in (0, 1))
    model, _ = measure.ransac((a, b), transform.ProjectiveTransform, 5, 3, max_trials=2000, rng=1)
    return np.asarray(model.params)


PEERS = {
    "OpenCV SIFT, RANSAC": sift_ransac,
    "SimpleITK mutual information": mutual_information,
    "scikit-image ORB, RANSAC": skimage_orb,
}


def timed(method, pair: ph.Pair) -> tuple[float, float]:
    start = time.process_time()
    try:
        found = method(pair.later, pair.earlier)
    except (InputRefused, ValueError, RuntimeError, AttributeError, TypeError):
        return np.nan, time.process_time() - start
    return error(found, pair), time.process_time() - start


def summary(name: str, found: list[tuple[float, float]]) -> str:
    if not found:
        return f"{name:<32} no pairs"
    far, took = np.array(found).T
    seen = far[np.isfinite(far)]
    middle, worst = (np.median(seen), seen.max()) if len(seen) else (np.nan, np.nan)
    return (
        f"{name:<32} pairs {len(far):>3}  refused {int((~np.isfinite(far)).sum()):>2}  "
        f"median {middle:7.3f} px  worst {worst:8.3f} px  beyond 1.5 px {(seen > 1.5).sum():>2}  "
        f"time {np.median(took):.2f} s"
    )


def ours(later: np.ndarray, earlier: np.ndarray) -> np.ndarray:
    return align(later, earlier).transform


def wrong_pairs(count: int):
    """Different jaws, different parts of one radiograph, a jaw and a hand."""
    real = list(real_images().values())
    for n in range(count):
        rng = np.random.default_rng(5000 + n)
        exposure = ph.some_exposure(rng, SHAPE)
        jaw = ph.pair(6000 + n, SHAPE, ph.some_pose(rng), exposure)
        if n % 5 == 3 and real:
            image = real[n % len(real)]
            half = image.shape[1] // 2
            yield "two halves", image[:, :half], image[:, half:]
        elif n % 5 == 4 and real:
            yield "jaw, other part", jaw.later, real[n % len(real)]
        else:
            yield "two jaws", jaw.later, ph.pair(7000 + n, SHAPE, ph.Pose()).earlier


def run(count: int, parallax: float, peers: int, label: str) -> None:
    """Align every pair with every library, each pair made once, and print the summaries."""
    results: dict[str, list[tuple[float, float]]] = {}
    full: dict[str, list[float]] = {}
    for n, (name, pair) in enumerate(pairs(count, parallax)):
        methods = {"perioview": ours, **(PEERS if n < peers else {})}
        for method, act in methods.items():
            results.setdefault(method, []).append(timed(act, pair))
            if n < peers and pair.earlier.shape == pair.later.shape == SHAPE:
                full.setdefault(method, []).append(results[method][-1][1])
        told = "  ".join(f"{m.split()[0]} {r[-1][0]:.2f}" for m, r in results.items())
        print(f"  {label} {n:>3} {name:<14} {told}", file=sys.stderr, flush=True)
    print(f"{label}: {count} pairs")
    for method, found in results.items():
        print("  " + summary(method, found))
    if peers and peers < count:
        print("  " + summary(f"perioview, first {peers}", results["perioview"][:peers]))
    sift = np.array(full.get("OpenCV SIFT, RANSAC", ()))
    for method, took in full.items():
        share = np.median(np.array(took) / sift)
        print(f"  {method:<32} {share:.2f} of the time of SIFT, {len(sift)} pairs of 1500 x 2000")
    sys.stdout.flush()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pairs", type=int, default=72)
    parser.add_argument("--parallax", type=int, default=20, help="pairs with two depths as well")
    parser.add_argument("--wrong", type=int, default=20)
    parser.add_argument("--peers", type=int, default=72, help="pairs for the other libraries")
    args = parser.parse_args()
    cv2.setNumThreads(1)
    import SimpleITK as sitk

    sitk.ProcessObject.SetGlobalDefaultNumberOfThreads(1)
    if args.pairs:
        run(args.pairs, 0.0, args.peers, "one depth")
    if args.parallax:
        run(args.parallax, 4.0, min(args.peers, args.parallax), "two depths, up to 4 px apart")
    refused = 0
    for name, later, earlier in wrong_pairs(args.wrong):
        try:
            found = align(later, earlier)
            print(f"  WRONG PAIR ACCEPTED: {name}, {found.matches}, {found.agreement:.2f}")
        except InputRefused:
            refused += 1
    print(f"wrong pairs refused {refused} of {args.wrong}")


if __name__ == "__main__":
    main()
