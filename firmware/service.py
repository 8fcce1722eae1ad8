# Requests in, replies out: the board's side of frame.py, whose text says what each word and field means.
#
# Nothing is allocated between the go of a shot and its last sample; the one buffer is made here, once, and
# sent from where it lies.

from array import array

import aim
import board
import frame
from binascii import crc32
from console import Unheard
from interlock import Refused

try:
    from uctypes import addressof, bytearray_at

    def _bytes_of(samples):
        return memoryview(bytearray_at(addressof(samples), 2 * len(samples)))

except ImportError:

    def _bytes_of(samples):
        return memoryview(samples).cast("B")


_MAX_PRETRIGGER = 227
# Samples after a pulse in which the crest of a ring is looked for that is too fast to be seen in the samples.
_EARLY = 48


class Service:
    # hardware: see shot.py; console: see console.py
    def __init__(self, hardware, console, interlock, store):
        self._hardware = hardware
        self._console = console
        self._interlock = interlock
        self._store = store
        self._samples = array("H", bytes(2 * frame.MAX_SAMPLES))
        self._bytes = _bytes_of(self._samples)
        self._line = bytearray(frame.MAX_LINE + 1)
        self._capacitor = None
        self._max_pretrigger = min(_MAX_PRETRIGGER, frame.MAX_DELAY_TICKS // hardware.ticks_per_sample)
        self._begin(frame.NO_ID)
        self._answers = {
            "hello": self._hello,
            "capture": self._capture,
            "aim": self._aim,
            "check": self._check,
            "constants": self._constants,
            "constant": self._change,
            "save": self._save,
        }

    # Answers requests until the stream ends, which on the board it never does.
    def serve(self):
        while True:
            line = self._read_line()
            if line is None:
                return
            if line:
                self.answer(line)

    # A line without its end, cut after the first byte that is too many; None when the stream has ended.
    def _read_line(self):
        length = 0
        while True:
            byte = self._console.read()
            if byte < 0:
                return None
            if byte == 10:
                break
            if length < len(self._line):
                self._line[length] = byte
                length += 1
        return bytes(self._line[:length]).rstrip(b"\r")

    # Exactly one END or ERROR, whatever happens, and the pulse pin low after it.
    def answer(self, line):
        self._begin(frame.id_of(line))
        try:
            word, _, keys = frame.decode_request(line)
        except frame.FrameError as error:
            self._refuse(frame.BAD_REQUEST, 0, str(error))
            return
        try:
            self._answers[word](keys)
            values = {"frames": self._frames, "shots": self._shots, "sum": self._sum}
            self._send_fields(frame.END, values)
        except Unheard:
            pass  # the host has gone; it will ask anew
        except Refused as refusal:
            self._refuse(refusal.code, refusal.value, refusal.words)
        except Exception as error:  # a bug of ours must still end the answer
            self._refuse(frame.BOARD_FAILED, 0, repr(error))
        finally:
            self._hardware.pulse_low()
            self._hardware.tidy()

    def _begin(self, request_id):
        self._id = request_id
        self._frames = 0
        self._shots = 0
        self._sum = 0
        self._sent_ms = self._hardware.ticks_ms()

    # Called at least once a shot: says that the board is at work before the silence grows too long.
    def _alive(self):
        if self._hardware.elapsed_ms(self._sent_ms) >= frame.ALIVE_MS // 2:
            self._send_fields(frame.ALIVE, {"shots": self._shots})

    def _refuse(self, code, value, words):
        try:
            self._send_fields(frame.ERROR, {"code": code, "value": value, "words": words})
        except Unheard:
            pass

    # --- answers ---

    def _hello(self, keys):
        hardware = self._hardware
        values = {
            "protocol": frame.VERSION,
            "firmware": board.FIRMWARE,
            "board": hardware.machine,
            "unique_id": hardware.unique_id,
            "micropython": hardware.micropython,
            "bits": 12,
            "max_samples": frame.MAX_SAMPLES,
            "max_pretrigger": self._max_pretrigger,
            "min_width_ticks": frame.MIN_TICKS,
            "max_width_ticks": self._interlock.max_width_ticks,
            "max_shots": board.MAX_SHOTS,
            "rest_ms": board.REST_MS,
            "max_shots_per_s": board.MAX_SHOTS_PER_S,
            "lead_limit_mv": board.LEAD_LIMIT_MV,
            "capacitors": ",".join([row[0] for row in board.CAPACITORS]),
            "aim_least_mv": board.AIM_LEAST_MV,
            "aim_most_mv": board.AIM_MOST_MV,
            "constants_from": self._store.source,
        }
        values.update(self._timing())
        self._send_fields(frame.HELLO, values)
        self._constants(keys)

    def _timing(self):
        return {
            "tick_hz": self._hardware.tick_hz,
            "ticks_per_sample": self._hardware.ticks_per_sample,
            "rate_numerator": frame.ADC_HZ,
            "rate_denominator": frame.ADC_PERIODS,
            "start_uncertainty_ps": self._hardware.start_uncertainty_ps,
        }

    def _constants(self, keys):
        values = dict(self._store.values)
        values["constants_from"] = self._store.source
        self._send_fields(frame.CONSTANTS, values)

    def _change(self, keys):
        lowest, highest = self._store.limits(keys["name"])
        if lowest > highest:
            raise Refused(frame.BAD_VALUE, 0, f"no constant {keys['name']}; see constants")
        self._store.change(keys["name"], _number(keys, "value", lowest, highest))
        self._constants(keys)

    def _save(self, keys):
        try:
            self._store.save(self._alive)
        except OSError as error:
            number = error.args[0] if error.args else 0
            raise Refused(frame.STORE_FAILED, number, f"the file system says {error!r}; nothing is lost")
        self._constants(keys)

    def _check(self, keys):
        tick_hz, rate_hz = self._hardware.measure()
        _, lead_mv, lead_mv_per_s, beyond = self._interlock.read_leads()
        self._send_fields(
            frame.CHECK,
            {
                "tick_hz": tick_hz,
                "rate_hz": rate_hz,
                "lead_mv": lead_mv,
                "lead_mv_per_s": lead_mv_per_s,
                "temperature_mc": self._hardware.temperature_mc(),
                "heap_free": self._hardware.heap_free(),
                "lead_beyond": beyond,
            },
        )

    # --- shots ---

    def _capture(self, keys):
        samples, pretrigger = self._length(keys)
        width = _number(keys, "width_ticks", 0, frame.MAX_WIDTH_TICKS)
        shots = _number(keys, "shots", 1, board.MAX_SHOTS)
        ticks = self._hardware.ticks_per_sample
        interleave = _number(keys, "interleave", 1, ticks)
        if ticks % interleave:
            raise Refused(
                frame.BAD_VALUE,
                interleave,
                f"interleave={interleave} does not divide the {ticks} ticks of a sample",
            )
        self._check_span(samples, pretrigger, width, interleave)
        self._select(keys["capacitor"])
        for sweep in range(shots):
            for phase in range(interleave):
                delay = pretrigger * ticks - phase * ticks // interleave
                flags, lead_mv = self._fire(samples, delay, width)
                if self._shots == 1:
                    self._send_begin(keys, lead_mv)
                self._send_shot(phase, flags, delay, lead_mv, samples)
                self._hardware.tidy()

    def _length(self, keys):
        samples = _number(keys, "samples", 16, frame.MAX_SAMPLES)
        return samples, _number(keys, "pretrigger", 1, min(self._max_pretrigger, samples - 1))

    # The pulse must be long enough after the converter's start, and over before its last sample.
    def _check_span(self, samples, pretrigger, width, interleave):
        self._interlock.check_width(width)
        ticks = self._hardware.ticks_per_sample
        if pretrigger * ticks - (interleave - 1) * ticks // interleave < frame.MIN_TICKS:
            raise Refused(
                frame.BAD_VALUE,
                pretrigger,
                f"pretrigger={pretrigger} is too short for this interleave; give 2",
            )
        if pretrigger * ticks + width > samples * ticks:
            raise Refused(
                frame.BAD_VALUE,
                samples,
                f"samples={samples} end before the pulse does; give more, or less width",
            )

    def _select(self, letter):
        letters = [row[0] for row in board.CAPACITORS]
        choices = letters + [frame.NO_CAPACITOR, frame.LOOP_BACK]
        if letter not in choices:
            raise Refused(frame.BAD_VALUE, 0, f"capacitor={letter}; one of: {' '.join(choices)}")
        if letter != self._capacitor:
            self._capacitor = letter
            channel = board.LOOP_CHANNEL if letter == frame.LOOP_BACK else board.RING_CHANNEL
            self._hardware.select(letters.index(letter) if letter in letters else -1, channel)
            self._hardware.sleep_ms(board.SETTLE_MS)

    # One shot into the buffer; (flags, lead voltage before it [mV]).
    def _fire(self, samples, delay, width):
        if self._console.waiting():
            raise Refused(frame.CANCELLED, self._shots, f"cancelled after {self._shots} shots")
        self._alive()
        lead_mv = self._interlock.admit(width)
        try:
            flags = self._hardware.capture(self._samples, samples, delay, width)
        finally:
            self._interlock.fired()
        if flags & frame.UNFINISHED:
            raise Refused(frame.CAPTURE_FAILED, samples, f"the converter did not give {samples} samples")
        self._shots += 1
        return flags, lead_mv

    def _aim(self, keys):
        samples, pretrigger = self._length(keys)
        ticks = self._hardware.ticks_per_sample
        delay = pretrigger * ticks
        highest = min(self._interlock.max_width_ticks, (samples - pretrigger) * ticks)
        self._select(keys["capacitor"])
        lead_mv = 0

        def fire(width):
            nonlocal lead_mv
            _, lead_mv = self._fire(samples, delay, width)
            peak_uv = self._peak_uv(samples, pretrigger, pretrigger - (-width // ticks))
            self._hardware.tidy()
            return peak_uv

        if "target_mv" in keys:
            target_uv = 1000 * _number(keys, "target_mv", board.AIM_LEAST_MV, board.AIM_MOST_MV)
            found = aim.find_amplitude(fire, frame.MIN_TICKS, highest, target_uv)
        else:
            found = aim.find_width(fire, frame.MIN_TICKS, highest)
        outcome, width, peak_uv, largest_uv, shots = found
        self._send_fields(
            frame.AIM,
            {
                "outcome": outcome,
                "capacitor": keys["capacitor"],
                "width_ticks": width,
                "peak_uv": peak_uv,
                "largest_uv": largest_uv,
                "shots": shots,
                "lead_mv": lead_mv,
            },
        )

    # Largest distance from the resting level, at the winding, failed conversions left out. over: the first
    # sample after the pulse.
    def _peak_uv(self, samples, pretrigger, over):
        rest = self._sound(0, pretrigger)
        ring = self._sound(pretrigger, samples)
        if not len(rest) or not len(ring):
            raise Refused(frame.CAPTURE_FAILED, 0, "every conversion failed")
        offset_16 = sum(rest) * 16 // len(rest)
        peak_16 = max(max(ring) * 16 - offset_16, offset_16 - min(ring) * 16)
        peak_16 = max(peak_16, self._crest_16(over, samples, offset_16))
        constants = self._store.values
        return peak_16 * constants["converter_nv"] * 1000 // constants["gain_ppm"] // 16

    # The crest between samples of a ring that has few of them to a period. Samples a, b, c of a sinusoid A,
    # one step of angle w apart, obey a + c = 2 b cos w, so that
    #     A^2 = b^2 + (c - a)^2 b^2 / (4 b^2 - (a + c)^2)
    # 0 where they are so many that the largest is the crest (cos w above 0.97), or so few that the step is
    # near half a period (below -0.9) and noise decides.
    def _crest_16(self, start, samples, offset_16):
        codes = self._samples
        best = at = 0
        for k in range(start + 1, min(start + _EARLY, samples - 1)):
            size = abs(codes[k] * 16 - offset_16)
            if size > best and max(codes[k - 1], codes[k], codes[k + 1]) < frame.CONVERSION_FAILED:
                best, at = size, k
        if not at:
            return 0
        a, b, c = [codes[at + k] * 16 - offset_16 for k in (-1, 0, 1)]
        if not -180 * b * b < 100 * (a + c) * b < 194 * b * b:
            return 0
        return _root(b * b + (c - a) ** 2 * b * b // (4 * b * b - (a + c) ** 2), abs(b))

    def _sound(self, start, stop):
        view = memoryview(self._samples)[start:stop]
        if max(view) < frame.CONVERSION_FAILED:
            return view
        return [code for code in view if code < frame.CONVERSION_FAILED]

    # How many conversions failed. Counted, not gathered: of a long record that would take more than there is.
    def _failed(self, samples):
        view = memoryview(self._samples)[:samples]
        if max(view) < frame.CONVERSION_FAILED:
            return 0
        return sum(code >= frame.CONVERSION_FAILED for code in view)

    # --- frames ---

    def _send_begin(self, keys, lead_mv):
        values = {name: keys[name] for name in frame.REQUESTS["capture"]}
        values["temperature_mc"] = self._hardware.temperature_mc()
        values["lead_mv"] = lead_mv
        values.update(self._timing())
        self._send_fields(frame.BEGIN, values)

    def _send_shot(self, phase, flags, delay, lead_mv, samples):
        errors = self._failed(samples)
        before = frame.encode_shot(self._shots - 1, phase, flags, delay, errors, lead_mv)
        after = self._bytes[: 2 * samples]
        self._sum = crc32(after, crc32(before, self._sum))
        self._send(frame.DATA, before, after)

    def _send_fields(self, frame_type, values):
        self._send(frame_type, frame.encode_fields(frame_type, values), b"")

    # The payload in two parts, so that samples need not be copied.
    def _send(self, frame_type, before, after):
        head = frame.head(frame_type, self._id, len(before) + len(after)) + before
        self._console.write(head)
        self._console.write(after)
        self._console.write(frame.tail(crc32(after, crc32(head))))
        self._frames += frame_type != frame.ALIVE
        self._sent_ms = self._hardware.ticks_ms()


# The whole square root, by Newton's rule from a start that is at least half of it.
def _root(square, start):
    root = 2 * start
    while root * root > square:
        root = (root + square // root) // 2
    return root


def _number(keys, name, lowest, highest):
    value = frame.whole(keys[name])
    if value is None or not lowest <= value <= highest:
        # What is no number of 32 bits cannot be told as one.
        told = value if value is not None and abs(value) < 1 << 31 else 0
        raise Refused(
            frame.BAD_VALUE, told, f"{name}={keys[name]}; give a whole number from {lowest} to {highest}"
        )
    return value
