"""Normally-closed contacts: a source that is open at rest, turned round."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from cuesync.devices.contact_addresses import bare, normally_closed
from cuesync.devices.ports import ContactEdge, ContactSource, Counts, EdgeSink


class WithPolarity:
    """A contact source whose contacts may be normally closed (`gpio:17 nc`).

    The inner source is asked for the bare addresses and tells what the wire does; here an opening wire
    becomes a closing contact, under the address that the scene wrote. One wire may be asked for both ways.
    """

    def __init__(self, source: ContactSource) -> None:
        self._source = source

    def open(self, contacts: Sequence[str], sink: EdgeSink) -> None:
        written: dict[str, list[str]] = {}
        for contact in contacts:
            written.setdefault(bare(contact), []).append(contact)

        def tell(edge: ContactEdge) -> None:
            for contact in written.get(edge.contact, ()):
                closed = edge.closed != normally_closed(contact)
                sink(replace(edge, contact=contact, closed=closed))

        self._source.open(tuple(written), tell)

    @property
    def discarded(self) -> Counts:
        return self._source.discarded

    def alive(self) -> bool:
        return self._source.alive()

    def close(self) -> None:
        self._source.close()
