"""Objects taken from an archive: by C-GET, or by C-MOVE where it offers no C-GET (PS3.4 C.4)."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from pydicom.dataset import Dataset
from pydicom.uid import (
    ExplicitVRLittleEndian,
    ImplicitVRLittleEndian,
    JPEG2000Lossless,
    JPEGBaseline8Bit,
    JPEGLosslessSV1,
    JPEGLSLossless,
    RLELossless,
)

from perioview.errors import InputRefused
from perioview.record.peer import Peer

_GET = "1.2.840.10008.5.1.4.1.2.2.3"
_MOVE = "1.2.840.10008.5.1.4.1.2.2.2"
_PLAIN = [ExplicitVRLittleEndian, ImplicitVRLittleEndian]
_PACKED = [JPEGBaseline8Bit, JPEGLosslessSV1, JPEGLSLossless, JPEG2000Lossless, RLELossless]
_ROOT = "1.2.840.10008.5.1.4.1.1"
_DOCUMENTS = "11.1 11.2 66.4 88.11 88.22 88.33 88.34 104.1"
_IMAGES = "1 1.1 1.1.1 1.2 1.3 1.3.1 7 7.1 7.2 7.3 7.4 77.1.4"


def retrieved(peer: Peer, level: str, wanted: Sequence[dict[str, str]]) -> list[Dataset]:
    """Fetch all objects of some studies or series over one association.

    Parameters
    ----------
    peer : Peer
    level : str
        ``STUDY`` or ``SERIES``.
    wanted : sequence of dict
        Unique keys of each, as the level asks (PS3.4 C.4.2.1.4, C.4.3.1.3).

    Returns
    -------
    list of Dataset
        With file meta information.

    Raises
    ------
    InputRefused
        If the archive does not hand over all of them.
    """
    if not wanted:
        return []
    if not peer.move:
        try:
            found = _by_get(peer, level, wanted)
        except InputRefused:
            # Some agree to C-GET and then do not do it.
            if peer.listen is None:
                raise
            found = None
        if found is not None:
            return found
    return _by_move(peer, level, wanted)


def _query(level: str, keys: dict[str, str]) -> Dataset:
    query = Dataset()
    query.QueryRetrieveLevel = level
    for keyword, value in keys.items():
        setattr(query, keyword, value)
    return query


def _by_get(peer: Peer, level: str, wanted: Sequence[dict[str, str]]) -> list[Dataset] | None:
    """Objects over the association that asks for them; None where C-GET is not offered."""
    from pynetdicom import build_role

    basket = _Basket()
    entity = peer.entity()
    entity.add_requested_context(_GET)
    classes = storage_classes()
    for sop_class, syntaxes in classes.items():
        entity.add_requested_context(sop_class, _PLAIN)
        for syntax in syntaxes[len(_PLAIN) :]:
            # A context of its own each, or the archive would settle on one for all of a class.
            entity.add_requested_context(sop_class, syntax)
    roles = [build_role(sop_class, scp_role=True) for sop_class in classes]
    with peer.associated(entity, ext_neg=roles, handlers=basket.handlers()) as association:
        if not any(c.abstract_syntax == _GET for c in association.accepted_contexts):
            return None
        for keys in wanted:
            _finished(peer, association.send_c_get(_query(level, keys), _GET))
    return basket.found


def _by_move(peer: Peer, level: str, wanted: Sequence[dict[str, str]]) -> list[Dataset]:
    """Objects that the archive sends to our own port, for as long as it is asked."""
    if peer.listen is None:
        raise InputRefused(
            f"{peer.name}: offers no C-GET; to have objects sent by C-MOVE, tell the archive our "
            "title and a port of this computer, and give that port as ?listen=PORT."
        )
    basket = _Basket(wanted)
    receiver = peer.entity()
    # What is sent to another title than ours is not for us.
    receiver.require_called_aet = True
    for sop_class, syntaxes in storage_classes().items():
        receiver.add_supported_context(sop_class, syntaxes)
    entity = peer.entity()
    entity.add_requested_context(_MOVE)
    with (
        peer.answered(receiver, basket.handlers()),
        peer.associated(entity) as association,
    ):
        for keys in wanted:
            _finished(peer, association.send_c_move(_query(level, keys), receiver.ae_title, _MOVE))
    return basket.found


def _finished(peer: Peer, answers: Any) -> None:
    last = Dataset()
    try:
        for status, _ in answers:
            last = status
    except (RuntimeError, ValueError) as error:
        raise InputRefused(
            f"{peer.name}: cut the connection, or hands nothing over; try again."
        ) from error
    status = last.get("Status", 0xFFFF)
    if status == 0xA801:
        raise InputRefused(
            f"{peer.name}: does not know where to send (status A801); tell the archive our "
            "title, this computer's address and the port after ?listen=."
        )
    if status != 0:
        raise InputRefused(
            f"{peer.name}: did not hand over all objects (status {status:04X}); try again."
        )


class _Basket:
    """Objects as they arrive; those nobody asked for are refused."""

    def __init__(self, wanted: Sequence[dict[str, str]] = ()) -> None:
        self.found: list[Dataset] = []
        self._wanted = wanted

    def handlers(self) -> list[Any]:
        from pynetdicom import evt

        return [(evt.EVT_C_STORE, self._received)]

    def _received(self, event: Any) -> int:
        dataset = event.dataset
        if self._wanted and not any(
            all(str(dataset.get(k, "")) == v for k, v in keys.items()) for keys in self._wanted
        ):
            return 0x0124  # not authorised (PS3.7 C.5.14)
        dataset.file_meta = event.file_meta
        self.found.append(dataset)
        return 0x0000


def storage_classes() -> dict[str, list[str]]:
    """Classes of a dental record and the transfer syntaxes we take them in."""
    images = {f"{_ROOT}.{tail}": [*_PLAIN, *_PACKED] for tail in _IMAGES.split()}
    return images | {f"{_ROOT}.{tail}": list(_PLAIN) for tail in _DOCUMENTS.split()}
