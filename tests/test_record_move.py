"""Objects sent to our own port by C-MOVE, where an archive offers no C-GET (PS3.4 C.4.2)."""

from __future__ import annotations

import copy
from pathlib import Path

import pytest
from pydicom.dataset import Dataset
from pynetdicom import AE

from perioview.errors import InputRefused
from perioview.record.destination import destination_from
from perioview.record.outbox import send, write_outbox
from tests.orthanc import Orthanc, free_port, orthanc_at
from tests.test_record_archive import data_set, sockets_collected  # noqa: F401
from tests.test_record_folder import encoded
from tests.test_record_objects import draft_objects

pytestmark = [
    pytest.mark.server,
    pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning"),
    pytest.mark.filterwarnings("ignore::ResourceWarning"),
]


def no_get(server: Orthanc) -> dict[str, object]:
    """Orthanc that knows us, and lets us move but not get."""
    return {
        "DicomAlwaysAllowGet": False,
        "DicomModalities": {
            "ours": {
                "AET": "PERIOVIEW",
                "Host": "127.0.0.1",
                "Port": server.ours,
                "AllowGet": False,
                "AllowMove": True,
            }
        },
    }


def returned(objects: list[Dataset]) -> dict[str, bytes]:
    return {str(o.SOPInstanceUID): data_set(encoded(o)) for o in objects}


@pytest.mark.parametrize("asked", ["&retrieve=move", ""])
def test_objects_come_back_by_move(tmp_path: Path, asked: str) -> None:
    with orthanc_at(tmp_path / "orthanc") as server:
        objects = draft_objects()
        send(write_outbox(tmp_path / "o", objects), destination_from(server.dimse))
        if not asked:
            server.stop(kill=True)
            server.more.update(no_get(server))
            server.start()
        source = destination_from(f"{server.dimse}?listen={server.ours}{asked}")
        study = str(objects[0].StudyInstanceUID)
        assert returned(list(source.objects("PV-0001", study))) == returned(list(objects))
        assert len(source.reports("PV-0001")) == 2
        # The port is ours only for as long as we ask.
        with pytest.raises(InputRefused, match="tell the archive our title"):
            destination_from(f"{server.dimse}?listen={free_port()}{asked}").studies("PV-0001")
            list(destination_from(f"{server.dimse}?retrieve=move").objects("PV-0001", study))


def test_an_archive_that_does_not_know_us_says_so(tmp_path: Path) -> None:
    with orthanc_at(tmp_path / "orthanc", DicomModalities={}) as server:
        send(write_outbox(tmp_path / "o", draft_objects()[:1]), destination_from(server.dimse))
        source = destination_from(f"{server.dimse}?listen={server.ours}&retrieve=move")
        with pytest.raises(InputRefused) as refused:
            list(source.objects("PV-0001", str(draft_objects()[0].StudyInstanceUID)))
        assert len(refused.value.faults) == 1


def test_nobody_else_leaves_objects_at_our_port(tmp_path: Path) -> None:
    with orthanc_at(tmp_path / "orthanc") as server:
        parcels = write_outbox(tmp_path / "o", draft_objects()[:2])
        send(parcels[:1], destination_from(server.dimse))
        told: list[object] = []

        def intrude(query: object) -> None:
            stranger = AE(ae_title="STRANGER")
            stranger.add_requested_context(draft_objects()[1].SOPClassUID)
            association = stranger.associate("127.0.0.1", server.ours, ae_title="PERIOVIEW")
            if association.is_established:
                other = copy.deepcopy(draft_objects()[1])
                other.StudyInstanceUID = "1.2.3"
                told.append(association.send_c_store(other).Status)
                association.release()

        from perioview.record import retrieval

        finished = retrieval._finished

        def midway(peer: object, answers: object) -> None:
            intrude(peer)
            finished(peer, answers)  # type: ignore[arg-type]

        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(retrieval, "_finished", midway)
            source = destination_from(f"{server.dimse}?listen={server.ours}&retrieve=move")
            study = str(draft_objects()[0].StudyInstanceUID)
            found = list(source.objects("PV-0001", study))
        assert told == [0x0124]
        assert [o.SOPInstanceUID for o in found] == [parcels[0].uid]
