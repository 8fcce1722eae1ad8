# May this shot be fired? Enforced here, whatever the host asks for.
#
# Before every shot, in this order: the width is within the board's limits; the rest time since the last shot
# is waited for; the leads carry no voltage, nor one that is on its way there.

import board
import frame

_HALF = board.LEAD_READINGS // 2
# From the middle of the first half of the readings to the middle of the last [ms], which are 1 ms apart.
_APART_MS = board.LEAD_READINGS - _HALF
_BEYOND = (
    "the leads carry at least %d V%s, beyond the tester's scale: it may be far more and may kill. Touch "
    "nothing, switch off, pull the plug; how to discharge what is charged is for someone trained for it, by "
    "the local codes"
)
_SIGNS = ("", "", ", negative")  # by the end of the converter: none, upper, lower
_PERIOD_MS = (1000 + board.MAX_SHOTS_PER_S - 1) // board.MAX_SHOTS_PER_S


class Refused(Exception):
    # A request that is not carried out: code and value of frame.ERROR, words for a person.
    def __init__(self, code, value, words):
        super().__init__(words)
        self.code = code
        self.value = value
        self.words = words


class Interlock:
    # hardware: see shot.py; store: see store.py, whose values may change between shots
    def __init__(self, hardware, store):
        self._hardware = hardware
        self._store = store
        self._readings = [0] * board.LEAD_READINGS
        self._began_ms = None
        self._ended_ms = None
        self.max_width_ticks = board.MAX_WIDTH_NS * hardware.tick_hz // 1_000_000_000
        if not frame.MIN_TICKS <= self.max_width_ticks <= frame.MAX_WIDTH_TICKS:
            raise ValueError(
                f"board.py: MAX_WIDTH_NS = {board.MAX_WIDTH_NS} is {self.max_width_ticks} ticks; "
                f"the pulse program times {frame.MIN_TICKS} to {frame.MAX_WIDTH_TICKS}"
            )

    # Returns the lead voltage [mV]; raises Refused.
    def admit(self, width_ticks):
        self.check_width(width_ticks)
        self._rest()
        lead_mv = self._check_leads()
        self._began_ms = self._hardware.ticks_ms()
        return lead_mv

    def fired(self):
        self._ended_ms = self._hardware.ticks_ms()

    # 0 is a capture without a pulse.
    def check_width(self, width_ticks):
        if width_ticks != 0 and not frame.MIN_TICKS <= width_ticks <= self.max_width_ticks:
            raise Refused(
                frame.BAD_VALUE,
                width_ticks,
                f"width_ticks={width_ticks}; this board fires {frame.MIN_TICKS} "
                f"to {self.max_width_ticks} ticks, or 0 for none",
            )

    def _rest(self):
        self._wait(self._ended_ms, board.REST_MS)
        self._wait(self._began_ms, _PERIOD_MS)

    def _wait(self, since_ms, pause_ms):
        if since_ms is None:
            return
        left_ms = pause_ms - self._hardware.elapsed_ms(since_ms)
        # After days the counter has wrapped round and the difference means nothing: wait the whole pause.
        if left_ms > 0:
            self._hardware.sleep_ms(min(left_ms, pause_ms))

    def _check_leads(self):
        worst_mv, lead_mv, mv_per_s, beyond = self.read_leads()
        if beyond:
            raise Refused(frame.LEADS_LIVE, worst_mv, _BEYOND % (abs(worst_mv) // 1000, _SIGNS[beyond]))
        if abs(worst_mv) <= board.LEAD_LIMIT_MV:
            return lead_mv
        words = f"the leads carry {lead_mv} mV"
        if abs(worst_mv) > abs(lead_mv):
            words = f"the leads carry {lead_mv} mV, up to {worst_mv} mV, changing by {mv_per_s} mV/s"
        raise Refused(
            frame.LEADS_LIVE,
            worst_mv,
            f"{words}; the limit is {board.LEAD_LIMIT_MV} mV: take the leads off, see what is charged",
        )

    # (largest in magnitude now or within the horizon, mean of the last half, slope [mV/s], beyond), in mV.
    # beyond: 1 or -1 where a reading stood at the converter's upper or lower end: then the others are bounds.
    def read_leads(self):
        readings = self._readings
        self._beyond = 0
        for at in range(len(readings)):
            if at:
                self._hardware.sleep_ms(1)
            readings[at] = self._lead_uv()
        first = sum(readings[:_HALF]) // _HALF
        last = sum(readings[-_HALF:]) // _HALF
        ahead = last + (last - first) * board.LEAD_HORIZON_MS // _APART_MS
        # What lies ahead of a voltage at the scale's end is no bound.
        worst = max(readings if self._beyond else readings + [ahead], key=abs)
        return _mv(worst), _mv(last), (last - first) // _APART_MS, self._beyond

    def _lead_uv(self):
        code = self._hardware.lead_code()
        if code <= board.LEAD_END_CODES:
            self._beyond = -1
        elif code >= 4095 - board.LEAD_END_CODES:
            self._beyond = 1
        code_16 = code * 16 - self._store.values["lead_offset_code_16"]
        return code_16 * self._store.values["lead_uv"] // 16


def _mv(microvolts):
    return (microvolts + 500) // 1000
