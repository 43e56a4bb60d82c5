"""The plugin as napari's own plugin engine sees it."""

from importlib import import_module
from pathlib import Path

import perioview_napari
from npe2 import PluginManifest


def manifest():
    return PluginManifest.from_file(Path(perioview_napari.__file__).parent / "napari.yaml")


def test_manifest_is_valid_and_named_like_the_distribution():
    assert manifest().name == "perioview"


def test_every_command_can_be_imported():
    for command in manifest().contributions.commands:
        module, name = command.python_name.split(":")
        assert callable(getattr(import_module(module), name))


def test_distribution_announces_the_manifest():
    found = PluginManifest.from_distribution("perioview")
    assert found.contributions.widgets[0].command == "perioview.mark"
