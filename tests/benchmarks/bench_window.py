"""Figures of the window: a drag's cost, actions per tooth, kills, and opening beside bare napari.

Run under a display or Xvfb; nothing here is part of the default test run:

    xvfb-run -a -s "-screen 0 1600x1000x24" python tests/benchmarks/bench_window.py --all
"""

from __future__ import annotations

import argparse
import random
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "plugin"))


def spin(app, seconds):
    end = time.perf_counter() + seconds
    while time.perf_counter() < end:
        app.processEvents()
        time.sleep(0.001)


def shown(numbers):
    return (
        f"median {statistics.median(numbers):.1f}, "
        f"95th percentile {np.percentile(numbers, 95):.1f} ms, n = {len(numbers)}"
    )


def open_panel(paths):
    from napari._qt.qt_event_loop import get_qapp
    from perioview_napari.launch import open_window
    from perioview_napari.panel import MarkingPanel

    app = get_qapp()
    viewer = open_window(paths)
    viewer.window._qt_window.resize(1600, 1000)
    viewer.window._qt_window.activateWindow()
    spin(app, 1.0)
    panel = next(w for w in app.allWidgets() if isinstance(w, MarkingPanel))
    return app, viewer, panel


def point(panel, row, col):
    from perioview_napari.overlay import canvas_affine
    from qtpy.QtCore import QPointF

    x, y = canvas_affine(panel.viewer, panel.marking.layer) @ (row, col, 1)
    return QPointF(round(x), round(y))


def send(app, panel, kind, at, button, buttons):
    from qtpy.QtCore import QEvent, QPointF, Qt
    from qtpy.QtGui import QMouseEvent

    canvas = panel.viewer.window._qt_viewer.canvas.native
    away = QPointF(canvas.mapToGlobal(at.toPoint()))
    event = QMouseEvent(
        getattr(QEvent.Type, kind), at, away, button, buttons, Qt.KeyboardModifier.NoModifier
    )
    app.sendEvent(canvas, event)


def click(app, panel, row, col):
    from qtpy.QtCore import Qt

    left, none = Qt.MouseButton.LeftButton, Qt.MouseButton.NoButton
    at = point(panel, row, col)
    send(app, panel, "MouseButtonPress", at, left, left)
    send(app, panel, "MouseButtonRelease", at, left, none)
    app.processEvents()


