"""Outside programs that judge DICOM files: dicom3tools and dcmtk."""

from __future__ import annotations

import subprocess
from collections.abc import Sequence
from pathlib import Path

from pydicom.dataset import Dataset

from tests.orthanc import needed

DICOM3TOOLS = "dciodvfy is missing; install it with apt-get install dicom3tools"
DCMTK = "dcmtk is missing; install it with apt-get install dcmtk"


def output(program: str, hint: str, *arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [needed(program, hint), *arguments], capture_output=True, text=True, errors="replace"
    )


def remarks(path: Path) -> list[str]:
    """What dciodvfy says of a file beyond the name of its IOD and the private scheme."""
    said = output("dciodvfy", DICOM3TOOLS, "-new", str(path))
    lines = (said.stdout + said.stderr).splitlines()
    return [
        line
        for line in lines
        if line.startswith(("Error", "Warning", "Abort")) and "<99PERIOVIEW>" not in line
    ]


def saved(objects: Sequence[Dataset], folder: Path) -> list[Path]:
    paths = []
    for number, dataset in enumerate(objects):
        path = folder / f"{number}-{dataset.Modality}.dcm"
        dataset.save_as(path, enforce_file_format=True)
        paths.append(path)
    return paths
