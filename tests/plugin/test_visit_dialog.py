"""The form that makes a visit folder: nobody writes it by hand."""

import datetime as dt

import pytest

from perioview.errors import InputRefused
from perioview.files.visit_folder import read_visit

pytestmark = pytest.mark.window


@pytest.fixture
def form(qapp):
    from perioview_napari.visit_dialog import visit_form

    return visit_form()


def test_form_makes_a_visit_that_reads_back(form, tmp_path, visit):
    from perioview_napari.visit_dialog import visit_from_form
    from perioview_napari.visits import Visits

    radiograph = visit / "images" / "left-jaw.dcm"
    form["parent"].value = tmp_path
    form["folder"].value = "first visit"
    form["patient"].value = "PV-0777"
    form["name"].value = "Sample^Rex"
    form["date"].value = dt.date(2026, 3, 5)
    form["images"].value = [radiograph]
    folder = visit_from_form(form)
    made = read_visit(folder)
    assert made.patient["id"] == "PV-0777"
    assert made.visit["date"] == dt.date(2026, 3, 5)
    copied = folder / "images" / "left-jaw.dcm"
    assert copied.read_bytes() == radiograph.read_bytes()
    assert Visits().marks_path(copied) == folder / "marks" / "left-jaw.dcm.csv"
    assert Visits().species(copied) == "dog"


def test_form_without_a_patient_is_refused(form, tmp_path):
    from perioview_napari.visit_dialog import visit_from_form

    form["parent"].value = tmp_path
    with pytest.raises(InputRefused, match="patient's number"):
        visit_from_form(form)
    assert not list(tmp_path.iterdir())