def crowded(folder, count):
    """Write a 1500 x 2000 radiograph's stand-in with this many marks; return the image file."""
    from PIL import Image as PillowImage

    from perioview.files.tables import write_marks
    from perioview.marking_round import tooth_steps
    from perioview.marks import Marks
    from perioview.teeth import teeth

    noise = np.random.default_rng(0).normal(120, 20, (1500, 2000)).clip(0, 255).astype(np.uint8)
    path = folder / "crowded.png"
    PillowImage.fromarray(noise).save(path)
    items = []
    for i, known in enumerate(teeth("dog")):
        top, left = 60 + 240 * (i // 7), 60 + 270 * (i % 7)
        for step in tooth_steps(known.number, known.roots):
            roots = list(known.roots)
            at = roots.index(step.root) if step.root else 0.5
            col = left + 70 * at + (25 if step.side == "distal" else 0)
            depth = {"cej": 0, "furcation": 30, "crest": 45, "apex": 150}[step.landmark]
            col += 12 if step.landmark == "apex" else 0
            items.append(step.mark(top + depth, col))
    write_marks(path.with_name(path.name + ".csv"), Marks(tuple(items[:count])))
    return path


def bench_drag(count, moves):
    from qtpy.QtCore import QPointF, Qt

    left, none = Qt.MouseButton.LeftButton, Qt.MouseButton.NoButton
    with tempfile.TemporaryDirectory() as name:
        path = crowded(Path(name), count)
        app, viewer, panel = open_panel([])
        from perioview_napari.reader import layers

        panel.open_layers(layers([str(path)]), "dog")
        panel.use_scale(0.02)
        panel.marking.session.propose = lambda tooth: ()
        panel.marking.overlay.keys_shown = False
        spin(app, 1.0)
        session = panel.marking.session
        crests = session.round.marks.of(landmark="crest")
        mark = crests[len(crests) // 2]
        at = point(panel, mark.row, mark.col)
        row = panel.table.rows[(mark.tooth, mark.root, mark.side)]
        send(app, panel, "MouseButtonPress", at, left, left)
        steps, own, draws, texts = [], [], [], set()
        for i in range(moves):
            at = at + QPointF(0, 1 if i % 20 < 10 else -1)
            # napari drops moves that come faster than the screen's rate.
            spin(app, 0.05)
            before = panel.marking.points.layer.data.copy()
            start, busy = time.perf_counter(), time.thread_time()
            send(app, panel, "MouseMove", at, none, left)
            updated = time.perf_counter()
            used = time.thread_time() - busy
            app.processEvents()
            drawn = time.perf_counter()
            texts.add(panel.table.item(row, 2).text())
            if np.array_equal(before, panel.marking.points.layer.data):
                continue  # dropped by napari: nothing was done
            own.append(1000 * used)
            steps.append(1000 * (updated - start))
            draws.append(1000 * (drawn - updated))
        send(app, panel, "MouseButtonRelease", at, left, none)
        assert len(texts) > 3, "the numbers did not follow the drag"
        print(f"drag with {len(session.round.marks)} marks, {panel.table.rowCount()} sites:")
        print(f"  mouse move to numbers and overlay updated: {shown(steps)}")
        print(f"  the same in processor time of its thread (load apart): {shown(own)}")
        print(f"  drawing after it (software OpenGL): {shown(draws)}")
        panel.release()
        viewer.close()


def bench_actions(pointing):
    """Drive the window by its true marks; count what the hand does until a tooth is complete."""
    from perioview_napari.sample_data import sample_visit
    from qtpy.QtCore import Qt
    from qtpy.QtTest import QTest

    from perioview.files.tables import read_marks

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "visit"
        shutil.copytree(sample_visit(), folder)
        truth_folder = folder / "true-marks"
        shutil.move(folder / "marks", truth_folder)
        app, viewer, panel = open_panel([folder])
        for layer in panel.marking.image_layers():
            panel.show_layer(layer)
            session = panel.marking.session
            if session is None or not (truth_folder / session.marks_path.name).exists():
                continue
            truth = read_marks(
                truth_folder / session.marks_path.name,
                species=session.species,
                rows=session.image.rows,
                cols=session.image.cols,
            )
            for number in truth.teeth():
                count = count_pointing if pointing else count_tooth
                count(app, panel, session, truth, number, Qt, QTest)
        panel.release()
        viewer.close()


def count_tooth(app, panel, session, truth, number, qt, test):
    panel.actions.jump(number)
    from perioview.marks import key

    places = {key(m): m for m in truth}
    actions = 0
    while True:
        step = session.round.state.cursor
        if step is None or step.tooth != number or step.landmark == "crest":
            break
        true = places.get(key(step.mark(0, 0)))
        if true is None:
            panel.run("skip")
        else:
            click(app, panel, true.row, true.col)
        actions += 1
    end = time.perf_counter() + 10
    while panel.marking.waiting and time.perf_counter() < end:
        spin(app, 0.02)
    canvas = panel.viewer.window._qt_viewer.canvas.native
    canvas.setFocus()
    of_tooth = [p for p in session.proposals if p.mark.tooth == number]
    doubtful = sum(p.doubtful for p in of_tooth)
    if of_tooth:
        shift = qt.KeyboardModifier.ShiftModifier if doubtful else qt.KeyboardModifier.NoModifier
        test.keyClick(canvas, qt.Key.Key_K, shift)
        actions += 1
    sites, _ = session.staged(number)
    known = sum(s.bone_loss_pct.known for s in sites)
    roots = len(dict(session.round.state.roots)[number])
    print(
        f"  {session.image.name} {number}: {roots} root(s), {actions} actions, {known} of "
        f"{len(sites)} sites measured, {len(of_tooth)} proposed ({doubtful} doubtful)"
    )


def count_pointing(app, panel, session, truth, number, qt, test):
    """Point at the tooth, click what is not proposed, keep, and drag what is doubtful."""
    panel.actions.jump(number)
    panel.point_on.setChecked(False)
    panel.point_on.setChecked(True)
    from perioview.marks import key

    places = {key(m): m for m in truth}
    axes = {s.root: s.axis for s in session.sites(number, truth) if s.axis}
    counts = {"root": 0, "click": 0, "keep": 0, "drag": 0}

    def settle():
        end = time.perf_counter() + 60
        while panel.marking.waiting and time.perf_counter() < end:
            spin(app, 0.02)
        # As a hand would: the window refuses a click meant for the step before.
        spin(app, LOOK_S + 0.05)

    from perioview_napari.marking import LOOK_S

    settle()
    for _ in range(20):
        root = panel.marking.root_to_point_at()
        step = panel.marking.asked()
        if root is not None and root in axes:
            click(app, panel, *np.mean(axes[root], axis=0))
            counts["root"] += 1
        else:
            proposed = {key(p.mark) for p in session.proposals}
            if step is None or step.tooth != number or key(step.mark(0, 0)) in proposed:
                break
            true = places.get(key(step.mark(0, 0)))
            if true is None:
                panel.run("skip")
            else:
                click(app, panel, true.row, true.col)
            counts["click"] += 1
        settle()
    apart = [
        (np.hypot(p.mark.row - m.row, p.mark.col - m.col) * session.calibration.pitch[0], p)
        for p in session.proposals
        if p.mark.tooth == number and (m := places.get(key(p.mark)))
    ]
    sure = [d for d, p in apart if not p.doubtful]
    if sure:
        panel.run("keep")
        counts["keep"] = 1
    for p in [p for p in session.proposals if p.mark.tooth == number and p.doubtful]:
        counts["drag"] += 1
        if true := places.get(key(p.mark)):
            from dataclasses import replace

            moved = replace(p.mark, row=true.row, col=true.col, how="moved")
            panel.marking.act(lambda moved=moved: session.round.accept([moved]))
    sites, _ = session.staged(number)
    print(
        f"  {session.image.name} {number}: {len(axes)} root(s), {sum(counts.values())} actions "
        f"{counts}, {sum(s.bone_loss_pct.known for s in sites)} of {len(sites)} sites measured; "
        f"{len(sure)} proposals kept unmoved, worst {max(sure, default=0):.2f} mm from the mark"
    )
    panel.point_on.setChecked(False)


def bench_kills(count):
    from perioview_napari.sample_data import sample_files
    from perioview_napari.session import Session
    from test_session import kill_while_marking

    from perioview.files.reading import read_image
    from perioview.files.tables import read_marks

    image_path = sample_files()[0]
    image = read_image(image_path)
    chance = random.Random(11)
    lost = 0
    with tempfile.TemporaryDirectory() as name:
        for i in range(count):
            path = Path(name) / f"{i}.csv"
            lines = kill_while_marking(image_path, path, chance.uniform(0.0, 0.2))
            saved = len(read_marks(path, species="dog", rows=image.rows, cols=image.cols))
            Session(image, path)
            reported = int(lines[-1]) if lines and lines[-1] != b"again" else 0
            fine = {reported, reported + 1} | ({0} if reported == 23 else set())
            lost += saved not in fine
    print(f"{count} kills at random moments: {lost} lost more than the mark in hand")


DRIVEN = """
import sys
sys.path[:0] = [sys.argv[3], sys.argv[4]]
from pathlib import Path
from bench_window import click, open_panel
from perioview_napari.reader import layers

app, viewer, panel = open_panel([])
panel.open_layers(layers([sys.argv[1]]), "dog")
panel.choose_teeth((304, 308, 309))
panel.marking.session.propose = lambda tooth: ()
print("ready", flush=True)
i = 0
while True:
    state = panel.marking.session.round.state
    if state.cursor is None:
        print("again", flush=True)
        while panel.marking.session.round.can_undo:
            panel.run("undo")
        panel.choose_teeth((304, 308, 309))
        print("again", flush=True)
        continue
    if i % 7 == 3:
        panel.run("skip")
    else:
        # Apart from each other: a click on a mark would take hold of it.
        click(app, panel, 60 + 37 * (i % 11), 60 + 31 * (i % 13))
    state = panel.marking.session.round.state
    print(len(state.marks), len(state.skips), flush=True)
    i += 1
"""


def bench_window_kills(count):
    """Kill the whole window at random moments of marking by real mouse events; count losses."""
    from perioview_napari.sample_data import sample_files
    from perioview_napari.session import Session

    from perioview.files.reading import read_image

    chance = random.Random(23)
    lost, placed = [], []
    here = Path(__file__).parent.resolve()
    film = next(f for f in sample_files() if f.name == "left-jaw.dcm")
    for i in range(count):
        with tempfile.TemporaryDirectory() as name:
            path = Path(shutil.copy(film, name))
            process = subprocess.Popen(
                [
                    sys.executable,
                    "-c",
                    DRIVEN,
                    str(path),
                    str(path) + ".csv",
                    str(here),
                    str(here.parent / "plugin"),
                ],
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
            )
            for line in process.stdout:
                if line.strip() == b"ready":
                    break
            else:
                raise SystemExit("the window did not open: nothing was tried")
            time.sleep(chance.uniform(0.0, 4.0))
            process.kill()
            lines = process.stdout.read().split(b"\n")
            process.wait()
            image = read_image(path)
            state = Session(image, path.with_name(path.name + ".csv"), "dog").round.state
            told = next((w for w in reversed(lines[:-1]) if w), b"0 0")
            if told == b"again" or b"again" in lines[-3:]:
                continue  # taking all back: any count is right
            marks, skips = map(int, told.split())
            ahead = (len(state.marks) - marks, len(state.skips) - skips)
            placed.append(marks + skips)
            # The last action may have been saved before its line was printed.
            if ahead not in {(0, 0), (1, 0), (0, 1)}:
                lost.append((i, ahead))
    print(
        f"{len(placed)} kills of the window at random moments (0 to {max(placed)} actions in): "
        f"{len(lost)} lost more than the mark in hand {lost or ''}"
    )


OPENING = """
import sys, time
from pathlib import Path
import napari
from napari._qt.qt_event_loop import get_qapp
if sys.argv[1] == "perioview":
    from perioview_napari.launch import open_window
    viewer = open_window([Path(sys.argv[2])])
else:
    import pydicom
    data = pydicom.dcmread(sys.argv[2]).pixel_array
    viewer = napari.Viewer()
    viewer.add_image(data)
app = get_qapp()
canvas = viewer.window._qt_viewer.canvas._scene_canvas
drawn = []
canvas.events.draw.connect(lambda event: drawn.append(1))
while not drawn:
    app.processEvents()
for _ in range(5):
    app.processEvents()
print("open", flush=True)
import os
os._exit(0)
"""


def bench_open(count):
    from perioview_napari.sample_data import sample_files

    path = str(sample_files()[0])
    times = {"perioview": [], "napari": []}
    for _ in range(count):
        for kind, found in times.items():
            start = time.perf_counter()
            subprocess.run(
                [sys.executable, "-c", OPENING, kind, path], check=True, stdout=subprocess.DEVNULL
            )
            found.append(time.perf_counter() - start)
    ours, bare = (statistics.median(t) for t in times.values())
    print(
        f"window open with a sample image: {ours:.2f} s, bare napari with the same array "
        f"{bare:.2f} s, ratio {ours / bare:.2f} (medians of {count})"
    )


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--all", action="store_true")
    parser.add_argument("--drag", action="store_true")
    parser.add_argument("--marks", type=int, default=300)
    parser.add_argument("--moves", type=int, default=200)
    parser.add_argument("--actions", action="store_true")
    parser.add_argument("--pointing", action="store_true", help="with --actions: point at roots")
    parser.add_argument("--kills", type=int, default=0, metavar="N")
    parser.add_argument("--window-kills", type=int, default=0, metavar="N")
    parser.add_argument("--open", type=int, default=0, metavar="N")
    args = parser.parse_args()
    if args.open or args.all:
        bench_open(args.open or 5)
    if args.kills or args.all:
        bench_kills(args.kills or 200)
    if args.window_kills or args.all:
        bench_window_kills(args.window_kills or 50)
    if args.actions or args.all:
        bench_actions(args.pointing)
    if args.drag or args.all:
        bench_drag(args.marks, args.moves)


if __name__ == "__main__":
    main()
