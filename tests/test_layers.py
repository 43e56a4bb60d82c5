"""The flow of DEVELOPERS.md holds: a module imports only from its own row or from those above."""

import ast
from fnmatch import fnmatch
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
ROWS = (
    "errors measurement teeth data_tables __init__",
    "image geometry calibration calibration_doubts grey_levels",
    "marks marking_round snapping root_direction proposals* plaque* alignment* subtraction* "
    "chart* regions*",
    "bone_loss* staging observer criteria* awake progression* repeatability* comparison* "
    "care* closeout* procedure home_* visit",
    "files/* record/* repeat_marking",
    "batch* cli __main__ verbs/* plugin/*",
)
# A scale may come from ruler marks.
ALLOWED = {("calibration", "marks")}
WINDOW = {"napari", "qtpy", "vispy", "magicgui"}
DICOM = {"pydicom", "highdicom", "pynetdicom", "dicomweb_client"}


def row(name):
    found = [i for i, names in enumerate(ROWS) if any(fnmatch(name, n) for n in names.split())]
    assert len(found) == 1, f"{name}: in {len(found)} rows of ROWS; give it one"
    return found[0]


def modules():
    for path in sorted((ROOT / "perioview").rglob("*.py")):
        yield path.relative_to(ROOT / "perioview").with_suffix("").as_posix(), path
    for path in sorted((ROOT / "plugins" / "perioview_napari").glob("*.py")):
        yield f"plugin/{path.stem}", path


def imports(path):
    """Every module a file imports, at its top or inside a function."""
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.level == 0:
            yield node.module or ""
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def own(name):
    """Name in ROWS of one of our modules, or None."""
    parts = name.split(".")
    if parts[0] == "perioview_napari":
        return "plugin/" + (parts[1] if len(parts) > 1 else "__init__")
    if parts[0] != "perioview":
        return None
    for end in (len(parts), len(parts) - 1):
        inner = "/".join(parts[1:end])
        if inner and (ROOT / "perioview" / f"{inner}.py").is_file():
            return inner
    return None


@pytest.mark.parametrize(
    "name,path", list(modules()), ids=lambda v: v if isinstance(v, str) else ""
)
def test_imports_come_from_the_same_row_or_above(name, path):
    here = row(name)
    for imported in imports(path):
        found = own(imported)
        if found is not None and (name, found) not in ALLOWED:
            assert row(found) <= here, f"{name} imports {found} from a later row"
        top = imported.split(".")[0]
        if here < 4:
            assert top not in WINDOW | DICOM, f"{name} imports {top}"
        if not name.startswith("plugin/") and not name.startswith("verbs/view"):
            assert top not in WINDOW, f"{name} imports {top}"


def test_a_module_nobody_placed_is_noticed():
    with pytest.raises(AssertionError, match="in 0 rows"):
        row("something_new")
