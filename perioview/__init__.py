"""Calibrated measurements of veterinary dental radiographs and stained-tooth photographs."""

__version__ = "0.1.0"
