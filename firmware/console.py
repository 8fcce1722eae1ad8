# The link to the host: one byte in, many bytes out, never a word unasked.
#
# source, sink: raw byte streams (sys.stdin.buffer, sys.stdout.buffer on the board); polled: what select.poll
# watches for `source` (sys.stdin on the board), or None where nothing can be watched.

import select

_TRIES = 4  # without progress; the board's own write gives up after half a second each


class Unheard(Exception):
    # The host does not read: the rest of the answer is lost, the board goes on with the next request.
    pass


class Console:
    def __init__(self, source, sink, polled=None):
        self._source = source
        self._sink = sink
        self._byte = bytearray(1)
        self._poll = None
        if polled is not None:
            self._poll = select.poll()
            self._poll.register(polled, select.POLLIN)

    # The next byte, waiting for it; -1 when the stream has ended (a board's never does).
    def read(self):
        return self._byte[0] if self._source.readinto(self._byte) else -1

    # Has the host sent something that is not read yet?
    def waiting(self):
        return self._poll is not None and bool(self._poll.poll(0))

    # All of `data`, which may be longer than what the link takes at once; raises Unheard.
    def write(self, data):
        view = memoryview(data)
        tries = _TRIES
        while view:
            count = self._sink.write(view) or 0
            tries = tries - 1 if count == 0 else _TRIES
            if tries == 0:
                raise Unheard()
            view = view[count:]
        if hasattr(self._sink, "flush"):
            self._sink.flush()
