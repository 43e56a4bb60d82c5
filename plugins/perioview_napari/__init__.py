"""The napari plugin of perioview."""
