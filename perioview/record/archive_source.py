"""A visit's radiographs and photographs, taken from an archive."""

from __future__ import annotations

import os
from pathlib import Path

from pydicom.dataset import Dataset

from perioview.errors import InputRefused
from perioview.record.destination import Destination

_IMAGES = ("IO", "DX", "CR", "PX", "XC", "OT")


def is_original(dataset: Dataset) -> bool:
    """Whether an object is an image to measure, not a picture drawn from one."""
    if dataset.get("Modality") not in _IMAGES or "PixelData" not in dataset:
        return False
    return "SourceImageSequence" not in dataset


def images_from_archive(
    source: Destination, patient: str, study: str, folder: Path
) -> tuple[Path, ...]:
    """Copy the images of one study into a folder.

    Parameters
    ----------
    source : Destination
        Folder or archive.
    patient, study : str
        Patient ID and study instance UID; see `Destination.studies`.
    folder : Path
        ``images/`` of a visit, or any other that exists.

    Returns
    -------
    tuple of Path
        Files written, named by number and UID without anyone's name; what exists stays.

    Raises
    ------
    InputRefused
        If the study holds no image of the patient, or the folder cannot be written.
    """
    written: list[Path] = []
    try:
        for dataset in source.objects(patient, study):
            if not is_original(dataset):
                continue
            tail = str(dataset.SOPInstanceUID).rsplit(".", 1)[-1][-8:]
            number = int(dataset.get("InstanceNumber") or len(written) + 1)
            path = folder / f"{str(dataset.Modality).lower()}-{number}-{tail}.dcm"
            if not path.exists():
                draft = path.with_suffix(f".{os.getpid()}")
                dataset.save_as(draft, enforce_file_format=True)
                draft.replace(path)
            written.append(path)
    except OSError as error:
        raise InputRefused(
            f"{folder}: cannot be written ({error.strerror}); choose a folder that exists."
        ) from error
    if not written:
        raise InputRefused(
            f"study {study}: holds no image of this patient; choose another of its studies."
        )
    return tuple(written)
