"""The chart of the visit in the window, on disk after every line."""

from __future__ import annotations

from pathlib import Path

from perioview.chart import Chart
from perioview.errors import InputRefused


class ChartFile:
    """chart.csv of one visit; what another program wrote meanwhile is never written over.

    Parameters
    ----------
    folder : Path
        Of the visit.
    """

    def __init__(self, folder: Path) -> None:
        self.path = folder / "chart.csv"
        self._seen = self._stamp()

    def read_now(self) -> None:
        """What is on disk at this moment is what the window shows from here on."""
        self._seen = self._stamp()

    def write(self, chart: Chart) -> None:
        """Keep the chart.

        Raises
        ------
        InputRefused
            If the file cannot be written, or is not as this window last saw it.
        """
        from perioview.files.chart_table import write_chart

        if self._stamp() != self._seen:
            raise InputRefused(
                f"{self.path.name}: another program changed it; it is read again now, then enter "
                "the line once more."
            )
        write_chart(self.path, chart)
        self.read_now()

    @property
    def changed(self) -> bool:
        """Whether the file is not as this window last saw it."""
        return self._stamp() != self._seen

    def _stamp(self) -> tuple[int, int] | None:
        try:
            found = self.path.stat()
        except OSError:
            return None
        return found.st_mtime_ns, found.st_size


def measured_files(folder: Path) -> tuple[tuple[str, int], ...]:
    """Names and times of change of what a visit is measured from.

    Images, marks with their rounds, outlines and visit.toml.
    """
    files = [
        *(p for p in (folder / "images").glob("*") if not p.name.startswith(".")),
        *(p for p in (folder / "marks").glob("*") if p.suffix in (".csv", ".json")),
        *(p for p in (folder / "regions").glob("*") if p.suffix in (".png", ".csv")),
        folder / "visit.toml",
    ]
    stamps = []
    for file in sorted(files):
        try:
            stamps.append((file.name, file.stat().st_mtime_ns))
        except OSError:  # taken away between being listed and being looked at
            continue
    return tuple(stamps)
