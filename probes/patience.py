"""The time a probe has for several things together, of which waiting for our own pace, or for a slot, takes nothing.

Without this a run at a gentle pace would blame hosts for the pace: with a thousand hosts the next packet may be seconds away.
"""

from __future__ import annotations

import contextlib
from collections.abc import AsyncIterator

from probes.seam import Network, NotObserved, Stream


class Patience:
    """So many seconds, counted from now.  What is given back to a part is given back to the ``whole`` too."""

    def __init__(self, network: Network, seconds: float, whole: Patience | None = None) -> None:
        self._network, self._whole = network, whole
        self._end = network.monotonic() + seconds

    @property
    def left_seconds(self) -> float:
        """What is left, 0 where nothing is."""
        return max(0.0, self._end - self._network.monotonic())

    def part(self, parts: int) -> Patience:
        """An equal part of what is left."""
        return Patience(self._network, self.left_seconds / parts, self)

    def give_back(self, seconds: float) -> None:
        """So many seconds were nobody's fault but ours."""
        self._end += max(0.0, seconds)
        if self._whole is not None:
            self._whole.give_back(seconds)

    async def connect(self, address: str, port: int) -> Stream:
        """Connect within what is left; the wait for our turn is given back.  Raises NotObserved."""
        began, took = self._network.monotonic(), 0.0
        try:
            stream = await self._network.connect(address, port, timeout_seconds=self.left_seconds)
            took = stream.connect_seconds
            return stream
        except NotObserved as unseen:
            took = unseen.failure.elapsed_seconds
            raise
        finally:
            self.give_back(self._network.monotonic() - began - took)

    @contextlib.asynccontextmanager
    async def handshake_slot(self) -> AsyncIterator[None]:
        """Hold a handshake slot; the wait for it is given back."""
        began = self._network.monotonic()
        async with self._network.handshake_slot():
            self.give_back(self._network.monotonic() - began)
            yield
